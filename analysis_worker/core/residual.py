"""What each bar has that the bars most like it have not, and what that sounds like, frame by frame.

Backing tracks repeat from bar to bar. So each bar is compared with the four bars of the track that are most like it, at
the same place in the bar, and what the most alike has, or two of the next, is taken for backing: the residual is what
exceeds it. After Z. Rafii & B. Pardo, "REpeating Pattern Extraction Technique" (IEEE TASLP 21, 2013), and their variant
for what repeats at no fixed distance (ISMIR 2012). Magnitudes are kept as square roots in 16 bits and the residual is
made some bars at a time, so an hour needs about 120 MB.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import scipy.fft
import scipy.ndimage
import soxr
from numpy.typing import NDArray

_RATE = 22_050
_WINDOW = 2048
_HOP = 512
HOP_S = _HOP / _RATE
ENVELOPE_BANDS = 10

_BLOCK_FRAMES = 512
_BLOCK_BARS = 48
_MIDDLE_HZ = (200.0, 4_000.0)
_HIGH_HZ = (5_000.0, 10_000.0)
_HIGH_BANDS = 8
_ALIKE = 4
_OVER = 1.25  # how far a bin must exceed its like bars to count as new: a level that wobbles by 2 dB is no news
_STEPS, _COARSE_BANDS = 16, 24  # of the picture of a bar by which bars are compared
_STEP = 0.2  # semitones between neighbouring points when frames are matched
_SHIFTS = 6  # points either way: 1.2 semitones
_APART = 3  # frames between the two that are matched: 70 ms, so that their windows hardly overlap
_SLIDES_HZ = (220.0, 3_500.0)

Floats = NDArray[np.float32]
Doubles = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Spectra:
    """Roots of magnitudes per frame, shape (frames, bins): bins of the middle at ``hertz``, then bands of the high end.

    Frame ``k`` is centred on ``k * HOP_S``.
    """

    values: NDArray[np.float16]
    hertz: Doubles

    def rows(self, index: NDArray[np.int64] | slice) -> Floats:
        """Magnitudes of some frames."""
        roots = self.values[index].astype(np.float32)
        return roots * roots


@dataclass(frozen=True, slots=True)
class FrameCues:
    """The residual frame by frame, each of shape (frames,) but ``envelope`` (frames, ENVELOPE_BANDS).

    ``share`` is the residual's part of the sound from 200 Hz to 4 kHz, ``level`` its size against the track's loud
    frames; ``high_share`` and ``high_level`` likewise from 5 to 10 kHz. ``shift`` is by how many semitones its pitches
    lie above those of 70 ms before, ``fit`` how well they match so shifted (-1 to 1), ``tonal`` how peaky it is.
    ``envelope`` is its spectrum in bands, in decibels about their mean.
    """

    share: Doubles
    level: Doubles
    high_share: Doubles
    high_level: Doubles
    shift: Doubles
    fit: Doubles
    tonal: Doubles
    envelope: Doubles
    likeness: Doubles
    """Shape (bars,): how like the most alike bars are."""


def spectra_of(mono: Floats, sample_rate: int) -> Spectra:
    """Transform mono samples, shape (frames,)."""
    sound = mono if sample_rate == _RATE else soxr.resample(mono, sample_rate, _RATE, quality="HQ")
    frequencies = np.fft.rfftfreq(_WINDOW, 1 / _RATE)
    first_bin, last_bin = (int(np.searchsorted(frequencies, edge)) for edge in _MIDDLE_HZ)
    edges = np.searchsorted(frequencies, np.geomspace(*_HIGH_HZ, _HIGH_BANDS + 1))
    window = np.hanning(_WINDOW + 1)[:-1].astype(np.float32)
    count = len(sound) // _HOP + 1
    middle = last_bin - first_bin
    values = np.empty((count, middle + _HIGH_BANDS), dtype=np.float16)
    for first in range(0, count, _BLOCK_FRAMES):
        rows = min(_BLOCK_FRAMES, count - first)
        padded = np.zeros((rows - 1) * _HOP + _WINDOW, dtype=np.float32)
        start = first * _HOP - _WINDOW // 2
        piece = sound[max(0, start) : start + len(padded)]
        padded[max(0, -start) : max(0, -start) + len(piece)] = piece
        views = np.lib.stride_tricks.sliding_window_view(padded, _WINDOW)[::_HOP]
        magnitude = np.abs(scipy.fft.rfft(views * window, axis=1)[:, first_bin : edges[-1]])
        values[first : first + rows, :middle] = np.sqrt(magnitude[:, :middle])
        high = np.add.reduceat(magnitude * magnitude, edges[:-1] - first_bin, axis=1)
        values[first : first + rows, middle:] = np.sqrt(np.sqrt(high))
    return Spectra(values, np.asarray(frequencies[first_bin:last_bin], dtype=np.float64))


def frame_cues(spectra: Spectra, edges_s: Doubles) -> FrameCues | None:
    """The residual of each bar between ``edges_s`` (bars + 1); None where there are too few bars to compare.

    Frames outside the bars have none.
    """
    bars = len(edges_s) - 1
    if bars <= _ALIKE:
        return None
    count, middle = len(spectra.values), len(spectra.hertz)
    places = np.clip(edges_s / HOP_S, 0, count - 1)
    alike, likeness = _most_alike(spectra.values, places)
    sums = np.zeros((count, 4))  # of the middle and the high end, new and whole
    shift, fit, tonal = np.zeros(count), np.zeros(count), np.zeros(count)
    envelope = np.zeros((count, ENVELOPE_BANDS))
    before = np.zeros((_APART, spectra.values.shape[1]), dtype=np.float32)
    for first_bar in range(0, bars, _BLOCK_BARS):
        parts = [
            _left_of(spectra, places, bar, alike[bar]) for bar in range(first_bar, min(bars, first_bar + _BLOCK_BARS))
        ]
        first = round(float(places[first_bar]))
        new = np.concatenate(parts)
        whole = spectra.rows(slice(first, first + len(new)))
        span = slice(first, first + len(new))
        columns = (new[:, :middle], whole[:, :middle], new[:, middle:], whole[:, middle:])
        sums[span] = np.stack([part.sum(axis=1) for part in columns], axis=1)
        longer = np.concatenate([before, new])
        shift[span], fit[span], tonal[span] = _slides(longer[:, :middle], spectra.hertz)
        envelope[span] = _envelope(new[:, :middle], spectra.hertz)
        before = longer[-_APART:]
    loud, high_loud = (float(np.percentile(sums[:, column], 95)) + 1e-9 for column in (1, 3))
    return FrameCues(
        share=sums[:, 0] / np.maximum(sums[:, 1], 0.02 * loud),
        level=sums[:, 0] / loud,
        high_share=sums[:, 2] / np.maximum(sums[:, 3], 0.02 * high_loud),
        high_level=sums[:, 2] / high_loud,
        shift=shift,
        fit=fit,
        tonal=tonal,
        envelope=envelope,
        likeness=likeness,
    )


def _left_of(spectra: Spectra, places: Doubles, bar: int, alike: NDArray[np.int64]) -> Floats:
    """What one bar has and those like it have not, shape (its frames, bins)."""
    count = len(spectra.values)
    first, last = round(float(places[bar])), round(float(places[bar + 1]))
    share = (np.arange(first, last) - places[bar]) / max(float(places[bar + 1] - places[bar]), 1e-9)
    others = []
    for other in alike:
        rows = np.rint(places[other] + share * (places[other + 1] - places[other])).astype(np.int64)
        near = [spectra.values[np.clip(rows + step, 0, count - 1)].astype(np.float32) for step in (-1, 0, 1)]
        others.append(np.maximum(np.maximum(near[0], near[1]), near[2]))
    # What the most alike bar has, or two of the next, is backing.
    usual = np.maximum(others[0], np.maximum(np.minimum(others[1], others[2]), np.minimum(others[2], others[3])))
    left: Floats = np.maximum(spectra.rows(slice(first, last)) - np.float32(_OVER) * usual * usual, 0)
    return left


def _most_alike(roots: NDArray[np.float16], places: Doubles) -> tuple[NDArray[np.int64], Doubles]:
    """For each bar the ``_ALIKE`` bars most like it, best first, and how like they are on average."""
    bars = len(places) - 1
    groups = np.linspace(0, roots.shape[1], _COARSE_BANDS + 1).astype(np.int64)[:-1]
    coarse = np.empty((len(roots), _COARSE_BANDS), dtype=np.float32)
    for first in range(0, len(roots), 4 * _BLOCK_FRAMES):
        block = roots[first : first + 4 * _BLOCK_FRAMES].astype(np.float32)
        coarse[first : first + len(block)] = np.sqrt(np.add.reduceat(block * block, groups, axis=1))
    smooth = scipy.ndimage.uniform_filter1d(coarse, 5, axis=0)
    steps = (np.arange(_STEPS) + 0.5) / _STEPS
    frames = (places[:-1, None] + steps * np.diff(places)[:, None]).astype(np.int64)
    shapes = smooth[np.clip(frames, 0, len(roots) - 1)].reshape(bars, _STEPS * _COARSE_BANDS)
    shapes = shapes / np.maximum(np.linalg.norm(shapes, axis=1, keepdims=True), 1e-9)
    alike = np.empty((bars, _ALIKE), dtype=np.int64)
    likeness = np.empty(bars)
    for first in range(0, bars, _BLOCK_FRAMES):
        like = shapes[first : first + _BLOCK_FRAMES] @ shapes.T
        rows = np.arange(len(like))
        like[rows, first + rows] = -1
        best = np.argsort(-like, axis=1, kind="stable")[:, :_ALIKE]
        alike[first : first + len(like)] = best
        likeness[first : first + len(like)] = np.take_along_axis(like, best, axis=1).mean(axis=1)
    return alike, likeness


def _slides(new: Floats, hertz: Doubles) -> tuple[Doubles, Doubles, Doubles]:
    """Shift in semitones, fit and peakiness of each frame but the first ``_APART``.

    After the "fluctogram" of B. Lehner, G. Widmer & R. Sonnleitner (ICASSP 2014).
    """
    low, high = _SLIDES_HZ
    grid = low * 2 ** (np.arange(0, 12 * np.log2(high / low), _STEP) / 12)
    place = (grid - hertz[0]) / (hertz[1] - hertz[0])
    below = place.astype(np.int64)
    part = (place - below).astype(np.float32)
    logs = np.sqrt(new[:, below] * (1 - part) + new[:, below + 1] * part)
    around = logs.mean(axis=1)
    logs -= scipy.ndimage.uniform_filter1d(logs, 21, axis=1)
    inner = slice(_SHIFTS, logs.shape[1] - _SHIFTS)
    now = logs[_APART:, inner]
    norms = np.linalg.norm(logs[:, inner], axis=1)
    scale = np.maximum(norms[_APART:] * norms[:-_APART], 1e-9)
    matches = np.empty((len(now), 2 * _SHIFTS + 1), dtype=np.float64)
    for column, by in enumerate(range(-_SHIFTS, _SHIFTS + 1)):
        before = logs[:-_APART, _SHIFTS - by : logs.shape[1] - _SHIFTS - by]
        matches[:, column] = np.einsum("ij,ij->i", now, before) / scale
    best = np.argmax(matches, axis=1)
    rows = np.arange(len(best))
    inside = np.clip(best, 1, 2 * _SHIFTS - 1)
    left, centre, right = (matches[rows, inside + step] for step in (-1, 0, 1))
    bend = np.minimum(left - 2 * centre + right, -1e-6)
    shift = (inside - _SHIFTS + np.clip(0.5 * (left - right) / bend, -1, 1)) * _STEP
    tonal = np.sqrt(np.mean(logs * logs, axis=1)) / np.maximum(around, 1e-6)
    return shift, matches[rows, best], np.asarray(tonal[_APART:], dtype=np.float64)


def _envelope(new: Floats, hertz: Doubles) -> Doubles:
    edges = np.searchsorted(hertz, np.geomspace(hertz[0], hertz[-1], ENVELOPE_BANDS + 1))[:-1]
    power = np.add.reduceat(new * new, edges, axis=1).astype(np.float64)
    level = 10 * np.log10(power + 1e-3 * power.sum(axis=1, keepdims=True) + 1e-12)
    return np.asarray(level - level.mean(axis=1, keepdims=True))
