"""Tempo of a whole recording: single onsets, the strongest pulse, and its exact rate.

Task: from onset strengths to (a) the onsets themselves, with times finer than a step, (b) the base pulse, a rate that
the music repeats at (the beat or a simple ratio of it: ``metre`` decides), (c) that rate to about 0.01 BPM, near enough
for ``folding`` to draw a line through the beats.

Method: the product of a comb over the averaged local spectra and a comb over their autocorrelation, because the
spectrum alone favours fractions of the beat and the autocorrelation alone multiples (G. Peeters, "Template-based
estimation of time-varying tempo", EURASIP JASP 2007); then a comb over the spectrum of the whole recording, whose
resolution grows with its length.

Conventions: rates in BPM, times in seconds. Bands are numbered 0 low, 1 mid, 2 high.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import fft, ndimage

from analysis_worker.core.onsets import OnsetBands

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

BASE_RANGE_BPM = (62.0, 200.0)
"""Where the base pulse is sought. Octaves and other ratios beyond are reached later (design: candidates T/2 … 2T)."""

_PULSE_STEP = 4
"""Steps of the onset bands in one of the pulse envelope: 5.8 ms."""

_BAND_WEIGHTS = (1.0, 1.0, 0.7)
_WINDOW_S = 12.0
_PRIOR_CENTRE_BPM = 126.0
_PRIOR_OCTAVES = 0.9
"""A wide prior (design: log-normal, centre about 128): it only breaks ties between octaves of the base pulse."""

_FINE_HARMONICS = (1, 2, 3, 4, 6, 8)
_FINE_SPAN = 0.02
_EVENT_SPACING_S = 0.025
_EVENT_FLOOR = 0.7
"""Onsets weaker than this many standard deviations are noise (measured: they carry no phase)."""

_EVENT_CAP = 12.0


@dataclass(frozen=True, slots=True)
class Events:
    """Single onsets of all bands in order of time: when the attack starts, how strong (standard deviations of its
    band, capped), and in which band. Arrays of shape (events,)."""

    times_s: Floats
    strengths: Floats
    bands: Ints

    def of(self, band: int) -> tuple[Floats, Floats]:
        """Times and strengths in one band."""
        chosen = self.bands == band
        return self.times_s[chosen], self.strengths[chosen]

    def between(self, start_s: float, end_s: float) -> Events:
        """The onsets within ``[start_s, end_s)``."""
        first, last = np.searchsorted(self.times_s, [start_s, end_s])
        return Events(self.times_s[first:last], self.strengths[first:last], self.bands[first:last])


def find_events(bands: OnsetBands) -> Events:
    """Pick the local maxima of each band, with the time between steps from a parabola through three values."""
    times, strengths, numbers = [], [], []
    reach = max(1, round(_EVENT_SPACING_S / bands.hop_s))
    for number, strength in enumerate((bands.low, bands.mid, bands.high)):
        smooth = ndimage.uniform_filter1d(strength, 3, mode="constant")
        highest = ndimage.maximum_filter1d(smooth, 2 * reach + 1, mode="constant")
        at = np.flatnonzero((smooth == highest) & (smooth > _EVENT_FLOOR))
        at = at[(at > 0) & (at < len(smooth) - 1)]
        at = at[np.diff(at, prepend=-reach) > 1]
        left, middle, right = (smooth[at + shift].astype(np.float64) for shift in (-1, 0, 1))
        bend = 2 * middle - left - right
        shift = np.clip(np.where(bend > 0, 0.5 * (right - left) / np.maximum(bend, 1e-12), 0.0), -0.5, 0.5)
        times.append((at + shift) * bands.hop_s - bands.offset_s[number])
        strengths.append(np.minimum(middle, _EVENT_CAP))
        numbers.append(np.full(len(at), number))
    all_times = np.concatenate(times)
    order = np.argsort(all_times, kind="stable")
    return Events(all_times[order], np.concatenate(strengths)[order], np.concatenate(numbers)[order])


def pulse_envelope(
    bands: OnsetBands, weights: tuple[float, float, float] = _BAND_WEIGHTS, power: float = 1.0
) -> tuple[Floats, float]:
    """One envelope of all bands at 5.8 ms steps, compressed and free of slow swells; and its rate in Hz."""
    count = len(bands) // _PULSE_STEP
    total = np.zeros(count)
    for weight, strength in zip(weights, (bands.low, bands.mid, bands.high), strict=True):
        blocks = strength[: count * _PULSE_STEP].reshape(count, _PULSE_STEP).max(axis=1)
        total += weight * np.sqrt(blocks)
    total **= power
    rate = 1.0 / (bands.hop_s * _PULSE_STEP)
    return total - ndimage.uniform_filter1d(total, max(1, round(rate)), mode="nearest"), rate


def base_pulse(pulse: Floats, rate: float) -> tuple[float, float] | None:
    """The strongest pulse in BPM (to about half a BPM) and its salience from 0 to 1; None where nothing repeats.

    The salience is the autocorrelation at that period, its double or fourfold, averaged over windows of 12 s.
    """
    power = _mean_power(pulse, rate)
    if power is None or not power.any():
        return None
    size = 2 * (len(power) - 1)
    correlation = fft.irfft(power, size)
    if correlation[0] <= 0.0:
        return None
    correlation /= correlation[0]
    amplitude = np.sqrt(power)
    amplitude /= amplitude.max()
    tempi = np.geomspace(*BASE_RANGE_BPM, 900)
    hertz = tempi / 60.0
    comb = sum(weight * _at(amplitude, hertz * k * size / rate) for k, weight in ((1, 1.0), (2, 0.8), (4, 0.6)))
    lags = rate / hertz
    repeats = sum(np.maximum(_at(correlation, lags * k), 0.0) for k in (1, 2, 4)) / 3.0
    prior = np.exp(-0.5 * (np.log2(tempi / _PRIOR_CENTRE_BPM) / _PRIOR_OCTAVES) ** 2)
    score = comb * repeats * prior
    best = int(np.argmax(score))
    if score[best] <= 0.0:
        return None
    # Where the base pulse is a fraction of the beat, only its multiples repeat.
    salience = max(float(_at(correlation, lags[best : best + 1] * k)[0]) for k in (1, 2, 4))
    return float(tempi[best]), float(np.clip(salience, 0.0, 1.0))


def refine_tempo(pulse: Floats, rate: float, tempo_bpm: float, span: float = _FINE_SPAN) -> float:
    """The rate near ``tempo_bpm`` (within the share ``span``) that explains the whole recording best.

    Exact to some hundredths of the resolution of the recording's spectrum, about 0.01 BPM for one minute.
    """
    size = fft.next_fast_len(4 * len(pulse), real=True)
    amplitude = np.abs(fft.rfft(pulse, size))
    finest = rate / len(pulse) * 60.0 / max(_FINE_HARMONICS)
    count = int(np.clip(2 * span * tempo_bpm / (0.1 * finest), 101, 40_001))
    tempi = np.linspace(tempo_bpm * (1 - span), tempo_bpm * (1 + span), count)
    places = tempi / 60.0 * size / rate
    score = sum(_at(amplitude, places * k) for k in _FINE_HARMONICS if places[-1] * k < len(amplitude) - 1)
    best = int(np.clip(np.argmax(score), 1, count - 2))
    left, middle, right = np.asarray(score)[best - 1 : best + 2]
    bend = 2 * middle - left - right
    shift = 0.5 * (right - left) / bend if bend > 0 else 0.0
    return float(tempi[best] + np.clip(shift, -0.5, 0.5) * (tempi[1] - tempi[0]))


def _mean_power(pulse: Floats, rate: float) -> Floats | None:
    """Power spectrum averaged over windows, each scaled so that loud sections do not outvote quiet ones."""
    length = min(round(_WINDOW_S * rate), len(pulse))
    if length < round(2.0 * rate):
        return None
    step = max(1, length // 2)
    starts = np.arange(0, len(pulse) - length + 1, step)
    shape = np.hanning(length)
    size = fft.next_fast_len(4 * length, real=True)
    size += size % 2
    total = np.zeros(size // 2 + 1)
    floor = float(np.mean(pulse**2)) * length * 0.1
    for start in starts:
        window = pulse[start : start + length] * shape
        total += np.abs(fft.rfft(window, size)) ** 2 / (float(window @ window) + floor + 1e-12)
    return total / len(starts)


def _at(values: Floats, places: Floats) -> Floats:
    """Linear interpolation, zero beyond the end."""
    result: Floats = np.interp(places, np.arange(len(values)), values, right=0.0)
    return result
