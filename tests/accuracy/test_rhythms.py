"""The material and the optimiser behind the weights of the metre."""

from __future__ import annotations

import numpy as np

from tests.accuracy.network import Example, fit
from tests.accuracy.rhythms import MANNERS, rhythm


def test_a_seed_always_gives_the_same_rhythm() -> None:
    one, other = rhythm(3), rhythm(3)
    assert np.array_equal(one.mono, other.mono)
    assert np.array_equal(one.beats_s, other.beats_s)
    assert not np.array_equal(one.mono[:1000], rhythm(4).mono[:1000])


def test_rhythms_keep_to_their_manner() -> None:
    for seed in range(12):
        made = rhythm(seed)
        manner = MANNERS[made.manner]
        assert manner.low_bpm - 1 <= made.tempo_bpm <= manner.high_bpm + 1
        assert made.beats_per_bar == manner.bar
        assert np.diff(made.beats_s).std() < 1e-9
        assert np.isclose(60.0 / np.diff(made.beats_s).mean(), made.tempo_bpm)
        assert np.abs(made.mono).max() <= 1.0


def test_the_network_learns_what_no_straight_line_tells() -> None:
    # Right is the reading whose two numbers have the same sign: no linear score finds it.
    rng = np.random.default_rng(5)
    examples = []
    for number in range(400):
        x = rng.uniform(0.3, 1.0, (4, 2)) * rng.choice([-1.0, 1.0], (4, 1)) * np.array([1.0, -1.0])
        right = np.zeros(4, dtype=bool)
        right[number % 4] = True
        x[right] *= np.array([1.0, -1.0])
        examples.append(Example("toy", x, right, 1.0))
    net = fit(examples[:300], hidden=8, decay=1e-5, epochs=60, seed=1, rate=0.02)
    hits = [bool(example.right[net.score(example.features).argmax()]) for example in examples[300:]]
    assert np.mean(hits) > 0.95
    again = fit(examples[:300], hidden=8, decay=1e-5, epochs=60, seed=1, rate=0.02)
    assert np.array_equal(net.hidden, again.hidden)
