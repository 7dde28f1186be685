"""Lowest and highest samples at four scales, to draw any stretch of a track from a few kilobytes.

One file beside the listening copy, made while the canonical decode streams past. Little-endian, without gaps:

======  =====  ==========================================================================
offset  bytes  meaning
======  =====  ==========================================================================
0       4      ``CPPK``
4       1      version of this form, 1
5       1      number of levels, 4
6       2      zero
8       4      sample rate in hertz
12      8      frames of the canonical decode
20      12     for each level: samples per pair (4 bytes), where its pairs begin in the file (8 bytes)
68      …      the pairs of each level in order of time: lowest, highest (int8; 127 is full scale)
======  =====  ==========================================================================

A pair covers its samples of all channels; the last one of a level may cover fewer. Lowest values are rounded down and
highest ones up, so that no peak is lost; what lies beyond full scale is drawn at it. Pair ``n`` of a level begins at
frame ``n * samples``, so a window is fetched by one range of bytes. Six minutes take 0.66 MB.
"""

from __future__ import annotations

import struct
from collections.abc import Iterator
from contextlib import contextmanager
from typing import BinaryIO

import numpy as np
from numpy.typing import NDArray

MAGIC = b"CPPK"
VERSION = 1
LEVELS = (64, 256, 1024, 4096)

_HEAD = struct.Struct("<4sBBHIQ")
_LEVEL = struct.Struct("<IQ")
_FULL_SCALE = 127


class PeaksWriter:
    """Takes blocks of shape (frames, channels)."""

    def __init__(self) -> None:
        self.frames = 0
        self._rest = np.zeros((0, 1), dtype=np.float32)
        self._pairs: list[NDArray[np.int8]] = []

    def write(self, block: NDArray[np.float32]) -> None:
        """Append a block."""
        self.frames += len(block)
        rest = np.concatenate([self._rest, block]) if len(self._rest) else block
        whole = len(rest) // LEVELS[0]
        self._add(rest[: whole * LEVELS[0]].reshape(whole, LEVELS[0] * rest.shape[1]))
        self._rest = rest[whole * LEVELS[0] :].copy()

    def document(self, sample_rate: int) -> bytes:
        """The file of all that was written; nothing may be written after."""
        self._add(self._rest.reshape(min(1, len(self._rest)), self._rest.size))
        levels = [np.concatenate(self._pairs) if self._pairs else np.zeros((0, 2), dtype=np.int8)]
        for samples, finer in zip(LEVELS[1:], LEVELS[:-1], strict=True):
            starts = np.arange(0, len(levels[-1]), samples // finer)
            lowest, highest = levels[-1][:, 0], levels[-1][:, 1]
            pairs = (np.minimum.reduceat(lowest, starts), np.maximum.reduceat(highest, starts)) if len(starts) else ()
            levels.append(np.stack(pairs, axis=1) if pairs else levels[-1])
        head = _HEAD.pack(MAGIC, VERSION, len(LEVELS), 0, sample_rate, self.frames)
        begins = len(head) + len(LEVELS) * _LEVEL.size
        for samples, level in zip(LEVELS, levels, strict=True):
            head += _LEVEL.pack(samples, begins)
            begins += level.nbytes
        return head + b"".join(level.tobytes() for level in levels)

    def _add(self, rows: NDArray[np.float32]) -> None:
        if rows.size:
            pairs = np.stack(
                [np.floor(rows.min(axis=1) * _FULL_SCALE), np.ceil(rows.max(axis=1) * _FULL_SCALE)], axis=1
            )
            self._pairs.append(np.clip(pairs, -_FULL_SCALE, _FULL_SCALE).astype(np.int8))


@contextmanager
def peaks_writer(target: BinaryIO, *, sample_rate: int) -> Iterator[PeaksWriter]:
    """A writer whose file is written at the end."""
    writer = PeaksWriter()
    yield writer
    target.write(writer.document(sample_rate))


def read_peaks(document: bytes) -> tuple[int, int, dict[int, NDArray[np.int8]]]:
    """Sample rate, frames, and the pairs of each level, shape (pairs, 2), by its samples per pair.

    Raises ``ValueError`` for what ``PeaksWriter`` did not make.
    """
    try:
        magic, version, count, _, sample_rate, frames = _HEAD.unpack_from(document)
        found = [_LEVEL.unpack_from(document, _HEAD.size + number * _LEVEL.size) for number in range(count)]
    except struct.error as error:
        raise ValueError("no peaks") from error
    if magic != MAGIC or version != VERSION or tuple(samples for samples, _ in found) != LEVELS:
        raise ValueError("not this form of peaks")
    levels = {}
    for samples, begins in found:
        pairs = -(-frames // samples)
        levels[samples] = np.frombuffer(document, dtype=np.int8, count=2 * pairs, offset=begins).reshape(pairs, 2)
    return sample_rate, frames, levels
