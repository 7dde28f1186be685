"""Where the music changes, bar line by bar line.

``section_lines`` are the bar lines at which a section likely begins, by the odds of ``bar_evidence``. ``novelty`` is
the checkerboard correlation of Foote ("Automatic audio segmentation using a measure of audio novelty", ICME 2000) on
the features of bars; it tells how strong a change is. Rejected: splitting the bars' features into even stretches
(segment neighbourhoods with a price for each boundary), by which verses and a build-up's start were missed.
"""

from __future__ import annotations

import numpy as np
import scipy.ndimage
from numpy.typing import NDArray

from analysis_worker.core.features import BarFeatures

_SCALES = {
    "level_db": 2.0,
    "low_db": 4.0,
    "bass_db": 5.0,
    "mid_db": 3.0,
    "high_db": 3.0,
    "kick": 0.35,
    "onsets": 1.0,
    "roll": 0.7,
    "tone_db": 4.0,
    "air_db": 5.0,
}
"""Differences that usually count as one unit: about twice what neighbouring bars of one section differ by."""

_MEL_GROUPS = 16
_MEL_SCALE = 5.0
_REST_SCALE = 7.0
_LEAST_ODDS = 1.0
"""Chosen on invented tracks for tuning, where 0 to 2 do alike."""

ON_PHRASE, HALF_PHRASE, ELSEWHERE = 0, 1, 2
"""How a bar line lies in its phrase."""


def feature_matrix(bars: BarFeatures) -> NDArray[np.float64]:
    """Bar features on comparable scales, shape (bars, features)."""
    columns = []
    for name, scale in _SCALES.items():
        column = np.asarray(getattr(bars, name), dtype=np.float64)
        columns.append(column / _unit(column, scale))
    for spectrum, scale in ((bars.mel_db, _MEL_SCALE), (bars.rest_db, _REST_SCALE)):
        groups = spectrum.reshape(len(bars), _MEL_GROUPS, -1).mean(axis=2)
        for column in groups.T:
            columns.append(column / _unit(column, scale) / 2.0)
    matrix = np.column_stack(columns)
    # The median of three bars keeps every step in its place and forgets single bars: fills and rests.
    smooth: NDArray[np.float64] = scipy.ndimage.median_filter(matrix, size=(3, 1), mode="nearest")
    return smooth


def _unit(column: NDArray[np.float64], scale: float) -> float:
    """What counts as one unit in this track: patterns that alternate from bar to bar are texture, not change, and where
    bars repeat exactly, less is heard as a change."""
    texture = float(np.median(np.abs(np.diff(column)))) if len(column) > 1 else 0.0
    return float(np.clip(3.0 * texture, scale / 2, 3 * scale))


def phrase_kinds(count: int, phrase_bars: NDArray[np.int64]) -> NDArray[np.int64]:
    """For each of ``count`` bar lines ``ON_PHRASE``, ``HALF_PHRASE`` (4 bars after a phrase line) or ``ELSEWHERE``."""
    kinds = np.full(count, ELSEWHERE, dtype=np.int64)
    starts = np.sort(phrase_bars[(phrase_bars >= 0) & (phrase_bars < count)])
    if not len(starts):
        kinds[::4] = HALF_PHRASE
        return kinds
    bars = np.arange(count)
    before = starts[np.maximum(np.searchsorted(starts, bars, side="right") - 1, 0)]
    offset = (bars - before) % 8
    kinds[offset == 0] = ON_PHRASE
    kinds[offset == 4] = HALF_PHRASE
    return kinds


def novelty(matrix: NDArray[np.float64]) -> NDArray[np.float64]:
    """Foote novelty of each bar line from 0 to 1, the mean of kernels of 4 and 8 bars to each side; shape (bars,).

    With squared distances the checkerboard of a kernel is twice the squared distance of the two sides' means, so no
    similarity matrix is needed.
    """
    count = len(matrix)
    sums = np.concatenate([np.zeros((1, matrix.shape[1])), np.cumsum(matrix, axis=0)])
    total = np.zeros(count)
    lines = np.arange(2, count - 1)
    for half in (4, 8):
        first, last = np.maximum(lines - half, 0), np.minimum(lines + half, count)
        left = (sums[lines] - sums[first]) / (lines - first)[:, None]
        right = (sums[last] - sums[lines]) / (last - lines)[:, None]
        total[lines] += np.sum((left - right) ** 2, axis=1) / 2
    # 20 squared units is a change that nobody misses, such as the low end and the drums leaving together.
    return np.asarray(total / (total + 20.0), dtype=np.float64)


def section_lines(odds: NDArray[np.float64]) -> list[int]:
    """Bar numbers at which a section likely begins, 0 first: where its log odds are ``_LEAST_ODDS`` and no better
    within two bars."""
    highest = scipy.ndimage.maximum_filter1d(odds, 5, mode="nearest") if len(odds) else odds
    likely = (odds >= _LEAST_ODDS) & (odds >= highest)
    return [0, *(int(bar) for bar in np.flatnonzero(likely) if bar > 0)] if len(odds) else []
