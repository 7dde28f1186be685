"""Programme loudness and true peak, and the K-weighted level that the rest of the analysis reads.

Loudness follows ITU-R BS.1770-5 Annex 1: two filters ("K-weighting"), channel weights, blocks of 400 ms that overlap
by 75 %, an absolute gate at -70 LUFS and a relative gate 10 LU below the mean of what passed it. The standard prints
filter coefficients for 48 kHz alone; ``k_weighting`` derives them for any rate from the analogue prototype that those
printed coefficients are the bilinear transform of. The loudest three seconds follow EBU Tech 3341, the loudness range
EBU Tech 3342: 3 s windows ten times a second, gated at -70 LUFS and 20 LU below the mean of what passed, then the
distance from their 10th to their 95th percentile. True peak follows Annex 2: the signal is interpolated to at least
176 kHz and the largest magnitude taken. Both are computed in blocks, so the memory they need does not grow with the
track.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import signal

from analysis_worker.core.units import power_to_db

HOP_S = 0.01
"""Step of the K-weighted power curve."""

_OFFSET_DB = -0.691  # BS.1770-5 Annex 1, equation 2: a 997 Hz sine of full scale in one channel reads -3.01
_ABSOLUTE_GATE_LUFS = -70.0
_RELATIVE_GATE_LU = -10.0
_RANGE_GATE_LU = -20.0  # Tech 3342
_RANGE_PERCENT = (10.0, 95.0)  # Tech 3342
_BLOCK_HOPS = 40
_SHORT_TERM_HOPS = 300  # Tech 3341: 3 s
_STEP_HOPS = 10
_FRAMES_AT_ONCE = 1 << 16


@dataclass(frozen=True, slots=True)
class Loudness:
    """What was measured. ``integrated_lufs`` is None where no block passes the gates, ``true_peak_dbtp`` for silence,
    ``short_term_max_lufs`` and ``range_lu`` where no window of three seconds is above -70 LUFS.

    ``power`` is the K-weighted power, summed over channels with their weights, per ``HOP_S``.
    """

    integrated_lufs: float | None
    true_peak_dbtp: float | None
    short_term_max_lufs: float | None
    range_lu: float | None
    power: NDArray[np.float64]


def measure(samples: NDArray[np.float32], sample_rate: int) -> Loudness:
    """Measure a whole track.

    ``samples`` has shape (frames, channels), full scale at 1.0.
    """
    return measure_blocks(_in_blocks(samples), sample_rate, samples.shape[1])


def measure_blocks(blocks: Iterable[NDArray[np.float32]], sample_rate: int, channels: int) -> Loudness:
    """Measure a track that comes in blocks of shape (frames, channels), of any lengths."""
    power, peak = PowerMeter(sample_rate, channels), PeakMeter(sample_rate, channels)
    for block in blocks:
        columns = np.ascontiguousarray(block.T)
        power.add(columns)
        peak.add(columns)
    curve = power.finish()
    return Loudness(integrated(curve), peak.finish(), short_term_max(curve), loudness_range(curve), curve)


def k_weighting(sample_rate: int) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Coefficients (b, a) of both stages of K-weighting in one filter of fourth order.

    Stage 1 is a high shelf, stage 2 a high-pass. Their frequencies, qualities and gain are those at which the bilinear
    transform at 48 kHz gives back the coefficients printed in BS.1770 (tested).
    """
    shelf_hz, shelf_q, shelf_db = 1681.974450955533, 0.7071752369554196, 3.999843853973347
    k = np.tan(np.pi * shelf_hz / sample_rate)
    high, middle = 10 ** (shelf_db / 20), 10 ** (shelf_db / 20 * 0.4996667741545416)
    a0 = 1 + k / shelf_q + k * k
    shelf_b = np.array([high + middle * k / shelf_q + k * k, 2 * (k * k - high), high - middle * k / shelf_q + k * k])
    shelf_a = np.array([a0, 2 * (k * k - 1), 1 - k / shelf_q + k * k])
    pass_hz, pass_q = 38.13547087602444, 0.5003270373238773
    k = np.tan(np.pi * pass_hz / sample_rate)
    a0_pass = 1 + k / pass_q + k * k
    pass_a = np.array([1.0, 2 * (k * k - 1) / a0_pass, (1 - k / pass_q + k * k) / a0_pass])
    return np.convolve(shelf_b / a0, [1.0, -2.0, 1.0]), np.convolve(shelf_a / a0, pass_a)


def channel_weights(channels: int) -> NDArray[np.float64]:
    """Weights of BS.1770 for the usual channel orders: left, right, centre, (low effects,) surrounds.

    Mono counts once. Low effects do not count. With more than six channels the order is not certain and all others
    count as surrounds.
    """
    weights = np.ones(channels)
    if channels == 4:
        weights[2:] = 1.41  # left, right and two surrounds
    elif channels == 5:
        weights[3:] = 1.41
    elif channels >= 6:
        weights[3] = 0.0
        weights[4:] = 1.41
    return weights


class PowerMeter:
    """K-weighted power per ``HOP_S``, summed over channels by weight; the incomplete last step is dropped."""

    def __init__(self, sample_rate: int, channels: int) -> None:
        self._step = HOP_S * sample_rate
        self._weights = channel_weights(channels)
        self._b, self._a = k_weighting(sample_rate)
        self._states = np.zeros((channels, len(self._a) - 1))
        self._waiting = np.zeros((channels, 0), np.float32)
        self._done = 0
        self._parts: list[NDArray[np.float64]] = [np.zeros(0)]

    def add(self, columns: NDArray[np.float32]) -> None:
        """Take the next samples, of shape (channels, frames)."""
        columns = np.concatenate([self._waiting, columns], axis=1)
        begin = round(self._done * self._step)
        steps = int((begin + columns.shape[1]) / self._step) - self._done
        edges = np.round((self._done + np.arange(steps + 1)) * self._step).astype(np.int64) - begin
        if edges[-1] > columns.shape[1]:  # the step ends on the sample after the last
            steps, edges = steps - 1, edges[:-1]
        self._waiting = columns[:, max(0, edges[-1]) :].copy()
        if steps < 1:
            return
        total = np.zeros(steps)
        for channel, weight in enumerate(self._weights):
            if weight == 0.0:
                continue
            block = columns[channel, : edges[-1]].astype(np.float64)
            filtered, self._states[channel] = signal.lfilter(self._b, self._a, block, zi=self._states[channel])
            np.square(filtered, out=filtered)
            total += weight * np.add.reduceat(filtered, edges[:-1]) / np.diff(edges)
        self._parts.append(total)
        self._done += steps

    def finish(self) -> NDArray[np.float64]:
        """The whole curve, one value per ``HOP_S``."""
        return np.concatenate(self._parts)


def k_weighted_power(samples: NDArray[np.float32], sample_rate: int) -> NDArray[np.float64]:
    """The curve of ``PowerMeter`` for samples of shape (frames, channels)."""
    meter = PowerMeter(sample_rate, samples.shape[1])
    for block in _in_blocks(samples):
        meter.add(block.T)
    return meter.finish()


def integrated(power: NDArray[np.float64]) -> float | None:
    """Gated loudness in LUFS of a K-weighted power curve, None where everything is gated away."""
    if len(power) < _BLOCK_HOPS:
        return None
    blocks = window_powers(power, _BLOCK_HOPS)[::_STEP_HOPS]
    blocks = blocks[_to_lufs(blocks) > _ABSOLUTE_GATE_LUFS]
    if not len(blocks):
        return None
    blocks = blocks[_to_lufs(blocks) > _to_lufs(np.mean(blocks)) + _RELATIVE_GATE_LU]
    return float(_to_lufs(np.mean(blocks)))


def short_term_max(power: NDArray[np.float64]) -> float | None:
    """The loudest window of 3 s in LUFS (Tech 3341), at a step of ``HOP_S``; None where none is above -70 LUFS."""
    if len(power) < _SHORT_TERM_HOPS:
        return None
    loudest = float(_to_lufs(np.max(window_powers(power, _SHORT_TERM_HOPS))))
    return loudest if loudest > _ABSOLUTE_GATE_LUFS else None


def loudness_range(power: NDArray[np.float64]) -> float | None:
    """Loudness range in LU (Tech 3342) of a K-weighted power curve; None where everything is gated away."""
    if len(power) < _SHORT_TERM_HOPS:
        return None
    windows = window_powers(power, _SHORT_TERM_HOPS)[::_STEP_HOPS]
    windows = windows[_to_lufs(windows) >= _ABSOLUTE_GATE_LUFS]
    if not len(windows):
        return None
    levels = _to_lufs(windows)
    levels = levels[levels >= _to_lufs(np.mean(windows)) + _RANGE_GATE_LU]
    low, high = np.percentile(levels, _RANGE_PERCENT, method="nearest")
    return float(high - low)


def window_powers(power: NDArray[np.float64], hops: int) -> NDArray[np.float64]:
    """Mean power of every window of so many hops, one for each hop at which it may start."""
    sums = np.concatenate([[0.0], np.cumsum(power)])
    return np.asarray(np.maximum(sums[hops:] - sums[:-hops], 0.0) / hops)


def span_lufs(power: NDArray[np.float64], start_s: float, end_s: float) -> float:
    """Ungated loudness of a span of the power curve, in LUFS."""
    first = max(0, min(round(start_s / HOP_S), len(power) - 1))
    last = max(first + 1, round(end_s / HOP_S))
    span = power[first:last]
    return float(_to_lufs(np.mean(span) if len(span) else 0.0))


_TAPS = 24
_TOGETHER = 16


def _interpolators(factor: int) -> NDArray[np.float32]:
    """A matrix that gives the values between ``_TOGETHER`` neighbouring samples from those samples and their
    surroundings.

    Each column is one position between two samples: a Kaiser-windowed sinc of ``_TAPS`` taps, scaled to unit gain at
    zero frequency. Working on neighbours together turns the interpolation into one matrix product.
    """
    columns = []
    for place in range(_TOGETHER):
        for phase in range(1, factor):
            offset = phase / factor
            distance = np.arange(_TAPS) - (_TAPS / 2 - 1) - offset
            taps = np.sinc(distance) * np.i0(6.0 * np.sqrt(np.maximum(0, 1 - (distance / (_TAPS / 2)) ** 2)))
            column = np.zeros(_TOGETHER + _TAPS - 1)
            column[place : place + _TAPS] = taps / np.sum(taps)
            columns.append(column)
    return np.array(columns, dtype=np.float32).T.copy()


class PeakMeter:
    """Largest magnitude between and at the samples, over all channels."""

    def __init__(self, sample_rate: int, channels: int) -> None:
        factor = 4 if sample_rate < 96_000 else 2 if sample_rate < 192_000 else 1
        self._bank = _interpolators(factor) if factor > 1 else None
        self._waiting = np.zeros((channels, _TAPS // 2 - 1), dtype=np.float32)
        self._peak = 0.0

    def add(self, columns: NDArray[np.float32]) -> None:
        """Take the next samples, of shape (channels, frames)."""
        if columns.size:
            self._peak = max(self._peak, float(np.max(columns)), -float(np.min(columns)))
        if self._bank is None:
            return
        columns = np.concatenate([self._waiting, columns], axis=1)
        rows = max(0, (columns.shape[1] - _TAPS + 1) // _TOGETHER)
        for column in columns if rows else ():
            views = np.lib.stride_tricks.sliding_window_view(column, len(self._bank))[: rows * _TOGETHER : _TOGETHER]
            between = views @ self._bank
            self._peak = max(self._peak, float(np.max(between)), -float(np.min(between)))
        self._waiting = columns[:, rows * _TOGETHER :].copy()

    def finish(self) -> float | None:
        """The true peak in dBTP; None for silence."""
        self.add(np.zeros((len(self._waiting), _TOGETHER + _TAPS), dtype=np.float32))
        return float(20 * np.log10(self._peak)) if self._peak > 0.0 else None


def true_peak(samples: NDArray[np.float32], sample_rate: int) -> float | None:
    """The result of ``PeakMeter`` for samples of shape (frames, channels)."""
    meter = PeakMeter(sample_rate, samples.shape[1])
    for block in _in_blocks(samples):
        meter.add(block.T)
    return meter.finish()


def _in_blocks(samples: NDArray[np.float32]) -> Iterator[NDArray[np.float32]]:
    return (samples[first : first + _FRAMES_AT_ONCE] for first in range(0, len(samples), _FRAMES_AT_ONCE))


def _to_lufs(power: NDArray[np.float64] | np.floating | float) -> NDArray[np.float64]:
    return _OFFSET_DB + power_to_db(power)
