"""Formats by their signatures (the standards are named in ``sniff``) and the endings that go with them."""

from __future__ import annotations

from io import BytesIO

import numpy as np
import pytest

from analysis_worker.core.sniff import EXTENSIONS, MEDIA_TYPES, mpeg_frame_bytes, name_fits, sniff
from tests.core.sounds import encoded, m4a

SILENCE = np.zeros((44_100, 2), np.float32)

MADE = {
    "wav": lambda: encoded(SILENCE, "WAV", "PCM_16"),
    "rf64": lambda: encoded(SILENCE, "RF64", "PCM_16"),
    "flac": lambda: encoded(SILENCE, "FLAC", "PCM_16"),
    "aiff": lambda: encoded(SILENCE, "AIFF", "PCM_16"),
    "mp3": lambda: encoded(SILENCE, "MP3", "MPEG_LAYER_III"),
    "vorbis": lambda: encoded(SILENCE, "OGG", "VORBIS"),
    "opus": lambda: encoded(SILENCE, "OGG", "OPUS", 48_000),
    "m4a": lambda: m4a(SILENCE, "aac"),
}


@pytest.mark.parametrize("audio_format", MADE)
def test_every_format_is_known_and_has_endings(audio_format: str):
    source = BytesIO(MADE[audio_format]())
    assert sniff(source) == audio_format
    assert source.tell() == 0
    assert all(name_fits(f"Track{ending.upper()}", audio_format) for ending in EXTENSIONS[audio_format])
    assert not name_fits("track.exe", audio_format)
    assert not name_fits("track", audio_format)
    assert MEDIA_TYPES[audio_format].startswith("audio/")


@pytest.mark.parametrize(
    "data",
    [
        b"",
        b"R",
        b"RIFF\0\0\0\0AVI LIST",
        b"FORM\0\0\0\0ILBM",
        b"OggS",
        b"OggS" + bytes(22) + b"\1\x1e\x80theora" + bytes(40),
        b"\0\0\0\x18ftypqt  " + bytes(40),
        b"\0\0\0\x20ftypavif" + bytes(40),
        b"\xff\xd8\xff\xe0\0\x10JFIF" + bytes(100),
        b"\xff\xfb\x90\x64" + b"no second frame follows" * 40,
        b"\xff\xfe<\0h\0t\0m\0l\0" * 100,
        b"\x89PNG\r\n\x1a\n",
        b"%PDF-1.7",
        b"PK\x03\x04",
        b"<svg xmlns='http://www.w3.org/2000/svg'/>",
        b"ID3\x03\0\0\0\0\0\0ffconcat version 1.0\nfile x\n",
    ],
)
def test_everything_else_is_unknown(data: bytes):
    assert sniff(BytesIO(data)) is None


def test_frame_lengths_of_mpeg_audio():
    """Examples by the formula of ISO/IEC 11172-3, 2.4.3.1: 144 x bit rate / sample rate (72 for the low rates)."""
    assert mpeg_frame_bytes(b"\xff\xfb\x90\x64") == 417  # 128 kbit/s, 44.1 kHz
    assert mpeg_frame_bytes(b"\xff\xfb\x92\x64") == 418  # the same, padded
    assert mpeg_frame_bytes(b"\xff\xfb\xe4\x64") == 960  # 320 kbit/s, 48 kHz
    assert mpeg_frame_bytes(b"\xff\xe3\x18\xc4") == 72  # 8 kbit/s, 8 kHz
    for other in (
        b"\xff\xfd\x90\x64",
        b"\xff\xfb\xf0\x64",
        b"\xff\xfb\x00\x64",
        b"\xff\xfb\x9c\x64",
        b"\xff\xeb\x90\x64",
    ):
        assert mpeg_frame_bytes(other) is None
