"""Key: cadences and loops of music theory in all keys and many timbres, published profiles, changes of key."""

from __future__ import annotations

import numpy as np
import pytest

from analysis_worker.core import key
from analysis_worker.core.pitches import Pitches, pitches_of

RATE = 11_025
NO_PHRASES = np.zeros(0)

TIMBRES = {
    "sine": ([1.0], 0.0, 4.0),
    "square": ([1, 0, 1 / 3, 0, 1 / 5, 0, 1 / 7, 0, 1 / 9], 0.0, 4.0),
    "saw": ([1 / n for n in range(1, 16)], 7.0, 4.0),
    "bright pluck": ([1, 0.9, 0.8, 0.8, 0.7, 0.6, 0.5, 0.5], 0.0, 0.25),
    "organ": ([1, 0.8, 0.6, 0.5, 0, 0.3, 0, 0.4], 0.0, 4.0),
}
"""Levels of the overtones, cents of detuning, seconds of decay."""


def chords(
    pitches: list[tuple[int, ...]],
    *,
    timbre: str = "saw",
    cents: float = 0.0,
    seconds: float = 1.0,
    bass: bool = True,
) -> np.ndarray:
    """Chords of MIDI pitches one after another, with their first note an octave or two below as a bass."""
    levels, detuned, decay_s = TIMBRES[timbre]
    t = np.arange(int(seconds * RATE)) / RATE
    parts = []
    for chord in pitches:
        wave = np.zeros(len(t))
        for pitch in (*chord, chord[0] - 12) if bass else chord:
            for off in {-detuned, detuned}:
                hertz = 440 * 2 ** ((pitch - 69 + (cents + off) / 100) / 12)
                wave += sum(level * np.sin(2 * np.pi * hertz * n * t) for n, level in enumerate(levels, start=1))
        parts.append(wave * np.exp(-t / decay_s) * np.minimum(1, np.minimum(t, t[::-1]) / 0.02))
    return (0.02 * np.concatenate(parts)).astype(np.float32)


def found_in(samples: np.ndarray, phrases_s: np.ndarray = NO_PHRASES) -> key.Keys:
    return key.estimate_keys(pitches_of(samples, RATE), len(samples) / RATE, phrases_s)


def triad(root: int, kind: str) -> tuple[int, ...]:
    third, fifth = {"M": (4, 7), "m": (3, 7), "d": (3, 6)}[kind]
    return (root, root + third, root + fifth)


def progression(tonic: int, words: str) -> list[tuple[int, ...]]:
    """Triads by their distance from the tonic in semitones: "0M 5M 7M 0M"."""
    return [triad(48 + (tonic + int(word[:-1])) % 12, word[-1]) for word in words.split()]


CADENCES = {
    # Any harmony primer; minor keys with the leading note in their dominant.
    "I IV V I": ("major", "0M 5M 7M 0M"),
    "ii V I": ("major", "2m 7M 0M"),
    "i iv V i": ("minor", "0m 5m 7M 0m"),
    "ii° V i": ("minor", "2d 7M 0m"),
}


@pytest.mark.parametrize("timbre", TIMBRES)
@pytest.mark.parametrize("cadence", CADENCES)
def test_names_the_key_of_a_cadence_in_all_twelve_keys(cadence, timbre):
    mode, words = CADENCES[cadence]
    names = key.MAJOR_NAMES if mode == "major" else key.MINOR_NAMES
    for tonic in range(12):
        found = found_in(chords(progression(tonic, words), timbre=timbre)).main
        assert found is not None
        assert found.name == f"{names[tonic]} {mode}"
        assert found.runner_up != found.name
        assert 0 < found.confidence <= 1


LOOPS = [
    # Loops of popular music that share their notes with the relative key: they rest on the chord that they start with.
    ("minor", "0m 8M 3M 10M"),
    ("minor", "0m 5m 7m 0m"),
    ("minor", "0m 3M 10M 5m"),
    ("major", "0M 7M 9m 5M"),
    ("major", "0M 9m 5M 7M"),
    ("major", "0M 5M"),
]


@pytest.mark.parametrize("timbre", TIMBRES)
@pytest.mark.parametrize(("mode", "words"), LOOPS)
def test_names_the_key_of_a_loop_by_where_it_starts(mode, words, timbre):
    names = key.MAJOR_NAMES if mode == "major" else key.MINOR_NAMES
    loop = (8 * words.split())[:16]
    bar_s = 1.8
    for tonic in (0, 5, 10):
        samples = chords(progression(tonic, " ".join(loop)), timbre=timbre, seconds=bar_s)
        found = found_in(samples, np.arange(0, 16 * bar_s, 8 * bar_s)).main
        assert found is not None
        assert found.name == f"{names[tonic]} {mode}"


@pytest.mark.parametrize("timbre", TIMBRES)
def test_a_loop_that_stays_longer_on_another_chord_is_at_least_the_runner_up(timbre):
    # i VII VI VII: half of it is the chord on VII, so only its start speaks for the tonic.
    samples = chords(progression(0, " ".join(["0m 10M 8M 10M"] * 4)), timbre=timbre, seconds=1.8)
    found = found_in(samples, np.arange(0, 28.8, 14.4)).main
    assert found is not None
    assert "C minor" in (found.name, found.runner_up)


@pytest.mark.parametrize("cents", [-45, -30, 30, 45])
def test_a_recording_tuned_off_440_keeps_its_key(cents):
    samples = chords(progression(2, "0m 5m 7M 0m"), cents=cents)
    pitches = pitches_of(samples, RATE)
    assert pitches.tuning == pytest.approx(cents / 100, abs=0.05)
    found = key.estimate_keys(pitches, len(samples) / RATE, NO_PHRASES).main
    assert found is not None
    assert found.name == "D minor"


def test_drums_do_not_change_the_key():
    samples = chords(progression(9, "0m 5m 7M 0m") * 2)
    rng = np.random.default_rng(5)
    decay = np.exp(-np.arange(RATE // 4) / (0.03 * RATE))
    for beat in range(16):
        start = beat * RATE // 2
        t = np.arange(RATE // 4) / RATE
        kick = np.sin(2 * np.pi * (52 * t + 3 * (1 - np.exp(-t / 0.02))))
        samples[start : start + RATE // 4] += (0.5 * kick + 0.2 * rng.standard_normal(RATE // 4)) * decay
    found = found_in(samples).main
    assert found is not None
    assert found.name == "A minor"


def test_overtones_of_a_bass_are_heard_as_one_note():
    # Overtones 3 and 5 are a fifth and a major third: alone they would make a major chord of any note.
    t = np.arange(2 * RATE) / RATE
    samples = np.sum([0.1 * np.sin(2 * np.pi * 55 * n * t) / n for n in range(1, 20)], axis=0).astype(np.float32)
    strengths = pitches_of(samples, RATE).strengths[4]
    assert int(np.argmax(strengths)) + 26 == 33  # A1
    assert np.sort(strengths)[-2] < 0.15 * np.max(strengths)


def test_where_the_key_changes_each_part_is_named():
    first, second = progression(9, "0m 8M 3M 10M"), progression(11, "0m 8M 3M 10M")
    samples = chords(first * 12 + second * 6)
    found = found_in(samples, np.arange(0, 72, 8.0))
    assert found.main is not None
    assert found.main.name == "A minor"
    assert [f"{span.tonic} {span.mode}" for span in found.spans] == ["A minor", "B minor"]
    assert found.spans[1].start_us == pytest.approx(48_000_000, abs=1_000)
    assert (found.spans[0].start_us, found.spans[1].end_us) == (0, 72_000_000)


def test_a_passing_chord_changes_no_key():
    chain = progression(0, "0M 9m 5M 7M") * 4 + progression(0, "8M 10M 0M 0M") + progression(0, "0M 9m 5M 7M") * 4
    found = found_in(chords(chain), np.arange(0, 36, 8.0))
    assert [f"{span.tonic} {span.mode}" for span in found.spans] == ["C major"]


def test_signatures_have_at_most_six_accidentals():
    # Circle of fifths: each step adds a sharp; majors count from C, minors from A.
    for names, home in ((key.MAJOR_NAMES, 0), (key.MINOR_NAMES, 9)):
        for pitch_class, name in enumerate(names):
            sharps = (pitch_class - home) * 7 % 12
            letter = {"C": 0, "D": 2, "E": 4, "F": 5, "G": 7, "A": 9, "B": 11}[name[0]]
            assert (letter + name.count("#") - name.count("b")) % 12 == pitch_class
            if sharps < 6 and name.endswith("b"):
                pytest.fail(f"{name} has fewer accidentals as a sharp key")
            if sharps > 6 and name.endswith("#"):
                pytest.fail(f"{name} has fewer accidentals as a flat key")


def test_the_published_profiles_relate_as_krumhansl_and_kessler_printed():
    # Krumhansl & Kessler 1982, table of correlations between the key profiles (values from memory): C major with F
    # and G major .591, F# major -.683, A minor .651, C minor .511, E minor .536; C minor with Eb major .651.
    major = key.correlations(np.array(key.KRUMHANSL_KESSLER[0]))[0]
    minor = key.correlations(np.array(key.KRUMHANSL_KESSLER[1]))[0]
    said = [major[0], major[5], major[7], major[6], major[12 + 9], major[12 + 0], major[12 + 4], minor[3]]
    np.testing.assert_allclose(said, [1.0, 0.591, 0.591, -0.683, 0.651, 0.511, 0.536, 0.651], atol=0.002)


@pytest.mark.parametrize("mode", [0, 1], ids=["major", "minor"])
@pytest.mark.parametrize("published", [key.KRUMHANSL_KESSLER, key.TEMPERLEY], ids=["Krumhansl & Kessler", "Temperley"])
def test_a_published_profile_finds_itself(published, mode):
    for tonic in range(12):
        profile = np.roll(np.array(published[mode]), tonic)
        six = np.tile(12 * profile / profile.sum() - 1, (6, 1))
        assert int(np.argmax(key.scores_of(six))) == 12 * mode + tonic


def test_all_tonics_are_alike():
    six = np.random.default_rng(2).uniform(-1, 1, (6, 12))
    scores = key.scores_of(six)
    moved = key.scores_of(np.roll(six, 3, axis=1))
    np.testing.assert_allclose(moved[:12], np.roll(scores[:12], 3), atol=1e-9)
    np.testing.assert_allclose(moved[12:], np.roll(scores[12:], 3), atol=1e-9)


@pytest.mark.parametrize(
    "samples",
    [np.zeros(RATE, np.float32), np.zeros(0, np.float32), np.full(RATE, 0.3, np.float32)],
    ids=["silence", "nothing", "constant"],
)
def test_what_has_no_pitch_has_no_key(samples):
    assert found_in(samples) == key.Keys(None, ())


def test_noise_is_not_surely_in_a_key():
    noise = 0.1 * np.random.default_rng(3).standard_normal(10 * RATE).astype(np.float32)
    found = found_in(noise).main
    assert found is None or found.confidence < 0.4


def test_the_grains_follow_the_phrases_and_cover_the_track():
    pitches = Pitches(0.2, np.ones((500, 64), np.float32), np.ones(500, np.float32), 0.0)
    found = key.estimate_keys(pitches, 100.0, np.array([3.0, 18.0, 33.0, 99.0]))
    assert (found.spans[0].start_us, found.spans[-1].end_us) == (0, 100_000_000)
