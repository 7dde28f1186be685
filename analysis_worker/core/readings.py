"""The readings of a beat in words: what a member may change the grid to with one key.

Task: from the weighed readings (``metre``) and the bar's grouping, a short list: the chosen reading first, then half
and double the tempo and the beat half a beat later (always, as far as they were weighed), every other likely tempo, and
the other number of beats in a bar.
"""

from __future__ import annotations

from fractions import Fraction

import numpy as np
from numpy.typing import NDArray

from analysis_worker.core.grouping import Grouping
from analysis_worker.core.metre import Hypothesis
from analysis_worker.core.results import Reading, TempoCandidate

Floats = NDArray[np.float64]

MAX_CANDIDATES = 5
_LIKELY = 0.02
"""Readings less likely than this are not listed (one in fifty), except those with a key of their own."""

_TEMPO_WORDS = {
    Fraction(1, 3): "a third of the tempo",
    Fraction(1, 2): "half the tempo",
    Fraction(2, 3): "two thirds of the tempo",
    Fraction(3, 4): "three quarters of the tempo",
    Fraction(4, 3): "four thirds of the tempo",
    Fraction(3, 2): "one and a half times the tempo",
    Fraction(2): "double the tempo",
    Fraction(3): "three times the tempo",
}
_SHIFT_WORDS = {
    3: "a quarter of a beat later",
    4: "a third of a beat later",
    6: "half a beat later",
    8: "a third of a beat earlier",
    9: "a quarter of a beat earlier",
}
_BAR_WORDS = {3: "three beats a bar", 4: "four beats a bar", 6: "six beats a bar"}
_KEYED = (Fraction(1, 2), Fraction(2))


def list_readings(
    hypotheses: list[Hypothesis], beats_s: Floats, first_place: float, tempo_bpm: float, grouping: Grouping
) -> tuple[Reading, ...]:
    """The readings, the chosen one (``hypotheses[0]``) first.

    ``beats_s`` are the chosen beats, ``first_place`` where the first of them lies in base pulses.
    """
    best = hypotheses[0]
    chosen = Reading(
        round(tempo_bpm, 4), _us(beats_s[0]), grouping.beats_per_bar, _score(best.probability), "as chosen"
    )
    rest: list[tuple[float, Reading]] = []
    seen: set[tuple[Fraction, int]] = {(Fraction(1), 0)}
    for other in hypotheses[1:]:
        ratio = _simple(other.ratio / best.ratio)
        shift = round((other.place(0) - best.place(0)) * best.ratio * 12) % 12 if ratio == 1 else 0
        keyed = ratio in _KEYED or (ratio == 1 and shift == 6)
        if (ratio, shift) in seen or (other.probability < _LIKELY and not keyed):
            continue
        words = _TEMPO_WORDS.get(ratio) if ratio != 1 else _SHIFT_WORDS.get(shift)
        if words is None:
            continue
        seen.add((ratio, shift))
        reading = Reading(
            round(tempo_bpm * float(ratio), 4),
            _us(_first_beat(other, best, beats_s, first_place)),
            grouping.beats_per_bar,
            _score(other.probability),
            words,
        )
        rest.append((other.probability, reading))
    for beats, share in grouping.scores:
        if beats != grouping.beats_per_bar and (share >= _LIKELY or beats in (3, 4)):
            score = best.probability * share
            rest.append((score, Reading(chosen.bpm, chosen.first_beat_us, beats, _score(score), _BAR_WORDS[beats])))
    rest.sort(key=lambda pair: -pair[0])
    return (chosen, *(reading for _, reading in rest))


def list_candidates(hypotheses: list[Hypothesis], tempo_bpm: float) -> tuple[TempoCandidate, ...]:
    """One candidate for each tempo, the chosen one first, with the sum of its phases' probabilities."""
    best = hypotheses[0]
    sums: dict[float, float] = {}
    for reading in hypotheses:
        sums[reading.ratio] = sums.get(reading.ratio, 0.0) + reading.probability
    others = sorted((ratio for ratio in sums if ratio != best.ratio), key=lambda ratio: -sums[ratio])
    return tuple(
        TempoCandidate(round(tempo_bpm * ratio / best.ratio, 4), _score(sums[ratio]))
        for ratio in [best.ratio, *others][:MAX_CANDIDATES]
    )


def _first_beat(other: Hypothesis, best: Hypothesis, beats_s: Floats, first_place: float) -> float:
    """When the first beat of another reading falls: the earliest at or after 0."""
    period_s = float(np.median(np.diff(beats_s))) if len(beats_s) > 1 else 60.0 / best.tempo_bpm
    step = best.ratio / other.ratio
    # In chosen beats from the first of them; whole steps lead to every other beat of that reading.
    place = (other.place(0.0) - first_place) * best.ratio % step
    before = np.floor((place + float(beats_s[0]) / period_s + 1e-6) / step) * step
    place = float(place - before)
    numbers = np.arange(len(beats_s))
    inside = float(np.interp(place, numbers, beats_s))
    outside = min(place, 0.0) * period_s + max(place - (len(beats_s) - 1), 0.0) * period_s
    return max(float(inside + outside), 0.0)


def _simple(ratio: float) -> Fraction:
    return Fraction(ratio).limit_denominator(12)


def _score(probability: float) -> float:
    return round(float(min(max(probability, 0.0), 1.0)), 4)


def _us(time_s: float) -> int:
    return round(float(time_s) * 1_000_000)
