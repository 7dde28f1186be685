"""What the container of a sound file says about itself, without decoding (standard library only).

Three questions, because no decoder answers them: does the file end before its header says, how much of it is tags and
pictures, and how many frames will an MP3 decoder cut from the start. All reads are bounded; sizes are taken as claims.
Sources are named in ``sniff`` and ``mp3``.
"""

from __future__ import annotations

import os
from collections.abc import Iterator
from dataclasses import dataclass
from typing import BinaryIO, Final

from analysis_worker.core.errors import AudioError
from analysis_worker.core.limits import Limits
from analysis_worker.core.mp3 import read_header
from analysis_worker.core.sniff import EXTENSIONS, name_fits, skip_id3, sniff, suffix

_MAX_CHUNKS: Final = 10_000
_KNOWN_SUFFIXES: Final = frozenset(ending for endings in EXTENSIONS.values() for ending in endings)
_UNKNOWN_SIZES: Final = (0, 0x7FFF_F000, 0xFFFF_FFFF)  # what programs write that could not go back to fill it in


@dataclass(frozen=True, slots=True)
class Layout:
    """``tag_bytes``: claimed size of all that is not sound; ``leading_trim_frames``: for MP3 with a gapless header."""

    truncated: bool = False
    tag_bytes: int = 0
    leading_trim_frames: int = 0


def admit(source: BinaryIO, *, limits: Limits, format_hint: str = "") -> tuple[str, Layout]:
    """(format, layout) of a seekable file that a decoder may see, by its size, signature, name and tags alone.

    ``format_hint`` is the file's name or its ending; a known ending that does not fit the content is refused, ``""``
    goes by the content alone. Raises ``AudioError``.
    """
    size = source.seek(0, os.SEEK_END)
    if size == 0:
        raise AudioError("audio:empty", "0 bytes")
    if size > limits.max_bytes:
        raise AudioError("audio:too-large", f"{size} bytes")
    audio_format = sniff(source)
    if audio_format is None:
        raise AudioError("audio:not-audio", "no known signature")
    if suffix(format_hint) in _KNOWN_SUFFIXES and not name_fits(format_hint, audio_format):
        raise AudioError("audio:not-audio", f"{audio_format} under the name of {suffix(format_hint)}")
    layout = inspect(source, audio_format)
    if size >= layout.tag_bytes > limits.max_tag_bytes:
        raise AudioError("audio:tags-too-large", f"{layout.tag_bytes} bytes")
    return audio_format, layout


def inspect(source: BinaryIO, audio_format: str) -> Layout:
    """Read the layout of a file whose format ``sniff`` has named. Leaves the position at 0, raises nothing."""
    size = source.seek(0, os.SEEK_END)
    try:
        return _INSPECTORS[audio_format](source, size)
    finally:
        source.seek(0)


def _chunks(source: BinaryIO, size: int, byteorder: str, start: int = 12) -> Iterator[tuple[bytes, int, int]]:
    """(name, position of the content, claimed length) of each chunk of a RIFF or IFF file."""
    position = start
    for _ in range(_MAX_CHUNKS):
        source.seek(position)
        head = source.read(8)
        if len(head) < 8:
            return
        length = int.from_bytes(head[4:], "little" if byteorder == "little" else "big")
        yield head[:4], position + 8, length
        position += 8 + length + (length & 1)
        if position >= size:
            return


def _inspect_riff(source: BinaryIO, size: int) -> Layout:
    tags, truncated, long_length = 0, False, None
    for name, position, length in _chunks(source, size, "little"):
        if name == b"ds64":  # EBU Tech 3306: RIFF size, then data size, 64 bits each
            source.seek(position + 8)
            long_length = int.from_bytes(source.read(8), "little")
        elif name == b"data":
            if long_length is not None and length == 0xFFFF_FFFF:
                truncated = position + long_length > size
                break
            truncated = length not in _UNKNOWN_SIZES and position + length > size
        elif name != b"fmt ":
            tags += length
    return Layout(truncated, tags)


def _inspect_aiff(source: BinaryIO, size: int) -> Layout:
    tags, truncated = 0, False
    for name, position, length in _chunks(source, size, "big"):
        if name == b"SSND":
            truncated = length not in _UNKNOWN_SIZES and position + length > size
        elif name not in (b"COMM", b"FVER"):
            tags += length
    return Layout(truncated, tags)


def _inspect_flac(source: BinaryIO, size: int) -> Layout:
    start, tags = skip_id3(source)
    position = start + 4
    for _ in range(_MAX_CHUNKS):
        source.seek(position)
        head = source.read(4)
        if len(head) < 4:
            break
        length = int.from_bytes(head[1:], "big")
        if head[0] & 0x7F:  # every block but STREAMINFO
            tags += length
        position += 4 + length
        if head[0] & 0x80:
            break
    return Layout(False, tags)  # only the decode shows whether the end is there


def _inspect_mp3(source: BinaryIO, size: int) -> Layout:
    sound, tags = skip_id3(source)
    _, header = read_header(source)
    if header is None:
        return Layout(False, tags)
    # Some writers leave their own header frame out of the number of bytes, some tags at the end: allow a little.
    truncated = header.byte_count is not None and sound + header.byte_count > size + 4096
    return Layout(truncated, tags, header.leading_trim_frames)


def _inspect_ogg(source: BinaryIO, size: int) -> Layout:
    """Tags: the pages before the first one that ends in sound. Truncated: no page near the end closes the stream."""
    tags, position = 0, 0
    for _ in range(_MAX_CHUNKS):
        source.seek(position)
        head = source.read(27 + 255)
        if len(head) < 27 or head[:4] != b"OggS":
            break
        if int.from_bytes(head[6:14], "little", signed=True) > 0:
            break
        length = 27 + head[26] + sum(head[27 : 27 + head[26]])
        tags += length
        position += length
    source.seek(max(0, size - 2 * 65_307))
    tail = source.read()
    last = tail.rfind(b"OggS")
    closed = last >= 0 and len(tail) > last + 5 and bool(tail[last + 5] & 0x04)
    return Layout(not closed or not _page_complete(tail[last:]), tags)


def _page_complete(page: bytes) -> bool:
    return len(page) >= 27 and len(page) >= 27 + page[26] + sum(page[27 : 27 + page[26]])


def _inspect_m4a(source: BinaryIO, size: int) -> Layout:
    tags, position = 0, 0
    for _ in range(_MAX_CHUNKS):
        source.seek(position)
        head = source.read(16)
        if len(head) < 8:
            break
        length = int.from_bytes(head[:4], "big")
        if length == 1:
            length = int.from_bytes(head[8:16], "big")
        elif length == 0:
            length = size - position
        if length < 8:
            break
        if position + length > size:
            return Layout(True, tags)
        if head[4:8] != b"mdat":
            tags += length
        position += length
    return Layout(False, tags)


_INSPECTORS: Final = {
    "wav": _inspect_riff,
    "rf64": _inspect_riff,
    "aiff": _inspect_aiff,
    "flac": _inspect_flac,
    "mp3": _inspect_mp3,
    "vorbis": _inspect_ogg,
    "opus": _inspect_ogg,
    "m4a": _inspect_m4a,
}
