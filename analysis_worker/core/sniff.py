"""Which sound format a file is, by its first bytes alone (standard library only; nothing is decoded here).

The web process uses this on an upload, the decoder uses it again before it opens a file: a text that names other
files (a play list, a concatenation script, a session description) never reaches a decoder, whatever it is called.

Signatures: RIFF/WAVE (IBM and Microsoft 1991), RF64 (EBU Tech 3306), FLAC (RFC 9639), AIFF (Apple 1989), MPEG audio
(ISO/IEC 11172-3 and 13818-3), ID3v2 (id3.org), Ogg (RFC 3533), Vorbis I, Opus (RFC 7845), ISO base media (14496-12).
"""

from __future__ import annotations

import os
from pathlib import PurePosixPath
from typing import BinaryIO, Final

HEAD_BYTES: Final = 64

EXTENSIONS: Final[dict[str, tuple[str, ...]]] = {
    "wav": (".wav", ".wave"),
    "rf64": (".wav", ".wave", ".rf64"),
    "flac": (".flac",),
    "aiff": (".aif", ".aiff", ".aifc"),
    "mp3": (".mp3",),
    "vorbis": (".ogg", ".oga"),
    "opus": (".opus", ".ogg"),
    "m4a": (".m4a", ".mp4"),
}
"""Format name → the endings that a file of this format may have (lower case)."""

MEDIA_TYPES: Final[dict[str, str]] = {
    "wav": "audio/wav",
    "rf64": "audio/wav",
    "flac": "audio/flac",
    "aiff": "audio/aiff",
    "mp3": "audio/mpeg",
    "vorbis": "audio/ogg",
    "opus": "audio/ogg",
    "m4a": "audio/mp4",
}
"""Format name → the type under which such a file is served; never taken from the uploader."""

_M4A_BRANDS: Final = frozenset(
    (b"M4A ", b"M4B ", b"mp41", b"mp42", b"isom", b"iso2", b"iso3", b"iso4", b"iso5", b"iso6", b"dash")
)
_MAX_ID3_TAGS: Final = 4
_MAX_PADDING: Final = 65_536


def sniff(source: BinaryIO) -> str | None:
    """Name of the format of a seekable binary file, or None for anything that we do not read.

    Reads a few hundred bytes: the start, and what follows any ID3v2 tags there. Leaves the position at 0.
    """
    try:
        end, _ = skip_id3(source)
        source.seek(end)
        head = source.read(HEAD_BYTES)
        if end == 0:
            return _sniff_head(head) or _mpeg_audio(source, 0)
        if head.startswith(b"fLaC"):
            return "flac"
        if not head:  # the tag claims to reach beyond the end of the file: the decoder will say what is wrong
            return "mp3"
        return _mpeg_audio(source, end)
    finally:
        source.seek(0)


def name_fits(name: str, audio_format: str) -> bool:
    """Whether a file of this format may carry this name: its ending is one of ``EXTENSIONS``."""
    return suffix(name) in EXTENSIONS.get(audio_format, ())


def suffix(name: str) -> str:
    """The ending of a file name in lower case with its dot (``".mp3"``), or ``""``."""
    return PurePosixPath(name).suffix.lower()


def skip_id3(source: BinaryIO) -> tuple[int, int]:
    """Position after the ID3v2 tags at the start of a file, and the bytes that they claim (0, 0 without tags).

    Padding after a tag is skipped as well. The position may lie beyond the end of the file: tags can lie.
    """
    position = 0
    for _ in range(_MAX_ID3_TAGS):
        source.seek(position)
        head = source.read(10)
        if len(head) < 10 or not head.startswith(b"ID3") or any(byte & 0x80 for byte in head[6:10]):
            break
        size = head[6] << 21 | head[7] << 14 | head[8] << 7 | head[9]
        position += 10 + size + (10 if head[5] & 0x10 else 0)
    if position == 0:
        return 0, 0
    source.seek(position)
    padding = source.read(_MAX_PADDING)
    return position + len(padding) - len(padding.lstrip(b"\0")), position


def mpeg_frame_bytes(head: bytes) -> int | None:
    """Length in bytes of the MPEG layer III frame that starts with these four bytes, or None if none does.

    ISO/IEC 11172-3 and 13818-3, clause 2.4.2.3; "free format" frames are not accepted.
    """
    if len(head) < 4 or head[0] != 0xFF or head[1] & 0xE6 != 0xE2:
        return None
    version, bitrate_index, rate_index = head[1] >> 3 & 3, head[2] >> 4, head[2] >> 2 & 3
    if version == 1 or bitrate_index in (0, 15) or rate_index == 3:
        return None
    kbps = (_KBPS_1 if version == 3 else _KBPS_2)[bitrate_index]
    sample_rate = _RATES[rate_index] >> {3: 0, 2: 1, 0: 2}[version]
    return (144 if version == 3 else 72) * kbps * 1000 // sample_rate + (head[2] >> 1 & 1)


_RATES: Final = (44_100, 48_000, 32_000)
_KBPS_1: Final = (0, 32, 40, 48, 56, 64, 80, 96, 112, 128, 160, 192, 224, 256, 320)
_KBPS_2: Final = (0, 8, 16, 24, 32, 40, 48, 56, 64, 80, 96, 112, 128, 144, 160)


def _mpeg_audio(source: BinaryIO, start: int) -> str | None:
    """``"mp3"`` where two frames follow each other at ``start`` (or one ends the file exactly)."""
    source.seek(start)
    length = mpeg_frame_bytes(source.read(4))
    if length is None:
        return None
    source.seek(start + length)
    following = source.read(4)
    if not following:
        return "mp3" if source.seek(0, os.SEEK_END) == start + length else None
    return "mp3" if mpeg_frame_bytes(following) is not None else None


def _sniff_head(head: bytes) -> str | None:
    if head[:4] == b"RIFF" and head[8:12] == b"WAVE":
        return "wav"
    if head[:4] == b"RF64" and head[8:12] == b"WAVE":
        return "rf64"
    if head[:4] == b"fLaC":
        return "flac"
    if head[:4] == b"FORM" and head[8:12] in (b"AIFF", b"AIFC"):
        return "aiff"
    if head[:4] == b"OggS" and len(head) > 28:
        return _sniff_ogg(head[27 + head[26] :])
    if head[4:8] == b"ftyp" and 16 <= int.from_bytes(head[:4], "big") <= 1024 and head[8:12] in _M4A_BRANDS:
        return "m4a"
    return None


def _sniff_ogg(packet: bytes) -> str | None:
    if packet.startswith(b"\x01vorbis"):
        return "vorbis"
    if packet.startswith(b"OpusHead"):
        return "opus"
    return None
