"""How far the music wanders from a chain of pulses, pulse by pulse, through breakdowns too.

Task: given pulses that follow the music roughly, the lag of each one, from -0.5 to 0.5 of a pulse, as one smooth path:
where drums rest, the few notes that sound still say when the pulse is, if one knows where in a pulse notes usually lie.

Method: the onsets are folded over the pulses once to learn where in a pulse each band usually strikes; then Viterbi
finds the path through states of lag and rate that makes all onsets most likely, where the rate moves by small steps at
a cost (the "bar pointer" of N. Whiteley, A. Cemgil & S. Godsill, "Bayesian modelling of temporal structure in musical
audio", ISMIR 2006, with the lag against known pulses in place of the place in the bar). Twice: the second fold is
sharper.

Conventions: lags and rates in pulses; memory grows with blocks of pulses, not with the recording.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from scipy import fft, ndimage

from analysis_worker.core.tempo import Events

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

_BINS = 512
"""Steps of lag in a pulse: 1.1 ms at 110 BPM (measured: 768 no better, 384 loses a hundredth of beats within 5 ms)."""

_RATES = 8
"""Rates reach so many steps (of 0.2 %) to either side: 1.6 %, beyond which the chain itself follows."""

_RATE_COST = 1.5
"""In units of log likelihood (tuned on invented drummers whose tempo wanders by 0.3 to 0.8 %; 0.7 to 3 do as well)."""

_BLUR_S = 0.005
_FLOOR = 0.2
_LEVEL = 2.0
_WEAK = 2.0
_CAP = 4.0
"""How much an onset says: nothing up to the strength ``_WEAK`` (in a breakdown each ripple of a chord is an onset; only
what stands out tells the time), from there on in proportion, up to ``_CAP`` more (tuned as above: weaker onsets let in,
or a lower level, leave the path where the chain was)."""

_SMOOTH_PULSES = 12
"""The path is sought around the chain's slow course: a chain picks its own onsets, and would confirm itself."""

_QUARTERS_SHARE = 0.25
"""Share of the expectation that is the same on all quarters of the pulse: what is played in a breakdown need not lie
where the drums do, but it lies on the quarters."""

_BLOCK = 1_024
_ROUNDS = 2
_BANDS = 3


def trace_lags(events: Events, pulses_s: Floats) -> Floats:
    """Pulses moved onto the music; as many as before, rising."""
    index = np.arange(len(pulses_s), dtype=np.float64)
    slope_s, first_s = np.polyfit(index, pulses_s, 1)
    away_s = ndimage.gaussian_filter1d(pulses_s - first_s - slope_s * index, _SMOOTH_PULSES, mode="nearest")
    pulses_s = first_s + slope_s * index + away_s
    for _ in range(_ROUNDS):
        period_s = float(np.median(np.diff(pulses_s)))
        positions = np.interp(events.times_s, pulses_s, index)
        number = np.clip(np.round(positions).astype(np.int64), 0, len(pulses_s) - 1)
        bins = np.floor((positions - number) * _BINS).astype(np.int64) % _BINS
        said = _LEVEL * np.clip(events.strengths - _WEAK, 0.0, _CAP)
        expected = _expected(events.bands, bins, events.strengths, _BLUR_S / period_s * _BINS)
        lags = _path(number, bins, events.bands, said, expected, len(pulses_s)) / _BINS
        moved = np.interp(index + lags, index, pulses_s)
        moved += np.minimum(index + lags, 0.0) * period_s + np.maximum(index + lags - index[-1], 0.0) * period_s
        pulses_s = np.maximum.accumulate(moved) + 1e-6 * index
    return np.asarray(pulses_s, dtype=np.float64)


def _expected(bands: Ints, bins: Ints, strengths: Floats, blur: float) -> Floats:
    """Log of how much more likely than by chance an onset of each band lies at each bin, shape (3, bins)."""
    fold = np.bincount(bands * _BINS + bins, weights=strengths, minlength=_BANDS * _BINS).reshape(_BANDS, _BINS)
    fold = ndimage.gaussian_filter1d(fold.astype(np.float64), blur, axis=1, mode="wrap")
    quarters = np.mean([np.roll(fold, turn * _BINS // 4, axis=1) for turn in range(4)], axis=0)
    mixed = (1.0 - _QUARTERS_SHARE) * fold + _QUARTERS_SHARE * quarters
    mixed /= np.maximum(mixed.mean(axis=1, keepdims=True), 1e-12)
    result: Floats = np.log(_FLOOR + (1.0 - _FLOOR) * mixed)
    return result


def _path(number: Ints, bins: Ints, bands: Ints, said: Floats, expected: Floats, count: int) -> Floats:
    """Lag of each pulse in bins, unwrapped."""
    spectra = fft.rfft(expected, axis=1).conj()
    states = 2 * _RATES + 1
    rates = np.arange(states) - _RATES
    come_from = (np.arange(_BINS)[None, :] - rates[:, None]) % _BINS + np.arange(states)[:, None] * _BINS
    score = np.zeros((states, _BINS)) - 0.5 * np.abs(rates)[:, None]
    steps = np.zeros(count)
    start_bin = 0
    last: tuple[int, int] | None = None
    for first in range(0, count, _BLOCK):
        stop = min(first + _BLOCK, count)
        inside = (number >= first) & (number < stop)
        place = ((number[inside] - first) * _BANDS + bands[inside]) * _BINS + bins[inside]
        table = np.bincount(place, weights=said[inside], minlength=(stop - first) * _BANDS * _BINS)
        table = table.reshape(stop - first, _BANDS, _BINS)
        likely = fft.irfft((fft.rfft(table, axis=2) * spectra).sum(axis=1), _BINS, axis=1)
        if last is not None:
            score = np.full((states, _BINS), -1e9)
            score[last] = 0.0
        back = np.zeros((stop - first, states, _BINS), dtype=np.int8)
        for row in range(stop - first):
            best, choice = score, np.zeros(score.shape, dtype=np.int8)
            for turn in (-1, 1):
                other = np.full_like(score, -1e9)
                if turn > 0:
                    other[:-1] = score[1:] - _RATE_COST
                else:
                    other[1:] = score[:-1] - _RATE_COST
                better = other > best
                best = np.where(better, other, best)
                choice[better] = turn
            score = best.ravel()[come_from] + likely[row]
            back[row] = choice.ravel()[come_from]
        rate, lag = np.unravel_index(int(score.argmax()), score.shape)
        last = (int(rate), int(lag))
        for row in range(stop - first - 1, -1, -1):
            steps[first + row] = rates[rate]
            before = int(back[row, rate, lag])
            lag = (lag - rates[rate]) % _BINS
            rate = rate + before
            if first + row == 0:
                start_bin = int(lag)
    start = (start_bin + _BINS // 2) % _BINS - _BINS // 2
    return start + np.cumsum(steps)
