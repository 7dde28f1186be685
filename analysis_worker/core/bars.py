"""Downbeats and phrases: which beats begin a bar, and which bars begin a phrase of eight.

Task: given the beats, find the bar's length (4 beats, or 3), the downbeats, and the phrase lines. Chords and bass notes
change on downbeats, the kick of a broken pattern falls on them, and sections begin there (measured on annotations by
people: 81-83 % of section boundaries lie on a downbeat, 68 % of sections last a multiple of 8 bars, 81 % of 4).

Method: several kinds of evidence for each beat are added to one number (weights by logistic regression, see
``DOWNBEAT_WEIGHTS``); Viterbi finds the bar positions that collect most of it, where a slip (an edit in the middle of a
bar) costs more than a whole track's usual doubt. Phrases go the same way over bars: every eighth bar, with cheap early
starts after four bars and dear ones elsewhere.

Conventions: indices count the beats of the grid. Bars before the first downbeat are incomplete.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

from analysis_worker.core.beat_features import BeatFeatures, measure_beats, standardise
from analysis_worker.core.grid import Grid
from analysis_worker.core.onsets import OnsetBands

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

BEATS_PER_BAR = 4
PHRASE_BARS = 8

DOWNBEAT_WEIGHTS = {
    "tone": 1.0,
    "bass": 1.0,
    "low_attack": 0.5,
    "high_attack": 0.8,
    "low_rise": 1.2,
    "high_rise": -1.0,
    "crash": 0.8,
    "novelty_2": 0.9,
    "novelty_4": 0.2,
    "novelty_8": 0.2,
    "novelty_16": 0.2,
    "peak_8": 0.5,
    "peak_16": 0.5,
    "tone_peak": 0.5,
    "bass_peak": 0.9,
}
"""Fitted on 32 synthetic tracks and ten rendered modules with truth for every beat, then rounded (measured: 41 of 42
first beats of the bar right when each was left out of the fit)."""

_SLIP_COST = 2.0
"""In units of the score: a slip must win more than a phase is usually ahead of the next (measured: 1-3)."""

_THREE_MARGIN = 1.5
"""Three beats a bar only where their evidence and their repetition both beat those of four by this factor (caution)."""

_PHRASE_SLIP_COST = {4: 1.5, 2: 3.0, 6: 3.0}
_PHRASE_SLIP_DEAR = 4.0
"""Cost of a phrase that ends early, by its bars, in the units of ``phrase_evidence`` (design: slips by 4 bars are usual
in real tracks, by 2 or 1 rare; measured: 1.5 to 2 is best on synthetic layouts with and without slips)."""

_FIRST_BAR_BONUS = 2.0
"""The first bar begins a phrase, unless the music speaks against it (common practice, no source; measured: phrase lines
of synthetic tracks right in 0.90 of cases with it, 0.86 without)."""

_USUAL_NOVELTY = 0.5
_NEIGHBOURS = 7

_MIN_BEATS = 8


@dataclass(frozen=True, slots=True)
class Bars:
    """Bars and phrases. ``downbeats`` and ``phrases`` are beat indices, phrases a subset of downbeats; both empty
    without a grid. Confidences are from 0 to 1."""

    beats_per_bar: int
    first_downbeat: int
    downbeats: Ints
    confidence: float
    phrases: Ints
    phrase_confidence: float


def estimate_bars(mono_44k: NDArray[np.float32], bands: OnsetBands, grid: Grid) -> Bars:
    """Downbeats and phrases of a grid. Everything is read from ``bands``; the samples are not looked at again."""
    del mono_44k
    count = len(grid.beats_s)
    none = np.zeros(0, dtype=np.int64)
    if count == 0:
        return Bars(BEATS_PER_BAR, 0, none, 0.0, none, 0.0)
    if count < _MIN_BEATS:
        return Bars(BEATS_PER_BAR, 0, np.arange(0, count, BEATS_PER_BAR), 0.0, none[:1] * 0, 0.0)
    features = measure_beats(bands, grid.beats_s)
    evidence = downbeat_evidence(features)
    length = _beats_per_bar(features, evidence)
    downbeats, confidence = _downbeats(evidence, length)
    phrases, phrase_confidence = _phrases(features, downbeats, length)
    return Bars(length, int(downbeats[0]), downbeats, confidence, phrases, phrase_confidence)


def downbeat_evidence(features: BeatFeatures) -> Floats:
    """For each beat, how much it looks like the first of a bar."""
    tone = np.mean([standardise(features.tone_change(beats)) for beats in (1, 2, 4)], axis=0)
    bass = np.mean([standardise(features.bass_change(beats)) for beats in (1, 2, 4)], axis=0)
    parts = {
        "tone": tone,
        "bass": bass,
        "low_attack": standardise(features.attacks[:, 0]),
        "high_attack": standardise(features.attacks[:, 2]),
        "low_rise": standardise(_sharpened(features.level_rise(0, 1) + features.level_rise(0, 2))),
        "high_rise": standardise(_sharpened(features.level_rise(2, 1) + features.level_rise(2, 2))),
        "crash": standardise(_sharpened(features.level_rise(2, 2))),
        **{f"novelty_{beats}": standardise(_sharpened(features.novelty(beats))) for beats in (2, 4, 8, 16)},
        "peak_8": _peaks(standardise(features.novelty(8)), 4),
        "peak_16": _peaks(standardise(features.novelty(16)), 8),
        "tone_peak": _peaks(standardise(features.tone_change(4)), 2),
        "bass_peak": _peaks(standardise(features.bass_change(4)), 2),
    }
    total = np.zeros(len(features))
    for name, weight in DOWNBEAT_WEIGHTS.items():
        total += weight * parts[name]
    return total


def _downbeats(evidence: Floats, length: int) -> tuple[Ints, float]:
    """Indices of downbeats by Viterbi over positions in the bar, and the confidence in their phase."""
    count = len(evidence)
    emission = evidence * length / count
    scores = np.zeros(length)
    back = np.zeros((count, length), dtype=np.int64)
    positions = np.arange(length)
    for beat in range(count):
        stay = np.roll(scores, 1)
        best = int(scores.argmax())
        slipped = scores[best] - _SLIP_COST
        jump = slipped > stay
        scores = np.where(jump, slipped, stay)
        back[beat] = np.where(jump, best, (positions - 1) % length)
        scores[0] += emission[beat]
    path = np.zeros(count, dtype=np.int64)
    state = int(scores.argmax())
    for beat in range(count - 1, -1, -1):
        path[beat] = state
        state = int(back[beat, state])
    means = np.array([evidence[phase::length].mean() for phase in range(length)])
    odds = np.exp(means - means.max())
    downbeats = np.flatnonzero(path == 0)
    if not len(downbeats):
        downbeats = np.zeros(1, dtype=np.int64)
    # A slip right after a downbeat would make a bar of one beat; such a stub is no bar.
    keep = np.diff(downbeats, append=count + length) > 1
    return downbeats[keep], float(odds.max() / odds.sum())


def _beats_per_bar(features: BeatFeatures, evidence: Floats) -> int:
    """Four, unless the evidence and the repetition of patterns both speak clearly for three."""
    if len(evidence) < 48:
        return BEATS_PER_BAR

    def contrast(length: int) -> float:
        means = np.array([evidence[phase::length].mean() for phase in range(length)])
        return float(means.max() - np.median(means))

    rows = features.patterns - features.patterns.mean(axis=0)
    energy = float((rows**2).sum())

    def likeness(beats: int) -> float:
        return float((rows[beats:] * rows[:-beats]).sum() / energy) if energy > 0 else 0.0

    threes = np.mean([likeness(beats) for beats in (3, 6, 9)])
    fours = np.mean([likeness(beats) for beats in (4, 8, 16)])
    clear = contrast(3) > _THREE_MARGIN * contrast(4) and threes > _THREE_MARGIN * max(float(fours), 0.1)
    return 3 if clear else BEATS_PER_BAR


def _phrases(features: BeatFeatures, downbeats: Ints, length: int) -> tuple[Ints, float]:
    """Beat indices of phrase starts by Viterbi over bars, and the confidence in their phase."""
    bars = len(downbeats)
    if bars < PHRASE_BARS:
        return downbeats[:1], 0.0
    evidence = phrase_evidence(features, downbeats, length)
    costs = np.array([0.0] + [_PHRASE_SLIP_COST.get(done, _PHRASE_SLIP_DEAR) for done in range(1, PHRASE_BARS)])
    scores = np.zeros(PHRASE_BARS)
    back = np.zeros((bars, PHRASE_BARS), dtype=np.int64)
    for bar in range(bars):
        # A phrase begins after the eighth bar, or early after fewer bars at a cost.
        starts = np.roll(scores, 1)
        early = scores - np.roll(costs, -1)
        back[bar] = (np.arange(PHRASE_BARS) - 1) % PHRASE_BARS
        best = int(early.argmax())
        if early[best] > starts[0]:
            starts[0], back[bar, 0] = early[best], best
        scores = starts
        scores[0] += evidence[bar]
    state = int(scores.argmax())
    starts_at = []
    for bar in range(bars - 1, -1, -1):
        if state == 0:
            starts_at.append(bar)
        state = int(back[bar, state])
    chosen = np.array(starts_at[::-1], dtype=np.int64)
    own = float(evidence[chosen].sum())
    rivals = [float(evidence[chosen[chosen + shift < bars] + shift].sum()) for shift in range(1, PHRASE_BARS)]
    return downbeats[chosen], own / max(own + max(rivals), 1e-9)


def phrase_evidence(features: BeatFeatures, downbeats: Ints, length: int) -> Floats:
    """For each bar, how much more changes at its first beat, over one to eight bars, than at the bars around it."""
    parts = []
    for bars in (1, 2, 4, 8):
        novelty = features.novelty(bars * length)[downbeats]
        parts.append(standardise(novelty - ndimage.median_filter(novelty, _NEIGHBOURS, mode="nearest")))
    crash = features.level_rise(2, 2)[downbeats]
    parts.append(standardise(crash - ndimage.median_filter(crash, _NEIGHBOURS, mode="nearest")))
    parts.append(standardise(_peaks(standardise(features.novelty(4 * length)[downbeats]), 3)))
    evidence: Floats = np.maximum(np.mean(parts, axis=0) - _USUAL_NOVELTY, 0.0)
    evidence[0] += _FIRST_BAR_BONUS
    return evidence


def _sharpened(values: Floats) -> Floats:
    """Values against the mean of their neighbours."""
    result = values.copy()
    result[1:-1] -= 0.5 * (values[:-2] + values[2:])
    return result


def _peaks(values: Floats, reach: int) -> Floats:
    """Local maxima above half a standard deviation, everything else zero."""
    highest = ndimage.maximum_filter1d(values, 2 * reach + 1)
    result: Floats = np.where((values == highest) & (values > 0.5), values, 0.0)
    return result
