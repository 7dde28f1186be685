"""Short pieces of a listening copy, cut to the sample, for loops and jumps that must not slip."""

from __future__ import annotations

import struct
from typing import IO, Any

LONGEST_US = 60_000_000

_HEAD = struct.Struct("<4sI4s4sIHHIIHH4sI")
_PCM, _BITS = 1, 16


class OutsideError(ValueError):
    """The piece is empty, too long, or does not lie inside the sound; or the sound cannot be read."""


def cut(source: IO[Any], start_us: int, end_us: int) -> bytes:
    """A WAV file (PCM of 16 bits) with the frames from ``start_us`` up to and without ``end_us``.

    ``source`` is an opened FLAC. A time belongs to its nearest frame: ``round(us * rate / 1e6)``, halves upwards, as
    the scripts reckon. Raises ``OutsideError``.
    """
    import soundfile  # brings numpy: only a process that cuts pays for it

    if not 0 <= start_us < end_us <= start_us + LONGEST_US:
        raise OutsideError
    try:
        opened = soundfile.SoundFile(source)
    except soundfile.SoundFileError as error:
        raise OutsideError from error
    with opened as file:
        rate, channels = file.samplerate, file.channels
        first, last = frame_of(start_us, rate), min(frame_of(end_us, rate), file.frames)
        if first >= last:
            raise OutsideError
        file.seek(first)
        sound = bytes(file.buffer_read(last - first, dtype="int16"))
    step = channels * _BITS // 8
    head = _HEAD.pack(
        b"RIFF", _HEAD.size - 8 + len(sound), b"WAVE", b"fmt ", 16, _PCM, channels, rate, rate * step, step, _BITS,
        b"data", len(sound),
    )  # fmt: skip
    return head + sound


def frame_of(time_us: int, rate: int) -> int:
    """The frame nearest to a time; halves upwards."""
    return (2 * time_us * rate + 1_000_000) // 2_000_000
