"""Figures per frame, per quarter of a beat and per bar: what sections, drops, energy, contour and seams are read from.

One short-time Fourier transform at 22.05 kHz (Hann window of 93 ms, a frame each 23 ms) is reduced to a few bands while
it is computed, block by block, so that the transform itself is never held. Frames are then averaged over steps of the
grid. Levels are in decibels; the K-weighted level comes from ``loudness``, onsets from the bands of ``onsets``.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Protocol

import numpy as np
import scipy.fft
import scipy.ndimage
import soxr
from numpy.typing import NDArray

from analysis_worker.core.loudness import HOP_S as POWER_HOP_S
from analysis_worker.core.units import power_to_db

FRAME_RATE = 22_050
_WINDOW = 2048
_HOP = 512
_BLOCK_FRAMES = 512

LOW_HZ = (30.0, 120.0)
MID_HZ = (120.0, 2_000.0)
HIGH_HZ = (2_000.0, 10_000.0)
MEL_BANDS = 32
STEPS_PER_BEAT = 4

_FLOOR_BELOW_TOP_DB = 30.0
_ONSET_GAP_S = 0.045
_CLEAR_ATTACK = 0.35


class Bands(Protocol):
    """Onset envelopes as ``onsets`` gives them: one value per ``hop_s``, each band divided by its own deviation."""

    @property
    def hop_s(self) -> float: ...
    @property
    def low(self) -> NDArray[np.float32]: ...
    @property
    def mid(self) -> NDArray[np.float32]: ...
    @property
    def high(self) -> NDArray[np.float32]: ...


@dataclass(frozen=True, slots=True)
class Frames:
    """Band powers per frame. Frame ``k`` is centred on ``k * hop_s``.

    ``low``, ``mid``, ``high`` and ``centroid_hz`` have shape (frames,), ``mel`` (frames, MEL_BANDS).
    """

    hop_s: float
    low: NDArray[np.float32]
    mid: NDArray[np.float32]
    high: NDArray[np.float32]
    centroid_hz: NDArray[np.float32]
    mel: NDArray[np.float32]


@dataclass(frozen=True, slots=True)
class BarFeatures:
    """Figures per bar; all arrays have one row per downbeat.

    ``edges_s`` (bars + 1) are the bar lines. ``level_db`` is K-weighted loudness; ``low_db``, ``mid_db``, ``high_db``
    band levels; ``bass_db`` the low level in the quieter half of the bar's steps, which is the bass between the
    kicks. ``kick`` is the low-band attack per beat against the track's full bars (1 = as in those). ``onsets`` counts
    attacks per beat in the middle and high bands, ``roll`` in the middle band alone. ``tail_db`` is how far the last
    beat lies below the bar. ``mel_db`` (bars, MEL_BANDS) is the spectrum. ``tone_db``, ``air_db`` and ``rest_db``
    (bars, MEL_BANDS) are the middle band, the high band and the spectrum in the quietest third of the bar's steps: what
    sounds on between attacks, which drums and a limiter hide in the means.
    """

    edges_s: NDArray[np.float64]
    level_db: NDArray[np.float64]
    low_db: NDArray[np.float64]
    bass_db: NDArray[np.float64]
    mid_db: NDArray[np.float64]
    high_db: NDArray[np.float64]
    kick: NDArray[np.float64]
    onsets: NDArray[np.float64]
    roll: NDArray[np.float64]
    centroid: NDArray[np.float64]
    tail_db: NDArray[np.float64]
    mel_db: NDArray[np.float64]
    tone_db: NDArray[np.float64]
    air_db: NDArray[np.float64]
    rest_db: NDArray[np.float64]

    def __len__(self) -> int:
        return len(self.level_db)


def frames_of(mono: NDArray[np.float32], sample_rate: int) -> Frames:
    """Band powers of mono samples, shape (frames,)."""
    sound = mono if sample_rate == FRAME_RATE else soxr.resample(mono, sample_rate, FRAME_RATE, quality="HQ")
    frequencies = np.asarray(np.fft.rfftfreq(_WINDOW, 1 / FRAME_RATE), dtype=np.float64)
    bands = [_band(frequencies, *edges_hz)[None] for edges_hz in (LOW_HZ, MID_HZ, HIGH_HZ)]
    rows_of_bank = np.vstack([*bands, _mel_bank(frequencies), np.ones_like(frequencies)[None], frequencies[None]])
    bank = rows_of_bank.astype(np.float32).T
    window = np.hanning(_WINDOW + 1)[:-1].astype(np.float32)
    scale = np.float32(2.0 / (_WINDOW * np.sum(window.astype(np.float64) ** 2)))
    count = len(sound) // _HOP + 1
    reduced = np.empty((count, bank.shape[1]), dtype=np.float32)
    for first in range(0, count, _BLOCK_FRAMES):
        rows = min(_BLOCK_FRAMES, count - first)
        padded = np.zeros((rows - 1) * _HOP + _WINDOW, dtype=np.float32)
        start = first * _HOP - _WINDOW // 2
        piece = sound[max(0, start) : start + len(padded)]
        padded[max(0, -start) : max(0, -start) + len(piece)] = piece
        views = np.lib.stride_tricks.sliding_window_view(padded, _WINDOW)[::_HOP]
        spectrum = scipy.fft.rfft(views * window, axis=1)
        power = spectrum.real**2 + spectrum.imag**2
        reduced[first : first + rows] = (power @ bank) * scale
    total = np.maximum(reduced[:, -2], np.float32(1e-12))
    centroid = np.asarray(reduced[:, -1] / total, dtype=np.float32)
    return Frames(
        _HOP / FRAME_RATE,
        reduced[:, 0].copy(),
        reduced[:, 1].copy(),
        reduced[:, 2].copy(),
        centroid,
        reduced[:, 3:-2].copy(),
    )


def average_between(values: NDArray[np.floating], hop_s: float, edges_s: NDArray[np.float64]) -> NDArray[np.float64]:
    """Means of a sampled curve between neighbouring edges.

    ``values`` has shape (frames,) or (frames, n), value ``k`` standing for the time from ``(k - 0.5) * hop_s`` to
    ``(k + 0.5) * hop_s``. Returns (edges - 1,) or (edges - 1, n); parts outside the curve count with its end values.
    """
    if not len(values):
        return np.zeros((max(0, len(edges_s) - 1), *values.shape[1:]))
    sums = np.concatenate([np.zeros((1, *values.shape[1:])), np.cumsum(values, axis=0, dtype=np.float64)])
    places = np.clip(edges_s / hop_s + 0.5, 0.0, len(values))
    whole = np.minimum(places.astype(np.int64), len(values) - 1)
    part = places - whole
    if values.ndim == 2:
        part = part[:, None]
    integral = sums[whole] + part * values[whole]
    width = np.diff(places)
    nearest = np.clip(np.round((edges_s[:-1] + edges_s[1:]) / 2 / hop_s).astype(np.int64), 0, len(values) - 1)
    safe = np.where(width > 1e-9, width, 1.0)
    means = np.diff(integral, axis=0) / (safe[:, None] if values.ndim == 2 else safe)
    empty = width <= 1e-9
    means[empty] = values[nearest[empty]]
    result: NDArray[np.float64] = np.maximum(means, 0.0)
    return result


def bar_edges(
    beats_s: NDArray[np.float64], downbeats: NDArray[np.int64], beats_per_bar: int, duration_s: float
) -> NDArray[np.float64]:
    """Bar lines in seconds: each downbeat, and the end of the last bar or of the audio, whichever comes first."""
    if not len(downbeats):
        return np.zeros(0)
    starts = beats_s[downbeats]
    length_s = (
        beats_per_bar * float(np.median(np.diff(beats_s))) if len(beats_s) > 1 else duration_s - float(starts[-1])
    )
    end_s = min(float(starts[-1]) + length_s, duration_s)
    return np.append(starts, max(end_s, float(starts[-1]) + 1e-3))


def bar_features(
    frames: Frames,
    power: NDArray[np.float64],
    bands: Bands,
    edges_s: NDArray[np.float64],
    beats_per_bar: int,
) -> BarFeatures:
    """Average frames and count attacks over the bars between ``edges_s``. ``power`` is the K-weighted power curve."""
    hop_s = frames.hop_s
    count = len(edges_s) - 1
    level = _above_floor(power_to_db(average_between(power, POWER_HOP_S, edges_s - POWER_HOP_S / 2)))
    low = average_between(frames.low, hop_s, edges_s)
    low_db = _above_floor(power_to_db(low))
    steps = beats_per_bar * STEPS_PER_BEAT
    inner = np.interp(np.arange(count * steps + 1) / steps, np.arange(count + 1), edges_s)
    low_steps = np.sort(average_between(frames.low, hop_s, inner).reshape(count, steps), axis=1)
    bass_db = np.maximum(power_to_db(low_steps[:, : steps // 2].mean(axis=1)), low_db.max() - _FLOOR_BELOW_TOP_DB)
    beat_edges = np.interp(np.arange(count * beats_per_bar + 1) / beats_per_bar, np.arange(count + 1), edges_s)
    beat_power = average_between(power, POWER_HOP_S, beat_edges - POWER_HOP_S / 2).reshape(count, beats_per_bar)
    tail_db = power_to_db(beat_power.mean(axis=1)) - power_to_db(beat_power[:, -1])
    middle = _attacks(bands.mid, bands.hop_s, edges_s)
    return BarFeatures(
        edges_s=edges_s,
        level_db=level,
        low_db=low_db,
        bass_db=bass_db,
        mid_db=_above_floor(power_to_db(average_between(frames.mid, hop_s, edges_s))),
        high_db=_above_floor(power_to_db(average_between(frames.high, hop_s, edges_s))),
        kick=_kick(bands, edges_s, low_db),
        onsets=(middle + _attacks(bands.high, bands.hop_s, edges_s)) / beats_per_bar,
        roll=middle / beats_per_bar,
        centroid=np.log2(np.maximum(average_between(frames.centroid_hz, hop_s, edges_s), 50.0)),
        tail_db=np.clip(tail_db, 0.0, _FLOOR_BELOW_TOP_DB),
        mel_db=_above_floor(power_to_db(average_between(frames.mel, hop_s, edges_s))),
        tone_db=_between_attacks(frames.mid, hop_s, inner, steps),
        air_db=_between_attacks(frames.high, hop_s, inner, steps),
        rest_db=_between_attacks(frames.mel, hop_s, inner, steps),
    )


def _between_attacks(
    power: NDArray[np.float32], hop_s: float, step_edges_s: NDArray[np.float64], steps: int
) -> NDArray[np.float64]:
    """Level in the quietest third of each bar's steps, shape (bars,) or (bars, bands)."""
    per_step = average_between(power, hop_s, step_edges_s)
    per_bar = np.sort(per_step.reshape(-1, steps, *per_step.shape[1:]), axis=1)
    return _above_floor(power_to_db(per_bar[:, : steps // 3].mean(axis=1)))


def _kick(bands: Bands, edges_s: NDArray[np.float64], low_db: NDArray[np.float64]) -> NDArray[np.float64]:
    """Low attack per bar against full bars. The envelope is logarithmic, so attacks of a quiet bar are checked by
    level."""
    attack = average_between(bands.low, bands.hop_s, edges_s)
    full = float(np.percentile(attack, 80)) if len(attack) else 0.0
    if full <= 0.0:
        return np.zeros(len(attack))
    loud_enough = np.clip((low_db - (np.percentile(low_db, 90) - 16.0)) / 8.0, 0.0, 1.0)
    kick: NDArray[np.float64] = np.minimum(attack / full, 1.5) * loud_enough
    return kick


def _attacks(envelope: NDArray[np.float32], hop_s: float, edges_s: NDArray[np.float64]) -> NDArray[np.float64]:
    """Number of attacks between neighbouring edges: clear peaks of the envelope."""
    times = attack_times(envelope, hop_s)
    counts: NDArray[np.float64] = np.diff(np.searchsorted(times, edges_s - 0.02)).astype(np.float64)
    return counts


def attack_times(envelope: NDArray[np.float32], hop_s: float) -> NDArray[np.float64]:
    """Times in seconds of the clear peaks of an onset envelope: the highest within 45 ms to each side, and at least
    a third as high as the strong ones (the 95th percentile of such peaks)."""
    gap = max(1, round(_ONSET_GAP_S / hop_s))
    if len(envelope) <= 2 * gap:
        return np.zeros(0)
    highest = scipy.ndimage.maximum_filter1d(envelope, 2 * gap + 1)
    peaks = np.flatnonzero((envelope == highest) & (envelope > 0))
    if not len(peaks):
        return np.zeros(0)
    heights = envelope[peaks]
    clear = peaks[heights > _CLEAR_ATTACK * np.percentile(heights, 95)]
    # On a flat top every value equals the highest; one of them is enough.
    clear = clear[np.insert(np.diff(clear) > 1, 0, True)] if len(clear) else clear
    return np.asarray(clear * hop_s, dtype=np.float64)


def _above_floor(decibels: NDArray[np.float64]) -> NDArray[np.float64]:
    """Lift everything far below the loudest bar to one floor: how silent a rest is says nothing about sections."""
    return np.maximum(decibels, np.max(decibels, initial=-120.0) - _FLOOR_BELOW_TOP_DB)


def _band(frequencies: NDArray[np.float64], low_hz: float, high_hz: float) -> NDArray[np.float64]:
    """Weights of a band with edges half a bin soft, so that narrow bands keep their width."""
    width = frequencies[1]
    weights: NDArray[np.float64] = np.clip((frequencies - low_hz) / width + 0.5, 0, 1) * np.clip(
        (high_hz - frequencies) / width + 0.5, 0, 1
    )
    return weights


def _mel_bank(frequencies: NDArray[np.float64]) -> NDArray[np.float64]:
    """Triangles evenly spaced on the mel scale of O'Shaughnessy (2595 log10(1 + f / 700)) from 40 Hz to 10 kHz."""
    mels = np.linspace(2595 * np.log10(1 + 40 / 700), 2595 * np.log10(1 + 10_000 / 700), MEL_BANDS + 2)
    centres = 700 * (10 ** (mels / 2595) - 1)
    rising = (frequencies[None] - centres[:-2, None]) / np.diff(centres)[:-1, None]
    falling = (centres[2:, None] - frequencies[None]) / np.diff(centres)[1:, None]
    bank: NDArray[np.float64] = np.maximum(0.0, np.minimum(rising, falling))
    return bank
