"""Downbeats and phrases: which beats begin a bar, and which bars begin a phrase of eight.

Task: given the beats and how many a bar has (``grouping``), find the downbeats, also after a pick-up and across edits
in the middle of a bar, and the phrase lines (``phrases``).

Method: evidence for each beat (``bar_evidence``); Viterbi finds the places in the bar that collect most of it, where a
bar may end early at a cost. The evidence of eight bars is one vote of known odds, so a slip must be paid for by the
bars after it, and costs the same in a long track as in a short one.

Conventions: indices count the beats of the grid. Beats before the first downbeat are a pick-up.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from analysis_worker.core.bar_evidence import VOTE_BARS, beat_numbers, trust_of, weigh_beats
from analysis_worker.core.beat_features import BeatFeatures, measure_beats
from analysis_worker.core.grid import Grid
from analysis_worker.core.grouping import MIN_BEATS
from analysis_worker.core.onsets import OnsetBands
from analysis_worker.core.phrases import find_phrases

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

BEATS_PER_BAR = 4

_SHORT_BAR_COST = 12.0
_HALF_BAR_COST = 10.0
"""What a bar that ends early costs, in logarithms of odds (measured with true beats, tracks held out: below 8,
downbeats of modules slip where nothing was cut; at 10 all cut bars are found and no other track is lost)."""

_MIN_BEATS = 8


@dataclass(frozen=True, slots=True)
class Bars:
    """Bars and phrases. ``downbeats`` and ``phrases`` are beat indices, phrases a subset of downbeats; both empty
    without a grid. Confidences are from 0 to 1 and include that of the grid. ``section_odds``, one a downbeat, are the
    log odds that a section begins there."""

    beats_per_bar: int
    first_downbeat: int
    downbeats: Ints
    confidence: float
    phrases: Ints
    phrase_confidence: float
    section_odds: Floats


def estimate_bars(bands: OnsetBands, grid: Grid) -> Bars:
    """Downbeats and phrases of a grid."""
    count = len(grid.beats_s)
    none = np.zeros(0, dtype=np.int64)
    if count < _MIN_BEATS:
        downbeats = np.arange(0, count, BEATS_PER_BAR)
        return Bars(BEATS_PER_BAR, 0, downbeats, 0.0, none, 0.0, np.zeros(len(downbeats)))
    length = grid.grouping.beats_per_bar if count >= MIN_BEATS else BEATS_PER_BAR
    features = measure_beats(bands, grid.beats_s)
    downbeats, sure = find_downbeats(features, length)
    confidence = sure * grid.confidence * (grid.grouping.confidence if count >= MIN_BEATS else 1.0)
    phrases = find_phrases(features, downbeats, length)
    return Bars(
        beats_per_bar=length,
        first_downbeat=int(downbeats[0]),
        downbeats=downbeats,
        confidence=confidence,
        phrases=phrases.starts,
        phrase_confidence=phrases.confidence * confidence,
        section_odds=phrases.section_odds,
    )


def find_downbeats(features: BeatFeatures, length: int) -> tuple[Ints, float]:
    """Indices of the downbeats of bars of ``length`` beats, and how likely their phase is right if the beats are."""
    evidence = weigh_beats(beat_numbers(features, length))
    downbeats = _follow(evidence / VOTE_BARS, length)
    count = len(evidence)
    means = []
    for shift in range(length):
        moved = downbeats + shift
        means.append(float(evidence[moved[moved < count]].mean()) if np.any(moved < count) else -np.inf)
    scores = np.array(means) * trust_of("downbeat")
    odds = np.exp(scores - scores.max())
    return downbeats, float(odds[0] / odds.sum())


def _follow(evidence: Floats, length: int) -> Ints:
    """Beats at place 0 of the bar on the best way through the places."""
    count = len(evidence)
    # What it costs to begin a bar after so many beats of the last one.
    costs = np.full(length, _SHORT_BAR_COST)
    costs[-1] = 0.0
    if length % 2 == 0:
        costs[length // 2 - 1] = _HALF_BAR_COST
    scores = np.zeros(length)
    before = np.zeros(count, dtype=np.int64)
    scores[0] = evidence[0]
    for beat in range(1, count):
        ends = scores - costs
        last = int(ends.argmax())
        before[beat] = last
        scores[1:] = scores[:-1]
        scores[0] = ends[last] + evidence[beat]
    place = int(scores.argmax())
    places = np.zeros(count, dtype=np.int64)
    for beat in range(count - 1, -1, -1):
        places[beat] = place
        place = int(before[beat]) if place == 0 else place - 1
    return np.flatnonzero(places == 0)
