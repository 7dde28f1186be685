"""One straight line through all beats of a recording, and the test whether a straight line is true of it.

Task: given onsets and a period that is nearly right, find ``origin + n * period`` to a fraction of a millisecond, and
say how far single stretches of the music lie off that line.

Method: the onsets of each stretch of 16 beats are folded over the period (their times modulo the period, one histogram
a band) and compared with the fold of all stretches by circular cross-correlation; the lag is that stretch's own phase.
A robust line through the lags corrects period and origin. A steady recording gives lags within 1-2 ms of zero; drift,
tempo changes and edits show as trends and steps (design A3: steady 0.4 ms at most, drift of 0.1 % 2-4 ms).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import fft

from analysis_worker.core.tempo import Events

Floats = NDArray[np.float64]

STRETCH_BEATS = 16
_BLUR_S = 0.004
"""Width (standard deviation) of the blur of the histograms: the jitter of single onsets (measured, 1-4 ms)."""

_BINS_PER_S = 500
_ROUNDS = 3
_HUBER_S = 0.002
_BANDS = 3
_LIKE = 0.3
"""A fold that is less like the others than this says nothing about the phase (measured: steady music 0.5-0.98)."""


@dataclass(frozen=True, slots=True)
class Line:
    """Beats at ``origin_s + n * period_s`` for whole ``n``."""

    origin_s: float
    period_s: float

    @property
    def tempo_bpm(self) -> float:
        """Beats per minute."""
        return 60.0 / self.period_s

    def position(self, times_s: Floats) -> Floats:
        """Beat positions (0 at the origin, fractions inside a beat) of times in seconds."""
        return (times_s - self.origin_s) / self.period_s

    def moved(self, shift_s: float) -> Line:
        """The same line, later by ``shift_s``."""
        return Line(self.origin_s + shift_s, self.period_s)

    def beats_between(self, start_s: float, end_s: float) -> Floats:
        """Beat times within ``[start_s, end_s)``."""
        first = int(np.ceil((start_s - self.origin_s) / self.period_s - 1e-9))
        last = int(np.ceil((end_s - self.origin_s) / self.period_s - 1e-9))
        return self.origin_s + self.period_s * np.arange(first, last, dtype=np.float64)


@dataclass(frozen=True, slots=True)
class Stretches:
    """How far each stretch lies off its beats. Arrays of shape (stretches,): middle in beats and in seconds, lag in
    seconds (positive: the music is later than the beats), likeness of its fold to the fold of the others (0 to 1),
    and the mass of its onsets. Seconds of the middle are exact for a line only."""

    centres: Floats
    centres_s: Floats
    lags_s: Floats
    likeness: Floats
    mass: Floats

    @property
    def weights(self) -> Floats:
        """How much a stretch may say about the line: its likeness squared, and its mass up to the median."""
        usual = float(np.median(self.mass[self.mass > 0])) if (self.mass > 0).any() else 1.0
        return (self.likeness**2 * np.minimum(self.mass / usual, 1.0)).astype(np.float64)

    def share_within(self, limit_s: float) -> float:
        """Share of the music (by mass, no stretch counting more than the usual one) that lies on the line."""
        if not len(self.mass):
            return 0.0
        mass = np.minimum(self.mass, np.median(self.mass))
        return float(mass[self._near(limit_s)].sum() / max(mass.sum(), 1e-12))

    def longest_away(self, limit_s: float) -> float:
        """Mass (in usual stretches) of the longest run of stretches that do not lie on the line."""
        usual = float(np.median(self.mass)) if len(self.mass) else 0.0
        longest = run = 0.0
        for near, mass in zip(self._near(limit_s), self.mass, strict=True):
            run = 0.0 if near else run + min(float(mass) / max(usual, 1e-12), 1.0)
            longest = max(longest, run)
        return longest

    def _near(self, limit_s: float) -> NDArray[np.bool_]:
        return (np.abs(self.lags_s) < limit_s) & (self.likeness > _LIKE)


def fit_line(events: Events, line: Line, stretch_beats: int = STRETCH_BEATS) -> tuple[Line, Stretches]:
    """Correct a nearly right line by the lags of its stretches; returns the line and the lags that remain.

    In recordings of fewer than four such stretches they are shorter, down to four beats.
    """
    if len(events.times_s):
        beats = float(events.times_s[-1] - events.times_s[0]) / line.period_s
        stretch_beats = int(np.clip(beats // 8 * 2, 4, stretch_beats))
    stretches = measure_stretches(events, line, stretch_beats)
    for _ in range(_ROUNDS):
        weights = stretches.weights
        if np.count_nonzero(weights > 0.05) < 2:
            break
        shift, slope = robust_line(stretches.centres_s - line.origin_s, stretches.lags_s, weights)
        if abs(slope) > 0.01:
            break
        line = Line(line.origin_s + shift, line.period_s * (1.0 + slope))
        stretches = measure_stretches(events, line, stretch_beats)
    return line, stretches


def measure_stretches(events: Events, line: Line, stretch_beats: int = STRETCH_BEATS) -> Stretches:
    """Lag of every stretch of a line against the fold of all stretches."""
    return measure_at(events, line.position(events.times_s), line.period_s, stretch_beats, line.origin_s)


def measure_at(
    events: Events, positions: Floats, period_s: float, stretch_beats: int = STRETCH_BEATS, origin_s: float = 0.0
) -> Stretches:
    """Lag of every stretch, given the position of each onset in beats, which need not lie on a line.

    Half of each stretch is shared with the next one.
    """
    bins = max(32, round(period_s * _BINS_PER_S))
    half = max(1, stretch_beats // 2)
    block = np.floor(positions / half).astype(np.int64)
    if not len(block):
        empty = np.zeros(0)
        return Stretches(empty, empty, empty, empty, empty)
    first = int(block.min())
    blocks = int(block.max()) - first + 1
    place = np.floor((positions % 1.0) * bins).astype(np.int64) % bins
    counted = np.bincount(
        ((block - first) * _BANDS + events.bands) * bins + place,
        weights=events.strengths,
        minlength=blocks * _BANDS * bins,
    )
    table: Floats = counted.astype(np.float64).reshape(blocks, _BANDS, bins)
    folds = table[:-1] + table[1:] if blocks > 1 else table
    centres = np.asarray((first + np.arange(len(folds)) + (1.0 if blocks > 1 else 0.5)) * half, dtype=np.float64)
    lags, likeness = _lags(folds, _BLUR_S / period_s)
    mass: Floats = folds.sum(axis=(1, 2)).astype(np.float64)
    return Stretches(centres, origin_s + centres * period_s, lags * period_s, likeness, mass)


def _lags(folds: Floats, blur: float) -> tuple[Floats, Floats]:
    """Lag (share of a period, -0.5 to 0.5) and likeness of each fold against their common shape."""
    bins = folds.shape[2]
    waves = np.arange(bins // 2 + 1)
    spectra = fft.rfft(folds, axis=2) * np.exp(-0.5 * (2 * np.pi * waves * blur) ** 2)
    spectra[:, :, 0] = 0.0
    # Power in the time domain from the half spectrum: every wave but the last stands for two.
    counts = np.full(len(waves), 2.0)
    if bins % 2 == 0:
        counts[-1] = 1.0
    norms = np.sqrt((np.abs(spectra) ** 2 * counts).sum(axis=(1, 2)) / bins)
    lags = np.zeros(len(folds))
    likeness = np.zeros(len(folds))
    for _ in range(2):
        turned = spectra * np.exp(2j * np.pi * waves * lags[:, None, None])
        # Each fold is compared with the others only: alone it would always look like itself.
        others = turned.sum(axis=0) - turned if len(folds) > 2 else turned.sum(axis=0)[None]
        norm = np.sqrt((np.abs(others) ** 2 * counts).sum(axis=(1, 2)) / bins)
        match = fft.irfft((spectra * others.conj()).sum(axis=1), bins, axis=1)
        best = match.argmax(axis=1)
        rows = np.arange(len(match))
        left, middle, right = (match[rows, (best + shift) % bins] for shift in (-1, 0, 1))
        bend = 2 * middle - left - right
        shift = np.where(bend > 0, 0.5 * (right - left) / np.where(bend > 0, bend, 1.0), 0.0)
        lags = (best + np.clip(shift, -0.5, 0.5)) / bins
        lags -= np.round(lags)
        likeness = np.clip(middle / np.maximum(norms * norm, 1e-12), 0.0, 1.0)
    return lags, likeness


def robust_line(x: Floats, y: Floats, weights: Floats, huber: float = _HUBER_S) -> tuple[float, float]:
    """Offset and slope of a line by reweighted least squares with Huber's weights, begun from the weighted median.

    Source of the weights: P. J. Huber, "Robust estimation of a location parameter", Ann. Math. Statist. 35(1), 1964.
    """
    middle = float(np.average(x, weights=weights))
    centred = x - middle
    level, slope = weighted_median(y, weights), 0.0
    for _ in range(20):
        residual = np.abs(y - level - slope * centred)
        scale = max(huber, 1.5 * weighted_median(residual, weights))
        w = weights * np.minimum(1.0, scale / np.maximum(residual, 1e-12))
        mean_x, mean_y = np.average(centred, weights=w), np.average(y, weights=w)
        spread = float(np.sum(w * (centred - mean_x) ** 2))
        new_slope = float(np.sum(w * (centred - mean_x) * (y - mean_y)) / spread) if spread > 0 else 0.0
        new_level = float(mean_y - new_slope * mean_x)
        done = abs(new_level - level) < 1e-7 and abs(new_slope - slope) < 1e-10
        level, slope = new_level, new_slope
        if done:
            break
    return level - slope * middle, slope


def weighted_median(values: Floats, weights: Floats) -> float:
    """The value below which half of the weight lies; 0 for no values."""
    if not len(values):
        return 0.0
    order = np.argsort(values)
    total = np.cumsum(weights[order])
    return float(values[order][min(int(np.searchsorted(total, 0.5 * total[-1])), len(values) - 1)])
