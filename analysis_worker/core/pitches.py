"""Which notes sound when: spectral peaks explained as notes with their overtones.

The 11.025 kHz signal is transformed with a window of three quarters of a second, long enough to part the semitones of
the bass. In each frame the peaks that stand out of their surroundings are tones; the noise of drums leaves none. The
tuning of the track is the circular mean of how far the peaks lie from equal temperament. The peaks, laid on semitones,
are then written as a sum of notes with overtones by non-negative least squares, after M. Mauch & S. Dixon,
"Approximate note transcription for the improved identification of difficult chords" (ISMIR 2010): so the third and
fifth overtones of a bass note count for the bass note and not for its fifth and third. The squares are solved by the
multiplicative rule of D. Lee & S. Seung (NIPS 2000).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import scipy.fft
import scipy.ndimage
import soxr
from numpy.typing import NDArray

LOWEST_NOTE = 26
"""MIDI number of the lowest note looked for, D1 at 36.7 Hz: bass lines of dance music go down to there."""
NOTES = 64
"""Number of notes looked for, up to F6."""

_RATE = 11_025
_WINDOW = 8192
_HOP = 2048
_BLOCK_FRAMES = 64
_BINS = NOTES + 12  # overtones may lie an octave above the highest note
_PEAKS_HZ = (35.0, 2_900.0)
_SURROUNDINGS = 41  # bins, about 55 Hz
_STANDS_OUT = 2.5  # noise leaves 4 % of its power in such peaks, the corpus 12 to 46 % (measured)
_QUIETEST_PEAK = 1e-5  # amplitude of a sine (-100 dBFS): below it lies the rounding of the arithmetic
_BELOW_STRONGEST = 0.003  # of the strongest peak of a frame (-50 dB)
_KICKS_BELOW_NOTE = 38  # 73 Hz: bass drums end on 40 to 65 Hz (common practice)
_OVER_OCTAVE = 2.0  # of square roots: the octave is at least 12 dB below (no source)
_OVERTONES = 12
_OVERTONE_DECAY = 0.75  # Mauch & Dixon: 0.6 to 0.9 from the highest note to the lowest
_ROUNDS = 25


@dataclass(frozen=True, slots=True)
class Pitches:
    """Strength of each note per frame, shape (frames, NOTES) from ``LOWEST_NOTE`` up, tuned to the track.

    Frame ``k`` is centred on ``k * hop_s``. ``tonal`` (frames,) is the share of the frame's sound that is in tones.
    ``tuning`` is how far the track lies above A4 = 440 Hz, in semitones.
    """

    hop_s: float
    strengths: NDArray[np.float32]
    tonal: NDArray[np.float32]
    tuning: float


def pitches_of(mono: NDArray[np.float32], sample_rate: int) -> Pitches:
    """The notes of mono samples, shape (frames,)."""
    # An offset has no pitch, but its start and end would ring like one.
    centred = mono - np.float32(mono.mean(dtype=np.float64)) if len(mono) else mono
    sound = soxr.resample(centred, sample_rate, _RATE, quality="HQ") if sample_rate != _RATE else centred
    count = len(sound) // _HOP + 1
    rows, hertz, levels, tonal = _peaks(sound, count)
    tuning = tuning_of(hertz, levels)
    spread = _on_semitones(rows, hertz, levels, count, tuning)
    return Pitches(_HOP / _RATE, _without_kicks(_as_notes(spread), spread), tonal, tuning)


def tuning_of(peaks_hz: NDArray[np.floating], weights: NDArray[np.floating]) -> float:
    """How far the peaks lie from the equal-tempered scale on A4 = 440 Hz, in semitones from -0.5 to 0.5 (their weighted
    circular mean)."""
    if not len(peaks_hz):
        return 0.0
    semitones = 12 * np.log2(np.maximum(peaks_hz, 1.0) / 440.0)
    return float(np.angle(np.sum(weights * np.exp(2j * np.pi * semitones))) / (2 * np.pi))


_Floats = NDArray[np.float32]


def _peaks(sound: _Floats, count: int) -> tuple[NDArray[np.int64], _Floats, _Floats, _Floats]:
    """Frame, frequency and compressed level of every tone, and the tonal share of every frame."""
    frequencies = np.fft.rfftfreq(_WINDOW, 1 / _RATE)
    first_bin, last_bin = (int(np.searchsorted(frequencies, edge)) for edge in _PEAKS_HZ)
    window = np.hanning(_WINDOW + 1)[:-1].astype(np.float32)
    quietest = np.float32(_QUIETEST_PEAK * np.sum(window) / 2)
    found_rows, found_hz, found_levels = [], [], []
    tonal = np.zeros(count, dtype=np.float32)
    for first in range(0, count, _BLOCK_FRAMES):
        rows = min(_BLOCK_FRAMES, count - first)
        padded = np.zeros((rows - 1) * _HOP + _WINDOW, dtype=np.float32)
        start = first * _HOP - _WINDOW // 2
        piece = sound[max(0, start) : start + len(padded)]
        padded[max(0, -start) : max(0, -start) + len(piece)] = piece
        views = np.lib.stride_tricks.sliding_window_view(padded, _WINDOW)[::_HOP]
        magnitude = np.abs(scipy.fft.rfft(views * window, axis=1)[:, first_bin - 1 : last_bin + 1])
        inner = magnitude[:, 1:-1]
        around = scipy.ndimage.uniform_filter1d(inner, _SURROUNDINGS, axis=1)
        floor = np.maximum(np.float32(_BELOW_STRONGEST) * inner.max(axis=1, keepdims=True), quietest)
        is_peak = (inner > magnitude[:, :-2]) & (inner >= magnitude[:, 2:])
        is_peak &= inner > np.maximum(_STANDS_OUT * around, floor)
        row, column = np.nonzero(is_peak)
        middle = magnitude[row, column + 1]
        left, centre, right = (np.log(magnitude[row, column + shift] + 1e-12) for shift in (0, 1, 2))
        bend = np.minimum(left - 2 * centre + right, -1e-9)
        found_rows.append(first + row)
        found_hz.append((first_bin + column + 0.5 * (left - right) / bend) * (_RATE / _WINDOW))
        found_levels.append(np.sqrt(middle))
        in_tones = np.bincount(row, weights=middle * middle, minlength=rows)
        # A Hann window spreads a tone's power over 1.5 bins.
        tonal[first : first + rows] = 1.5 * in_tones / np.maximum(np.sum(inner * inner, axis=1), quietest**2)
    return (
        np.concatenate(found_rows),
        np.concatenate(found_hz).astype(np.float32),
        np.concatenate(found_levels).astype(np.float32),
        np.minimum(tonal, 1.0),
    )


def _on_semitones(rows: NDArray[np.int64], hertz: _Floats, levels: _Floats, count: int, tuning: float) -> _Floats:
    """Lay tones on semitones, shape (count, _BINS); one between two semitones counts for neither."""
    notes = 69 + 12 * np.log2(np.maximum(hertz, 1.0) / 440.0) - tuning - LOWEST_NOTE
    nearest = np.rint(notes).astype(np.int64)
    weights = levels * np.exp(-0.5 * ((notes - nearest) / 0.2) ** 2)
    inside = (nearest >= 0) & (nearest < _BINS)
    flat = np.bincount(rows[inside] * _BINS + nearest[inside], weights=weights[inside], minlength=count * _BINS)
    return flat.reshape(count, _BINS).astype(np.float32)


def _without_kicks(notes: _Floats, spread: _Floats) -> _Floats:
    """A bass note brings its octave overtone, the tone that a bass drum ends on does not: it may not count for more.

    Taken out of the notes and not of the peaks, so that what drive adds to the drum (its third overtone) stays with it.
    """
    lowest = slice(0, _KICKS_BELOW_NOTE - LOWEST_NOTE)
    octave = spread[:, 12 : 12 + _KICKS_BELOW_NOTE - LOWEST_NOTE]
    notes[:, lowest] = np.minimum(notes[:, lowest], _OVER_OCTAVE * octave)
    return notes


def _as_notes(spread: _Floats) -> _Floats:
    """The notes, shape (frames, NOTES), whose overtones add up to what is laid on the semitones."""
    shapes = _note_shapes()
    found = spread @ shapes.T
    gram = shapes @ shapes.T
    target = found.copy()
    for _ in range(_ROUNDS):
        found *= target / np.maximum(found @ gram, np.float32(1e-9))
    return found


def _note_shapes() -> _Floats:
    """What one note lays on the semitones, shape (NOTES, _BINS), each of unit norm."""
    orders = np.arange(1, _OVERTONES + 1)
    steps = 12 * np.log2(orders)
    # Peaks come as square roots of their amplitudes.
    levels = np.sqrt(_OVERTONE_DECAY ** (orders - 1.0))
    bins = np.arange(_BINS)
    shapes = np.zeros((NOTES, _BINS))
    for note in range(NOTES):
        off = bins[None] - np.rint(note + steps)[:, None]
        shapes[note] = np.sum(levels[:, None] * (off == 0), axis=0)
    shapes /= np.linalg.norm(shapes, axis=1, keepdims=True)
    return shapes.astype(np.float32)
