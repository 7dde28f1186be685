"""How much each beat looks like the first of a bar, and each bar like the first of a phrase or of a section.

Task: one number a beat (or bar): the logarithm of how much likelier what is heard there is where a bar (a phrase, a
section) begins than elsewhere.

Method: numbers from ``beat_features``, each in the recording's own spread, weighed by logistic regression with ridge
for downbeats, by small networks for phrases and sections (with true beats, tracks held out: 95.5 % of bars numbered
right, with one hidden unit 90.3 %).
Chords and bass notes change on downbeats, a backbeat lies between them, and what comes, goes or crashes does so there
(measured on annotations by people: 81-83 % of section boundaries lie on a downbeat).

Sources: weights fitted by ``python -m tests.accuracy.fit_bars`` on rhythms, invented tracks (the tune half and those
for practice) and the modules of the corpus, kept in ``bars_weights.json`` with the names of the numbers they belong to.

Conventions: ``length`` is the number of beats in a bar. Arrays have one row a beat, or one a bar.
"""

from __future__ import annotations

import json
from functools import cache
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

from analysis_worker.core.beat_features import BeatFeatures, standardise
from analysis_worker.core.network import Network, network_of

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

VOTE_BARS = 8
"""Weights of downbeats are fitted so that the mean evidence of so many bars is one vote of honest odds: the bars of a
loop repeat each other, each one alone counts for less."""

WEIGHTS = Path(__file__).with_name("bars_weights.json")

BEAT_NUMBERS = (
    "tone",
    "bass",
    "low_attack",
    "mid_attack",
    "high_attack",
    "low_rise",
    "high_rise",
    "crash",
    "novelty_half",
    "novelty_1",
    "novelty_2",
    "novelty_4",
    "peak_2",
    "peak_4",
    "tone_peak",
    "bass_peak",
    "mid_between",
    "low_between",
)
_BAR_SCALES = (1, 2, 4, 8)
_PARTS = ("levels", "patterns", "tones", "bass")
_BANDS = ("low", "mid", "high")
BAR_NUMBERS = (
    *(f"novelty_{bars}" for bars in _BAR_SCALES),
    *(f"novelty_{bars}_peak" for bars in _BAR_SCALES),
    *(f"novelty_{bars}_aside" for bars in _BAR_SCALES),
    "crash",
    "fill",
    *(f"{band}_step" for band in _BANDS),
    "tone_2",
    "tone_4",
    *(f"{part}_{bars}{form}" for part in _PARTS for bars in _BAR_SCALES for form in ("", "_aside", "_top")),
    *(f"{band}_{way}_{bars}" for band in _BANDS for bars in _BAR_SCALES[1:] for way in ("up", "down")),
)
_NEIGHBOURS = 7
_MOST_RISE = 3.0
"""Level steps count up to this (in natural logarithms of amplitude: 26 dB); beyond it lies silence."""


def beat_numbers(features: BeatFeatures, length: int) -> Floats:
    """What speaks for a bar's beginning at each beat, shape (beats, len(BEAT_NUMBERS))."""
    half = max(1, length // 2)
    spans = (1, half, length)
    low, mid = standardise(features.attacks[:, 0]), standardise(features.attacks[:, 1])
    novelty = {bars: features.novelty(bars * length) for bars in (1, 2, 4)}
    parts = (
        np.mean([standardise(features.tone_change(beats)) for beats in spans], axis=0),
        np.mean([standardise(features.bass_change(beats)) for beats in spans], axis=0),
        low,
        mid,
        standardise(features.attacks[:, 2]),
        standardise(_sharpened(features.level_rise(0, 1) + features.level_rise(0, 2))),
        standardise(_sharpened(features.level_rise(2, 1) + features.level_rise(2, 2))),
        standardise(_sharpened(features.level_rise(2, 2))),
        standardise(_sharpened(features.novelty(half))),
        *(standardise(_sharpened(novelty[bars])) for bars in (1, 2, 4)),
        _peaks(standardise(novelty[2]), length),
        _peaks(standardise(novelty[4]), 2 * length),
        _peaks(standardise(features.tone_change(length)), half),
        _peaks(standardise(features.bass_change(length)), half),
        standardise(_sharpened(mid)),
        standardise(_sharpened(low)),
    )
    return np.column_stack(parts)


def bar_numbers(features: BeatFeatures, downbeats: Ints, length: int) -> Floats:
    """What speaks for a phrase's or section's beginning at each bar, shape (bars, len(BAR_NUMBERS))."""
    novelty = [features.novelty(bars * length)[downbeats] for bars in _BAR_SCALES]
    steps = [np.abs(features.level_rise(band, 2 * length))[downbeats] for band in range(3)]
    distances = []
    for part in _PARTS:
        for bars in _BAR_SCALES:
            values = features.distance(part, bars * length)[downbeats]
            top = ndimage.maximum_filter1d(values, 2 * bars + 1)
            distances += [values, _aside(values), np.where(values >= top, values, 0.0)]
    moves = []
    for band in range(3):
        for bars in _BAR_SCALES[1:]:
            rise = np.clip(features.level_rise(band, bars * length)[downbeats], -_MOST_RISE, _MOST_RISE)
            moves += [np.maximum(rise, 0.0), np.maximum(-rise, 0.0)]
    parts = (
        *(standardise(values) for values in novelty),
        *(_peaks(standardise(values), bars) for bars, values in zip(_BAR_SCALES, novelty, strict=True)),
        *(standardise(_aside(values)) for values in novelty),
        standardise(_aside(features.level_rise(2, 2)[downbeats])),
        standardise(_fills(features, downbeats, length)),
        *(standardise(_aside(values)) for values in steps),
        standardise(_aside(features.tone_change(2 * length)[downbeats])),
        standardise(_aside(features.tone_change(4 * length)[downbeats])),
        *distances,
        *moves,
    )
    return np.column_stack(parts)


def weigh_beats(numbers: Floats) -> Floats:
    """The numbers of each beat as one: log odds that a bar begins there."""
    result: Floats = numbers @ downbeat_weights()
    return result


def weigh_bars(name: str, numbers: Floats) -> Floats:
    """The numbers of each bar as one: log odds, against what is usual, that a "section" or a "phrase" begins there."""
    network, bias = line_network(name)
    return network.score(numbers) + bias


def trust_of(name: str) -> float:
    """By how much the odds of that ``name`` are to be multiplied to be honest on tracks that were not fitted."""
    return float(_document()[name]["trust"])


@cache
def downbeat_weights() -> Floats:
    """Weights of ``BEAT_NUMBERS``; raises ``ValueError`` if fitted on other numbers."""
    return np.asarray(_fitted_on("downbeat", BEAT_NUMBERS)["weights"], dtype=np.float64)


@cache
def line_network(name: str) -> tuple[Network, float]:
    """Network and bias of "section" or "phrase"; raises ``ValueError`` if fitted on other numbers."""
    document = _fitted_on(name, BAR_NUMBERS)
    return network_of(document["network"]), float(document["bias"])


def _fitted_on(name: str, numbers: tuple[str, ...]) -> dict[str, Any]:
    document: dict[str, Any] = _document()[name]
    if tuple(document["numbers"]) != numbers:
        raise ValueError("bars_weights.json was fitted on other numbers: run python -m tests.accuracy.fit_bars")
    return document


@cache
def _document() -> dict[str, Any]:
    document: dict[str, Any] = json.loads(WEIGHTS.read_text(encoding="utf-8"))
    return document


def _fills(features: BeatFeatures, downbeats: Ints, length: int) -> Floats:
    """How unlike the beat before each bar is to the same beat of the bars around it: a fill, or a rest."""
    last = np.maximum(downbeats - 1, 0)
    rows = features.patterns[last]
    count = len(rows)
    around = np.stack([rows[np.clip(np.arange(count) + step, 0, count - 1)] for step in (-3, -2, -1, 1, 2, 3)])
    unlike: Floats = np.linalg.norm(rows - np.median(around, axis=0), axis=1)
    unlike[downbeats == 0] = 0.0
    return unlike


def _aside(values: Floats) -> Floats:
    """Values against the median of their neighbours."""
    result: Floats = values - ndimage.median_filter(values, _NEIGHBOURS, mode="nearest")
    return result


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
