"""How beats are grouped into bars: by four, by three, or by six (six-eight, counted in eighths).

Task: given the beats, how likely each number of beats a bar is. Music in three must not be forced into four silently.

Method: accents of each band on and between beats, and changes of pitches and bass, are folded over 2, 3, 4, 6 and 8
beats; how much of their variance each fold explains (corrected for the number of its places, as adjusted R²), and how
much the whole pattern is like itself so many beats later, are the numbers that a multinomial logistic regression
weighs. Fitted together with the readings (``metre``), by ``python -m tests.accuracy.fit_metre``.
"""

from __future__ import annotations

import json
from dataclasses import dataclass
from functools import cache
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from analysis_worker.core.metre import slots
from analysis_worker.core.onsets import OnsetBands
from analysis_worker.core.tempo import Events
from analysis_worker.core.turns import TWELFTHS, Turns

Floats = NDArray[np.float64]

GROUPS = (4, 3, 6)
USUAL = 4
CLEAR = 0.7
"""Below this the number of beats in a bar is to be called unclear (chosen: three times in ten it may be another)."""

_FOLDS = (2, 3, 4, 6, 8)
_LAGS = (1, 2, 3, 4, 6, 8, 9, 12, 16, 24)
_ROWS = ("low", "mid", "high", "low_between", "mid_between", "high_between", "tone", "bass")
FEATURES = (
    *(f"{row}_{fold}" for row in _ROWS for fold in _FOLDS),
    *(f"repeats_{lag}" for lag in _LAGS),
    "tempo",
    "thirds",
)
MIN_BEATS = 24
_SLOWEST_EIGHTHS_BPM = 140.0
"""Six slower beats are two bars of three: as eighths of six-eight they would be counted at less than 47 a minute (own
judgement; the six-eight that the weights were fitted on begins at 150)."""


@dataclass(frozen=True, slots=True)
class Grouping:
    """Beats in a bar, the most likely number first in ``scores`` (pairs of number and probability)."""

    scores: tuple[tuple[int, float], ...]

    @property
    def beats_per_bar(self) -> int:
        """The most likely number of beats in a bar."""
        return self.scores[0][0]

    @property
    def confidence(self) -> float:
        """Its probability, 0 to 1."""
        return self.scores[0][1]


USUAL_GROUPING = Grouping(((4, 0.5), (3, 0.25), (6, 0.25)))
"""For recordings too short to tell."""


def weigh_grouping(events: Events, bands: OnsetBands, beats_s: Floats) -> Grouping:
    """How the beats at ``beats_s`` are grouped; four with little confidence where there are fewer than 24."""
    if len(beats_s) < MIN_BEATS:
        return USUAL_GROUPING
    weights, middle, scale = _weights()
    x = np.append(np.clip((measure_grouping(events, bands, beats_s) - middle) / scale, -4.0, 4.0), 1.0)
    scores = x @ weights
    odds = np.exp(scores - scores.max())
    odds /= odds.sum()
    if 60.0 / float(np.median(np.diff(beats_s))) < _SLOWEST_EIGHTHS_BPM:
        odds[GROUPS.index(3)] += odds[GROUPS.index(6)]
        odds[GROUPS.index(6)] = 0.0
    order = np.argsort(-odds, kind="stable")
    return Grouping(tuple((GROUPS[i], round(float(odds[i]), 4)) for i in order))


def measure_grouping(events: Events, bands: OnsetBands, beats_s: Floats) -> Floats:
    """The numbers that speak for a grouping, shape (len(FEATURES),)."""
    numbers = np.arange(len(beats_s), dtype=np.float64)
    inside = events.between(float(beats_s[0]) - 0.05, float(beats_s[-1]))
    table = slots(inside, np.interp(inside.times_s, beats_s, numbers), TWELFTHS)
    rows = np.sqrt(table)
    per_beat = rows.reshape(3, -1, TWELFTHS)
    tone, bass = Turns(bands, beats_s).changes(1.0, table.shape[1])
    series = [*per_beat[:, :, 0], *per_beat[:, :, 2:11].sum(axis=2), tone[::TWELFTHS], bass[::TWELFTHS]]
    explained = [_explained(values, fold) for values in series for fold in _FOLDS]
    centred = rows - rows.mean(axis=1, keepdims=True)
    energy = max(float((centred**2).sum()), 1e-9)
    repeats = [
        float((centred[:, lag * TWELFTHS :] * centred[:, : -lag * TWELFTHS]).sum() / energy)
        if lag < centred.shape[1] // TWELFTHS // 2
        else 0.0
        for lag in _LAGS
    ]
    period_s = float(np.median(np.diff(beats_s)))
    thirds = float(per_beat[:, :, (4, 8)].sum() / max(float(rows.sum()), 1e-9))
    return np.array([*explained, *repeats, float(np.log2(60.0 / period_s / 126.0)), thirds])


def _explained(values: Floats, fold: int) -> float:
    """Share of the variance that lies between the places of a fold, corrected for their number (adjusted R²)."""
    count = len(values) // fold * fold
    total = float(values[:count].var())
    if count <= 2 * fold or total < 1e-12:
        return 0.0
    means = values[:count].reshape(-1, fold).mean(axis=0)
    share = float(means.var()) / total
    return max(1.0 - (1.0 - share) * (count - 1) / (count - fold), -0.1)


@cache
def _weights() -> tuple[Floats, Floats, Floats]:
    document = json.loads(Path(__file__).with_name("metre_weights.json").read_text(encoding="utf-8"))["grouping"]
    if tuple(document["features"]) != FEATURES:
        raise ValueError("metre_weights.json was fitted on other features: run python -m tests.accuracy.fit_metre")
    weights, middle, scale = (np.asarray(document[name], dtype=np.float64) for name in ("weights", "middle", "scale"))
    return weights, middle, scale
