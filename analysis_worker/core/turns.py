"""How far pitches and levels change at any place of any beat.

Task: for each reading of a pulse (``metre``), tell how much changes where its beats begin. Pitches are compared by
cosine distance, levels by their logarithms; running sums make every stretch one subtraction.

Conventions: places are counted in base pulses, twelfths of a beat hold its quarters and thirds alike.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from analysis_worker.core.onsets import OnsetBands

Floats = NDArray[np.float64]

TWELFTHS = 12
PHASES = (0, 3, 6, 9, 4, 8, 5)
"""Where a beat may begin, in twelfths of a beat after the pulse: quarters, thirds, and what a swung off-beat leaves."""

_BASS_TONES = 24

_TURN_BEATS = 4
"""Levels and pitches are compared over so many beats before and after: whole beats, so that no stroke of a steady
pattern counts twice."""

_FLOOR = 0.1
"""Levels below this share of the band's mean all count as silence."""

_TURNS = 0.06
"""Of the changes at each phase, this share of the greatest counts: about one in four bars."""


class Turns:
    """How far the pitches after a place differ from those before it (cosine distance), for any beat; levels, too."""

    def __init__(self, bands: OnsetBands, pulse_times_s: Floats) -> None:
        self._hop_s = bands.tones_hop_s
        self._tones = bands.tones.astype(np.float64)
        self._total = np.vstack([np.zeros(bands.tones.shape[1]), np.cumsum(self._tones, axis=0)])
        self._pulse_times_s = pulse_times_s
        levels = np.stack([bands.low_level, bands.mid_level, bands.high_level], axis=1, dtype=np.float64)
        levels = np.log(_FLOOR + levels / np.maximum(levels.mean(axis=0), 1e-9)) if len(levels) else levels
        self._level_hop_s = bands.hop_s
        self._levels = np.vstack([np.zeros(levels.shape[1]), np.cumsum(levels, axis=0)])

    def changes(self, ratio: float, count: int) -> tuple[Floats, Floats]:
        """Change at each twelfth of a beat, comparing the beat before with the beat after: all pitches, and the bass.

        Measured at thirds and quarters of beats, zero elsewhere."""
        result = np.zeros((2, count))
        times_s = self._pulse_times_s
        if len(self._tones) < 2 or len(times_s) < 2:
            return result[0], result[1]
        times = self._times_of(np.arange(-TWELFTHS, count + TWELFTHS + 1) / TWELFTHS / ratio)
        rows = np.clip(times / self._hop_s + 0.5, 0, len(self._tones))
        low = np.minimum(rows.astype(np.int64), len(self._tones) - 1)
        at = self._total[low] + (rows - low)[:, None] * self._tones[low]
        span = at[TWELFTHS:] - at[:-TWELFTHS]
        chosen = np.flatnonzero(np.isin(np.arange(count) % TWELFTHS, PHASES))
        before, after = span[chosen], span[chosen + TWELFTHS]
        for row, pitches in enumerate((slice(None), slice(0, _BASS_TONES))):
            b, a = before[:, pitches], after[:, pitches]
            norms = np.sqrt(np.einsum("ij,ij->i", b, b) * np.einsum("ij,ij->i", a, a))
            cosine = np.einsum("ij,ij->i", b, a) / np.maximum(norms, 1e-9)
            result[row, chosen] = np.where(norms > 1e-9, 1.0 - cosine, 0.0)
        return result[0], result[1]

    def turns(self, ratio: float) -> Floats:
        """How far levels and pitches change at most over four beats, if beats begin at each of the ``PHASES``: the mean
        of the greatest changes, as a share of the phase with most; shape (2, twelfths)."""
        result = np.zeros((2, TWELFTHS))
        beats = int((len(self._pulse_times_s) - 1) * ratio) - 1
        if len(self._tones) < 2 or beats < 3 * _TURN_BEATS:
            return result
        for phase in PHASES:
            times = self._times_of((np.arange(beats) + phase / TWELFTHS) / ratio)
            levels = _beat_sums(self._levels, times / self._level_hop_s)
            tones = _beat_sums(self._total, times / self._hop_s + 0.5)
            steps, changes = _steps(levels, 1) * _steps(levels, _TURN_BEATS), _changes(tones)
            kept = max(2, round(_TURNS * len(steps)))
            result[:, phase] = np.sort(steps)[-kept:].mean(), np.sort(changes)[-kept:].mean()
        shares: Floats = result / np.maximum(result.max(axis=1, keepdims=True), 1e-9)
        return shares

    def _times_of(self, pulses: NDArray[np.floating]) -> Floats:
        """Seconds of places counted in base pulses; beyond the first and the last the pulse goes on evenly."""
        times_s = self._pulse_times_s
        last = len(times_s) - 1
        times: Floats = np.interp(pulses, np.arange(last + 1), times_s)
        step = float(np.median(np.diff(times_s)))
        times += np.where(pulses > last, (pulses - last) * step, 0.0) + np.where(pulses < 0, pulses * step, 0.0)
        return times


def _beat_sums(total: Floats, rows: Floats) -> Floats:
    """Sums of each beat from running sums; ``rows`` are where beats begin and may be fractional."""
    rows = np.clip(rows, 0, len(total) - 1)
    low = np.minimum(rows.astype(np.int64), len(total) - 2)
    at = total[low] + (rows - low)[:, None] * (total[low + 1] - total[low])
    sums: Floats = np.diff(at, axis=0)
    return sums


def _around(sums: Floats, beats: int) -> tuple[Floats, Floats]:
    """Sums over so many beats before and after each beat line that has ``_TURN_BEATS`` on either side."""
    total = np.vstack([np.zeros(sums.shape[1]), np.cumsum(sums, axis=0)])
    lines = np.arange(_TURN_BEATS, len(total) - _TURN_BEATS)
    return total[lines] - total[lines - beats], total[lines + beats] - total[lines]


def _steps(levels: Floats, beats: int) -> Floats:
    before, after = _around(levels, beats)
    steps: Floats = np.abs(after - before).sum(axis=1) / beats
    return steps


def _changes(tones: Floats) -> Floats:
    before, after = _around(tones, _TURN_BEATS)
    norms = np.sqrt((before**2).sum(axis=1) * (after**2).sum(axis=1))
    products = (before * after).sum(axis=1)
    return np.where(norms > 1e-9, 1.0 - products / np.maximum(norms, 1e-9), 0.0)
