"""The stored form of the contour: one run of bytes, kept as base64 text among the facts (standard library only).

Little-endian, without gaps:

======  =====  ==========================================================================
offset  bytes  meaning
======  =====  ==========================================================================
0       4      ``CPCT``
4       1      version of this form, 1
5       1      number of series, 3 in this order: loudness, low end, onsets
6       2      steps per beat
8       4      beats: spans between neighbouring beats of the grid, or seconds where there is none
12      …      the series one after another, ``beats * steps`` bytes each, values 0 to 255 in order of time
======  =====  ==========================================================================

Sixteen steps of three series take 48 bytes a beat: 61 KB for ten minutes at 128 BPM, a third more as base64.
"""

from __future__ import annotations

import base64
import binascii
import struct
from collections.abc import Sequence

MAGIC = b"CPCT"
VERSION = 1

_HEADER = struct.Struct("<4sBBHI")


def pack(steps_per_beat: int, series: Sequence[Sequence[int]]) -> str:
    """The text of series of equal length, a multiple of ``steps_per_beat``; else ``ValueError``."""
    length = len(series[0]) if series else 0
    beats, rest = divmod(length, steps_per_beat)
    if rest or any(len(values) != length for values in series):
        raise ValueError("the series of a contour are whole beats of one length")
    header = _HEADER.pack(MAGIC, VERSION, len(series), steps_per_beat, beats)
    return base64.b64encode(header + b"".join(bytes(values) for values in series)).decode("ascii")


def unpack(text: str) -> tuple[int, tuple[tuple[int, ...], ...]]:
    """Steps per beat and the series; raises ``ValueError`` for what ``pack`` did not make."""
    try:
        data = base64.b64decode(text, validate=True)
        magic, version, count, steps, beats = _HEADER.unpack_from(data)
    except (binascii.Error, struct.error) as error:
        raise ValueError("no contour") from error
    length = steps * beats
    if magic != MAGIC or version != VERSION or len(data) != _HEADER.size + count * length:
        raise ValueError("not this form of contour")
    body = data[_HEADER.size :]
    return steps, tuple(tuple(body[place * length : (place + 1) * length]) for place in range(count))
