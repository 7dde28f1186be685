"""Where the music changes: bar lines that split a track into even stretches.

Two measures on the same bar features. ``change_points`` finds the split that explains the bars best, each stretch being
level or a straight slope, by dynamic programming with a price for each boundary (Auger & Lawrence, "Algorithms for the
optimal identification of segment neighborhoods", Bulletin of Mathematical Biology 51, 1989). ``novelty`` is the
checkerboard correlation of Foote ("Automatic audio segmentation using a measure of audio novelty", ICME 2000); it tells
how strong a change is and makes boundaries cheaper where it peaks.
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
_LONGEST_BARS = 64
_PRICE = 22.0
_PRICE_OFF_PHRASE = 8.0
_PRICE_ODD_BAR = 18.0
_SLOPE_PRICE = 6.0

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


def change_points(matrix: NDArray[np.float64], kinds: NDArray[np.int64], strength: NDArray[np.float64]) -> list[int]:
    """Bar numbers at which a new stretch starts, 0 first. Stretches longer than 64 bars are cut at that length.

    ``kinds`` comes from ``phrase_kinds``, ``strength`` from ``novelty``.
    """
    count = len(matrix)
    if count == 0:
        return []
    price = _PRICE + np.array([0.0, _PRICE_OFF_PHRASE, _PRICE_ODD_BAR])[kinds]
    price = price * (1.3 - 0.8 * strength)
    sums = _Sums(matrix)
    best = np.full(count + 1, np.inf)
    best[0] = 0.0
    came_from = np.zeros(count + 1, dtype=np.int64)
    for end in range(1, count + 1):
        starts = np.arange(max(0, end - _LONGEST_BARS), end)
        total = best[starts] + sums.cost(starts, end) + np.where(starts > 0, price[starts], 0.0)
        choice = int(np.argmin(total))
        best[end], came_from[end] = total[choice], starts[choice]
    points = []
    place = count
    while place > 0:
        place = int(came_from[place])
        points.append(place)
    return points[::-1]


def split_gains(matrix: NDArray[np.float64], start: int, end: int, lines: list[int]) -> dict[int, float]:
    """How much better two stretches explain the bars from ``start`` to ``end`` than one, for a split at each of
    ``lines``: 1 for the best of them, 0 for no gain."""
    if not lines:
        return {}
    sums, first = _Sums(matrix), np.array([start])
    whole = float(sums.cost(first, end)[0])
    gains = {
        line: max(0.0, whole - float(sums.cost(first, line)[0]) - float(sums.cost(np.array([line]), end)[0]))
        for line in lines
    }
    best = max(gains.values())
    return {line: gain / best if best > 0 else 0.0 for line, gain in gains.items()}


class _Sums:
    """Running sums that give the cost of any stretch in constant time."""

    def __init__(self, matrix: NDArray[np.float64]) -> None:
        zero = np.zeros((1, matrix.shape[1]))
        place = np.arange(len(matrix))[:, None]
        self.x = np.concatenate([zero, np.cumsum(matrix, axis=0)])
        self.xx = np.concatenate([zero, np.cumsum(matrix**2, axis=0)])
        self.kx = np.concatenate([zero, np.cumsum(place * matrix, axis=0)])

    def cost(self, starts: NDArray[np.int64], end: int) -> NDArray[np.float64]:
        """Squared rest of the stretches from each start to ``end``: for each feature level or sloping, the cheaper."""
        n = (end - starts)[:, None].astype(np.float64)
        x, xx = self.x[end] - self.x[starts], self.xx[end] - self.xx[starts]
        level = np.maximum(xx - x * x / n, 0.0)
        middle = (starts + end - 1)[:, None] / 2
        moment = self.kx[end] - self.kx[starts] - middle * x
        spread = np.maximum(n * (n * n - 1) / 12, 1e-9)
        sloped = np.maximum(level - moment * moment / spread, 0.0) + _SLOPE_PRICE
        return np.asarray(np.minimum(level, sloped).sum(axis=1), dtype=np.float64)
