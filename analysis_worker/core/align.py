"""Whether another copy of a track has the same timeline, and where on it its first sample lies.

Task: markers of a track stay true on a better copy of it only where every moment of one lies at the same distance from
the other's. A fingerprint does not tell: a copy 2 % faster has the same one (bit error 0.19, same recording by the
usual threshold of 0.35) and drifts by 12 s in ten minutes. So the sound itself is laid on the sound.

Method: the offset is sought with the normalised correlation of a coarse curve (level of the treble each 10 ms, in
decibels less its moving mean), then measured at windows all over the track with the correlation of the samples, in
parabolic refinement, each after a first difference, so that a held bass does not blur the peak. The windows must be
clear (one peak), alike (``ALIKE``) and agree to ``AGREE_S``; what one copy has and the other has not must be silent.
Level and polarity do not matter.

Inputs are mono sounds at 44.1 kHz; offsets are in frames at that rate, positive where the copy begins later than the
reference. Thresholds are our own choice; ``tests/core/test_align.py`` says how far from them real cases lie.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray
from scipy import fft, ndimage

from analysis_worker.core.audio import ANALYSIS_RATE, Audio
from analysis_worker.core.errors import AudioError

MOST_OFFSET_S: Final = 15.0
"""More silence than this is not put before a track by an encoder or a shop."""
AGREE_S: Final = 0.0005
"""Windows that lie further from their median than this do not agree: half a millisecond, a fiftieth of a 16th note."""
ALIKE: Final = 0.5
"""Least correlation of a window with its place. Measured: lossy copies 0.87 and more (median of a track), a limited one
0.93, unrelated music of the same tempo at most 0.14."""
CLEAR: Final = 0.9
"""A window whose second peak is nearer to its first than this tells nothing: a held tone, a buzz."""

_HOP: Final = 441
_MEAN_HOPS: Final = 101
_WINDOWS: Final = 32
_WINDOW_FRAMES: Final = ANALYSIS_RATE
_SEARCH_FRAMES: Final = 1_323
_PEAK_FRAMES: Final = 44
_CANDIDATES: Final = 6
_QUIET: Final = 10 ** (-40 / 20)
_SILENT: Final = 10 ** (-50 / 20)
_SPARE_S: Final = 0.1
"""So much sound may be missing or too much at either end: encoders pad with less."""
_SHARE: Final = 0.9
_FEWEST: Final = 3
_PARTS: Final = 16
_SHORT_FRAMES: Final = ANALYSIS_RATE // 8
_BLOCK_HOPS: Final = 8_192

_Samples = NDArray[np.float32]


@dataclass(frozen=True, slots=True)
class Sound:
    """A mono sound at 44.1 kHz that is read in pieces; ``read(first, last)`` lies inside ``frames``."""

    frames: int
    read: Callable[[int, int], _Samples]

    @classmethod
    def of(cls, audio: Audio) -> Sound:
        """The mean of the channels of a sound at the analysis rate."""
        return cls(len(audio.samples), lambda first, last: audio.samples[first:last].mean(axis=1, dtype=np.float32))

    def piece(self, first: int, last: int) -> _Samples:
        """Like ``read``, with silence for what lies outside."""
        inside = self.read(min(max(first, 0), self.frames), min(max(last, 0), self.frames))
        before = min(max(-first, 0), last - first)
        whole = np.zeros(last - first, dtype=np.float32)
        whole[before : before + len(inside)] = inside
        return whole


@dataclass(frozen=True, slots=True)
class Alignment:
    """Where a copy lies on the reference's timeline. ``agreement`` is the share of audible windows that say so."""

    offset_frames: int
    agreement: float
    gain_db: float

    @property
    def offset_us(self) -> int:
        """The offset in microseconds."""
        return round(self.offset_frames * 1_000_000 / ANALYSIS_RATE)


def align(reference: Sound, copy: Sound) -> Alignment:
    """Lay a copy on its reference. Raises ``AudioError`` with a code that begins with ``copy:`` and says why not."""
    curves = _curve(reference), _curve(copy)
    found: list[Alignment] = []
    alike = unclear = False
    for guess in _guesses(*curves):
        look = _look(reference, copy, guess * _HOP)
        alike |= look.alike
        unclear |= look.unclear
        if look.alignment is None or any(_same(look.alignment, other) for other in found):
            continue
        if _ends_fit(reference, copy, look.alignment.offset_frames):
            found.append(look.alignment)
    if len(found) == 1:
        return found[0]
    if found or unclear:
        raise AudioError("copy:unclear", f"{len(found)} places")
    if alike or _parts_alike(reference, copy, *curves):
        raise AudioError("copy:other-edit")
    if _speed_differs(reference, copy, *curves):
        raise AudioError("copy:other-speed")
    raise AudioError("copy:not-the-same")


def _curve(sound: Sound) -> NDArray[np.float64]:
    """Level of the first difference each 10 ms, in decibels less its mean over a second; without quiet noise."""
    levels = []
    step = _HOP * _BLOCK_HOPS
    for start in range(0, sound.frames, step):
        block = np.diff(sound.piece(start - 1, min(start + step, sound.frames)))
        whole = len(block) // _HOP * _HOP
        if whole:
            levels.append(np.sqrt(np.mean(np.square(block[:whole].reshape(-1, _HOP), dtype=np.float64), axis=1)))
    level = np.concatenate(levels) if levels else np.zeros(1)
    floor = 1e-3 * float(np.max(level)) + 1e-12
    decibels = 20 * np.log10(level + floor)
    curve: NDArray[np.float64] = decibels - ndimage.uniform_filter1d(decibels, _MEAN_HOPS, mode="nearest")
    return curve


def _guesses(reference: NDArray[np.float64], copy: NDArray[np.float64]) -> list[int]:
    """The likeliest offsets in hops, best first."""
    scores = _correlation(reference, copy)
    most = min(int(MOST_OFFSET_S * ANALYSIS_RATE / _HOP), len(scores) // 2 - 1)
    near = np.concatenate([scores[-most:], scores[: most + 1]]) if most > 0 else scores[:1]
    best: list[int] = []
    order = np.argsort(near)[::-1]
    for place in order[: 40 * _CANDIDATES]:
        if all(abs(int(place) - other) > 2 for other in best):
            best.append(int(place))
        if len(best) == _CANDIDATES:
            break
    return [place - max(most, 0) for place in best]


def _correlation(one: NDArray[np.float64], other: NDArray[np.float64]) -> NDArray[np.float64]:
    """Normalised circular correlation, padded; element ``n`` says how alike they are with ``other`` set ``n`` later."""
    length = fft.next_fast_len(len(one) + len(other), real=True)
    product = fft.rfft(one, length) * np.conj(fft.rfft(other, length))
    norm = float(np.linalg.norm(one) * np.linalg.norm(other))
    result: NDArray[np.float64] = fft.irfft(product, length) / max(norm, 1e-12)
    return result


@dataclass(frozen=True, slots=True)
class _Look:
    """What windows all over the track say of an offset."""

    alignment: Alignment | None
    alike: bool
    unclear: bool


def _look(reference: Sound, copy: Sound, guess: int) -> _Look:
    first, last = max(0, guess), min(reference.frames, copy.frames + guess)
    size = min(_WINDOW_FRAMES, (last - first) // 4)
    if size < _PEAK_FRAMES * 10:
        return _Look(None, alike=False, unclear=False)
    starts = np.linspace(first, last - size, _WINDOWS).astype(int)
    windows = [np.diff(reference.piece(start, start + size + 1)) for start in starts]
    levels = np.array([float(np.linalg.norm(window)) for window in windows])
    audible = levels > max(_QUIET * float(levels.max()), 1e-9)
    measured = [
        _measure(window, np.diff(copy.piece(start - guess - _SEARCH_FRAMES, start - guess + size + 1 + _SEARCH_FRAMES)))
        for start, window, heard in zip(starts, windows, audible, strict=True)
        if heard
    ]
    alike = [one for one in measured if one.score >= ALIKE]
    clear = [one for one in alike if one.second <= CLEAR * one.score]
    if len(measured) < _FEWEST or len(alike) < _FEWEST:
        return _Look(None, alike=False, unclear=False)
    if len(clear) < max(_FEWEST, len(alike) // 2):
        return _Look(None, alike=True, unclear=True)
    middle = float(np.median([one.later for one in clear]))
    agreed = [one for one in clear if abs(one.later - middle) <= AGREE_S * ANALYSIS_RATE]
    blurred = len(alike) - len(clear)
    share = len(agreed) / max(len(measured) - blurred, 1)
    if share < _SHARE:
        return _Look(None, alike=2 * len(agreed) >= len(measured), unclear=False)
    offset = guess - round(float(np.median([one.later for one in agreed])))
    gain_db = 20 * float(np.log10(np.median([one.gain for one in agreed])))
    return _Look(Alignment(offset, round(share, 3), round(gain_db, 2)), alike=True, unclear=False)


@dataclass(frozen=True, slots=True)
class _Measured:
    """A window's place: frames later in the copy than guessed, how alike, the next best place, and the copy's level."""

    later: float
    score: float
    second: float
    gain: float


def _measure(window: _Samples, around: _Samples) -> _Measured:
    size, places = len(window), len(around) - len(window) + 1
    length = fft.next_fast_len(len(around), real=True)
    products = fft.irfft(fft.rfft(around, length) * np.conj(fft.rfft(window, length)), length)[:places]
    energies = np.concatenate([[0.0], np.cumsum(np.square(around, dtype=np.float64))])
    norms = np.sqrt(np.maximum(energies[size:] - energies[:-size], 1e-18))
    level = float(np.linalg.norm(window))
    scores = np.abs(products) / (norms * level)
    peak = int(np.argmax(scores))
    apart = np.abs(np.arange(places) - peak) > _PEAK_FRAMES
    second = float(scores[apart].max()) if apart.any() else 0.0
    return _Measured(
        later=peak + _vertex(scores, peak) - _SEARCH_FRAMES,
        score=float(scores[peak]),
        second=second,
        gain=float(norms[peak]) / level,
    )


def _vertex(scores: NDArray[np.float64], peak: int) -> float:
    """Where between its neighbours a peak has its top, from -0.5 to 0.5."""
    if not 0 < peak < len(scores) - 1:
        return 0.0
    before, at, after = (float(scores[peak + step]) for step in (-1, 0, 1))
    bend = before - 2 * at + after
    return 0.5 * (before - after) / bend if bend < 0 else 0.0


def _same(one: Alignment, other: Alignment) -> bool:
    return abs(one.offset_frames - other.offset_frames) <= AGREE_S * ANALYSIS_RATE


def _ends_fit(reference: Sound, copy: Sound, offset: int) -> bool:
    """Whether nothing audible of either lies outside the other."""
    spans = (
        (reference, 0, offset),
        (reference, copy.frames + offset, reference.frames),
        (copy, 0, -offset),
        (copy, reference.frames - offset, copy.frames),
    )
    return all(_spare(sound, first, last) for sound, first, last in spans)


def _spare(sound: Sound, first: int, last: int) -> bool:
    first, last = max(first, 0), min(last, sound.frames)
    if last - first <= _SPARE_S * ANALYSIS_RATE:
        return True
    middle = sound.piece(sound.frames // 4, sound.frames // 4 + min(sound.frames // 2, 30 * ANALYSIS_RATE))
    loud = float(np.sqrt(np.mean(np.square(middle, dtype=np.float64))))
    for start in range(first, last, _HOP * _BLOCK_HOPS):
        part = sound.piece(start, min(start + _HOP * _BLOCK_HOPS, last))
        if float(np.abs(part).max(initial=0.0)) > max(4 * _SILENT * loud, 1e-6):
            return False
    return True


def _parts_alike(reference: Sound, copy: Sound, curve: NDArray[np.float64], other: NDArray[np.float64]) -> bool:
    """Whether parts of the reference are in the copy, wherever: another edit of the same recording."""
    parts, found = 8, 0
    hops = len(curve) // parts
    if hops < 50 or hops > len(other):
        return False
    for number in range(parts):
        start = number * hops
        scores = _correlation(other, curve[start : start + hops])[: len(other) - hops + 1]
        place = int(np.argmax(scores))
        at, there = (start + hops // 2) * _HOP, (place + hops // 2) * _HOP
        size = min(_WINDOW_FRAMES, hops * _HOP // 2)
        window = np.diff(reference.piece(at, at + size + 1))
        if float(np.linalg.norm(window)) < 1e-6:
            continue
        around = np.diff(copy.piece(there - _SEARCH_FRAMES, there + size + 1 + _SEARCH_FRAMES))
        found += _measure(window, around).score >= ALIKE
    return found >= 2


def _speed_differs(reference: Sound, copy: Sound, curve: NDArray[np.float64], other: NDArray[np.float64]) -> bool:
    """Whether pieces of the copy, stretched by the ratio of the lengths, are the reference's at the same place."""
    (begin, end), (other_begin, other_end) = _heard(curve), _heard(other)
    hops, other_hops = end - begin, other_end - other_begin
    if min(hops, other_hops) < 100 or hops == other_hops or not 0.5 < other_hops / hops < 2.0:
        return False
    ratio, found = other_hops / hops, 0
    for part in np.linspace(0.05, 0.9, _PARTS):
        at = begin * _HOP + int(part * hops * _HOP)
        there = other_begin * _HOP + int((at - begin * _HOP) * ratio)
        window = np.diff(reference.piece(at, at + _SHORT_FRAMES + 1))
        wide = _SHORT_FRAMES + 1 + 2 * _SEARCH_FRAMES
        away = copy.piece(there - int(_SEARCH_FRAMES * ratio), there + int((wide - _SEARCH_FRAMES) * ratio) + 2)
        around = np.diff(np.interp(np.arange(wide) * ratio, np.arange(len(away)), away).astype(np.float32))
        if float(np.linalg.norm(window)) > 1e-6:
            found += _measure(window, around).score >= ALIKE
    return found >= _PARTS // 4


def _heard(curve: NDArray[np.float64]) -> tuple[int, int]:
    """The first and the last hop between the silence at both ends."""
    heard = np.flatnonzero(np.abs(curve) > 1.0)
    return (int(heard[0]), int(heard[-1]) + 1) if len(heard) else (0, 0)
