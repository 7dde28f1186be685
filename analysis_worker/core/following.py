"""Following a pulse whose rate changes: drummers without a click, tempo changes, edits.

Task: the time of every pulse of a recording that no straight line explains.

Method: (1) a curve of the local rate: combs over short spectra, joined by Viterbi so that it moves little or jumps
rarely; (2) dynamic programming over the pulse envelope with that rate (D. Ellis, "Beat tracking by dynamic
programming", J. New Music Research 36(1), 2007, with a rate that varies); (3) ``tracing`` moves the chain's slow course
onto the music, through breakdowns too.

Conventions: pulse times in seconds, rising, covering the recording from before its start to past its end.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from scipy import fft, ndimage

from analysis_worker.core.onsets import OnsetBands
from analysis_worker.core.tempo import Events, pulse_envelope
from analysis_worker.core.tracing import trace_lags

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

_SPAN = 0.12
"""Local rates are sought within 12 % of the base pulse (design A5: 8 %; more, for a change between two tempi)."""

_RATES = 97
_WINDOW_S = 8.0
_STEP_S = 2.0
_HARMONICS = (1, 2, 3, 4, 6, 8)
_RATE_COST = 0.5
_RATE_JUMP = 2.0
"""Cost of moving by one rate step (0.25 %), and the most a jump may cost, in spreads of the comb score."""

_TIGHTNESS = 3_000.0
"""Cost of an interval that is off by the factor e (Ellis uses 100 with one rate for all; with a local rate more is
better: measured 300 to 10 000 on wandering drummers and tempo changes, 0.80 to 0.86 of beats within 12 ms)."""

_CHAIN_WEIGHTS = (0.7, 1.0, 2.0)
"""Bands in the envelope for the chain: hats and clicks say more about when than bass notes do (measured as above)."""


def follow_pulse(events: Events, bands: OnsetBands, base_bpm: float, duration_s: float) -> Floats:
    """Times of all pulses near ``base_bpm``, from before 0 to past ``duration_s``."""
    pulse, rate = pulse_envelope(bands)
    periods = local_periods(pulse, rate, 60.0 / base_bpm)
    # Squared, so that what begins in several bands at once outweighs what begins in one.
    pulse, _ = pulse_envelope(bands, _CHAIN_WEIGHTS, power=2.0)
    frames = _track(pulse, periods * rate)
    if len(frames) < 4:
        period = 60.0 / base_bpm
        return np.arange(-1, duration_s / period + 2) * period
    pulses_s = _to_ends(_parabolic(pulse, frames) / rate, duration_s)
    return _to_ends(trace_lags(events, pulses_s), duration_s)


def local_periods(pulse: Floats, rate: float, period_s: float) -> Floats:
    """Period in seconds at every frame of the pulse envelope."""
    length = min(round(_WINDOW_S * rate), len(pulse))
    step = max(1, round(_STEP_S * rate))
    starts = np.arange(0, max(1, len(pulse) - length + 1), step)
    rates = np.exp(np.linspace(-_SPAN, _SPAN, _RATES)) / period_s
    size = fft.next_fast_len(4 * length, real=True)
    shape = np.hanning(length)
    places = rates * size / rate
    bins = np.arange(size // 2 + 1)
    scores = np.zeros((len(starts), _RATES))
    for row, start in enumerate(starts):
        amplitude = np.abs(fft.rfft(pulse[start : start + length] * shape, size))
        scores[row] = sum(np.interp(places * k, bins, amplitude, right=0.0) for k in _HARMONICS)
    scores /= max(float(scores.std()), 1e-12)
    path = _smooth_path(scores)
    centres = starts + length / 2
    result: Floats = 1.0 / np.interp(np.arange(len(pulse)), centres, rates[path])
    return result


def _smooth_path(scores: Floats) -> Ints:
    """Viterbi: the rate for each window, with a cost for moving that is bounded for jumps."""
    states = np.arange(scores.shape[1])
    moves = np.minimum(_RATE_COST * np.abs(states[:, None] - states), _RATE_JUMP)
    total = scores[0].copy()
    back = np.zeros(scores.shape, dtype=np.int64)
    for row in range(1, len(scores)):
        options = total[None, :] - moves
        back[row] = options.argmax(axis=1)
        total = options[states, back[row]] + scores[row]
    path = np.zeros(len(scores), dtype=np.int64)
    path[-1] = int(total.argmax())
    for row in range(len(scores) - 1, 0, -1):
        path[row - 1] = back[row, path[row]]
    return path


def _track(pulse: Floats, lags: Floats) -> Ints:
    """Frames of the best chain of pulses whose intervals follow ``lags`` (in frames)."""
    onset = np.maximum(pulse, 0.0)
    onset = ndimage.gaussian_filter1d(onset, 1.0)
    onset /= max(float(onset.std()), 1e-12)
    count = len(onset)
    shortest, longest = int(lags.min() * 0.8), int(np.ceil(lags.max() * 1.25))
    if shortest < 2 or count <= longest:
        return np.zeros(0, dtype=np.int64)
    offsets = np.arange(shortest, longest + 1)
    score = np.concatenate([np.full(longest, 0.0), np.zeros(count)])
    back = np.full(count, -1, dtype=np.int64)
    # The frames of a block of the shortest interval do not depend on each other: one array step for all of them.
    for start in range(0, count, shortest):
        frames = np.arange(start, min(start + shortest, count))
        options = score[frames[:, None] - offsets + longest]
        options = options - _TIGHTNESS * np.log(offsets / lags[frames][:, None]) ** 2
        best = options.argmax(axis=1)
        score[frames + longest] = onset[frames] + options[np.arange(len(frames)), best]
        back[frames] = frames - offsets[best]
    last = count - 1 - longest + int(score[-longest:].argmax()) + 1
    chain = []
    frame = min(last, count - 1)
    while frame >= 0:
        chain.append(frame)
        frame = int(back[frame])
    return np.array(chain[::-1], dtype=np.int64)


def _parabolic(pulse: Floats, frames: Ints) -> Floats:
    inside = np.clip(frames, 1, len(pulse) - 2)
    left, middle, right = pulse[inside - 1], pulse[inside], pulse[inside + 1]
    bend = 2 * middle - left - right
    shift = np.where(bend > 0, 0.5 * (right - left) / np.where(bend > 0, bend, 1.0), 0.0)
    result: Floats = frames + np.clip(shift, -0.5, 0.5) + 0.5
    return result


def _to_ends(pulses_s: Floats, duration_s: float) -> Floats:
    """Pulses from before 0 to past the end, carried on at the rate of the nearest eight."""
    near = min(8, len(pulses_s) - 1)
    first = (pulses_s[near] - pulses_s[0]) / near
    last = (pulses_s[-1] - pulses_s[-1 - near]) / near
    before = np.arange(int(max(0.0, pulses_s[0]) / first) + 1, 0, -1)
    after = np.arange(1, int(max(0.0, duration_s - pulses_s[-1]) / last) + 2)
    return np.concatenate([pulses_s[0] - first * before, pulses_s, pulses_s[-1] + last * after])
