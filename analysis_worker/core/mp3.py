"""Exact length of an MP3, for a decoder that believes the header (standard library only).

libsndfile reads no more frames than the Xing header says, and without that header no more than it guesses from the
bit rate of the first frame: a variable-rate file without the header loses most of its sound (measured: 5 of 30 s are
left). So the frames are counted here, by their headers alone, and the decoder is shown the file with the right count:
in the header that is there, or in one put before the first frame. Time zero is the one that FFmpeg, and with it the
browsers, give: the delay is cut where the header names its writer and the delay, and else nothing is.
The Xing/LAME header is described at gabriel.mp3-tech.org/mp3infotag.html.
"""

from __future__ import annotations

import io
import os
from dataclasses import dataclass
from typing import TYPE_CHECKING, BinaryIO, Final

from analysis_worker.core.sniff import mpeg_frame_bytes, skip_id3

if TYPE_CHECKING:
    from _typeshed import WriteableBuffer

MP3_DECODER_DELAY: Final = 529
"""Frames by which an MP3 decoder is late of itself (ISO/IEC 11172-3 synthesis: 528, plus one)."""

_DELAY_OFFSET: Final = 21  # from the end of the Xing fields to the encoder's delay and padding, 12 bits each
_WRITER: Final = b"crewprep "  # decoders read the delay only where a writer's name stands before it
_RESYNC_BYTES: Final = 65_536
_TOLERANCE_FRAMES: Final = 1
_CHUNK: Final = 1 << 20


@dataclass(frozen=True, slots=True)
class GaplessHeader:
    """The Xing or Info header of an MP3 that also names its writer and the encoder's delay.

    ``count`` is the number of frames that it claims, written at ``count_at``; ``byte_count`` may be None.
    """

    count_at: int
    count: int
    byte_count: int | None
    delay_frames: int

    @property
    def leading_trim_frames(self) -> int:
        """What decoders cut from the start."""
        return self.delay_frames + MP3_DECODER_DELAY


def read_header(source: BinaryIO) -> tuple[int, GaplessHeader | None]:
    """Position of the first frame with sound, and the gapless header where there is one."""
    start, _ = skip_id3(source)
    frame = _read_at(source, start, 4096)
    length = mpeg_frame_bytes(frame)
    if length is None:
        return start, None
    mark = xing_offset(frame)
    if frame[mark : mark + 4] not in (b"Xing", b"Info"):
        return (start + length, None) if frame[36:40] == b"VBRI" else (start, None)
    flags, position, byte_count = frame[mark + 7], mark + 8 + 4 * (frame[mark + 7] & 1), None
    if flags & 2:
        byte_count = int.from_bytes(frame[position : position + 4], "big")
        position += 4
    position += 100 * bool(flags & 4) + 4 * bool(flags & 8)
    if not flags & 1 or len(frame) < position + _DELAY_OFFSET + 3 or not frame[position]:
        return start + length, None
    delay = int.from_bytes(frame[position + _DELAY_OFFSET :][:3], "big") >> 12
    count = int.from_bytes(frame[mark + 8 : mark + 12], "big")
    return start + length, GaplessHeader(start + mark + 8, count, byte_count, delay)


def xing_offset(frame: bytes) -> int:
    """Where in a frame the Xing or Info mark would be: after the header and the empty side information."""
    mpeg_1, mono = frame[1] & 0x08, frame[3] >> 6 == 3
    return 4 + ((17 if mono else 32) if mpeg_1 else (9 if mono else 17))


def with_true_length(source: BinaryIO) -> BinaryIO:
    """The same MP3 without the tags before it, as a file-like object whose header tells the number of frames there are.

    Returns ``source`` itself where nothing has to change, or where there is no frame at all.
    """
    tags_end, _ = skip_id3(source)
    start, header = read_header(source)
    count = count_frames(source, start)
    source.seek(0)
    if count == 0 or (tags_end == 0 and header and abs(header.count - count) <= _TOLERANCE_FRAMES):
        return source
    if header:  # a decoder does not look far behind a tag for the first frame, and some tags are followed by padding
        patched = _Patched(source, tags_end, b"", header.count_at, count.to_bytes(4, "big"))
    else:
        patched = _Patched(source, start, _lead_in(_read_at(source, start, 4), count))
    return io.BufferedReader(patched, 1 << 16)


def count_frames(source: BinaryIO, position: int) -> int:
    """Frames from ``position`` to the end, walking from header to header (two hours of sound take half a second).

    A last frame that is cut short does not count.
    """
    size = source.seek(0, os.SEEK_END)
    base, chunk = position, b""
    count = 0
    while position + 4 <= size:
        at = position - base
        if at + 4 > len(chunk):
            source.seek(position)
            base, at, chunk = position, 0, source.read(_CHUNK)
        length = mpeg_frame_bytes(chunk[at : at + 4])
        if length is not None:
            position += length
            count += position <= size
            continue
        if chunk[at : at + 3] in (b"TAG", b"APE") or size - position < 128:
            break  # ID3v1, APE and other tags end a file
        found = _resync(source, position + 1)
        if found is None:
            break
        position = found
    return count


def _resync(source: BinaryIO, position: int) -> int | None:
    """The next place where two frames follow each other, within ``_RESYNC_BYTES``."""
    window = _read_at(source, position, _RESYNC_BYTES + 4096)
    at = window.find(b"\xff")
    while 0 <= at < _RESYNC_BYTES:
        length = mpeg_frame_bytes(window[at : at + 4])
        if length is not None and mpeg_frame_bytes(window[at + length : at + length + 4]) is not None:
            return position + at
        at = window.find(b"\xff", at + 1)
    return None


def _lead_in(first: bytes, count: int) -> bytes:
    """A frame with a Xing mark and a silent frame, in the same form as ``first``, to put before it.

    A decoder that sees the mark cuts the named delay and its own from the start. Together they are made exactly as
    long as the silent frame, so that the sound begins where it would without the mark.
    """
    # Bit rate index 8 makes room for the mark in every form; no checksum, no padding.
    head = bytes((first[0], first[1] | 1, 0x80 | first[2] & 0x0C, first[3]))
    length = mpeg_frame_bytes(head) or 0
    mark = xing_offset(head)
    delay = (1_152 if head[1] & 0x08 else 576) - MP3_DECODER_DELAY
    frame = head + bytes(mark - 4) + b"Xing" + (1).to_bytes(4, "big") + (count + 1).to_bytes(4, "big")
    frame += _WRITER + bytes(_DELAY_OFFSET - len(_WRITER)) + (delay << 12).to_bytes(3, "big")
    return frame + bytes(length - len(frame)) + head + bytes(length - 4)


def _read_at(source: BinaryIO, position: int, length: int) -> bytes:
    source.seek(position)
    return source.read(length)


class _Patched(io.RawIOBase):
    """A file from ``start`` on, after ``prefix``; or a whole file in which ``patch`` replaces the bytes at ``at``."""

    def __init__(self, source: BinaryIO, start: int, prefix: bytes, at: int = 0, patch: bytes = b"") -> None:
        self._source, self._start, self._prefix = source, start, prefix
        self._at, self._patch = at, patch
        self._position = 0
        self._size = len(prefix) + source.seek(0, os.SEEK_END) - start

    def readable(self) -> bool:
        return True

    def seekable(self) -> bool:
        return True

    def tell(self) -> int:
        return self._position

    def seek(self, offset: int, whence: int = os.SEEK_SET) -> int:
        base = {os.SEEK_SET: 0, os.SEEK_CUR: self._position, os.SEEK_END: self._size}[whence]
        self._position = max(0, base + offset)
        return self._position

    def readinto(self, buffer: WriteableBuffer) -> int:
        view = memoryview(buffer).cast("B")
        data = self._prefix[self._position :][: len(view)]
        if not data:
            place = self._start + self._position - len(self._prefix)
            data = self._mended(_read_at(self._source, place, len(view)), place)
        view[: len(data)] = data
        self._position += len(data)
        return len(data)

    def _mended(self, data: bytes, place: int) -> bytes:
        if not self._patch or place + len(data) <= self._at or place >= self._at + len(self._patch):
            return data
        mended = bytearray(data)
        for index, value in enumerate(self._patch, self._at - place):
            if 0 <= index < len(mended):
                mended[index] = value
        return bytes(mended)
