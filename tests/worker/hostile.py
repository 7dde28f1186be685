"""Makes the files that a decoder must survive: small, quick, and each with the answer that is right for it.

A case is a file name with its bytes and the expected outcome: a code of refusal, or None with the warnings. Bombs are
built frame by frame (RFC 9639 for FLAC, RFC 3533 for Ogg, ISO/IEC 13818-3 for MPEG audio), so that hours of sound take
kilobytes and no time to write.
"""

from __future__ import annotations

import struct
import zlib
from collections.abc import Iterator
from dataclasses import dataclass
from io import BytesIO
from pathlib import Path

import numpy as np
import soundfile

RATE = 44_100


@dataclass(frozen=True)
class Case:
    """``refused`` is the expected code or None; ``warnings`` go with an accepted file."""

    name: str
    data: bytes
    refused: str | None = None
    warnings: tuple[str, ...] = ()

    def write(self, folder: Path) -> Path:
        path = folder / self.name
        path.write_bytes(self.data)
        return path


def tone(seconds: float = 3.0, *, rate: int = RATE, channels: int = 2) -> np.ndarray:
    """A quiet sine with a little noise, shape (frames, channels)."""
    frames = int(seconds * rate)
    noise = np.random.default_rng(7).standard_normal((frames, channels)) * 0.02
    return (0.3 * np.sin(2 * np.pi * 220 * np.arange(frames) / rate)[:, None] + noise).astype(np.float32)


def encoded(samples: np.ndarray, container: str, subtype: str, rate: int = RATE) -> bytes:
    """The samples as a file, written block by block."""
    buffer = BytesIO()
    with soundfile.SoundFile(buffer, "w", rate, samples.shape[1], subtype, format=container) as file:
        for start in range(0, len(samples), 8_192):
            file.write(samples[start : start + 8_192])
    return buffer.getvalue()


def wav(data: bytes, *, rate: int = RATE, channels: int = 2, bits: int = 16, code: int = 1, claim: int = -1) -> bytes:
    """A WAV by hand; ``claim`` replaces the length of the data chunk."""
    block = channels * bits // 8
    form = struct.pack("<HHIIHH", code, channels, rate, rate * block & 0xFFFFFFFF, block & 0xFFFF, bits)
    claim = len(data) if claim < 0 else claim
    body = b"fmt " + struct.pack("<I", 16) + form + b"data" + struct.pack("<I", claim) + data
    return b"RIFF" + struct.pack("<I", min(0xFFFFFFFF, claim + 36)) + b"WAVE" + body


def rf64(data: bytes, *, claim: int) -> bytes:
    """An RF64 (EBU Tech 3306) whose ds64 chunk claims ``claim`` bytes of sound."""
    ds64 = b"ds64" + struct.pack("<IQQQI", 28, claim + 72, claim, claim // 4, 0)
    form = b"fmt " + struct.pack("<IHHIIHH", 16, 1, 2, RATE, RATE * 4, 4, 16)
    return b"RF64" + b"\xff" * 4 + b"WAVE" + ds64 + form + b"data" + b"\xff" * 4 + data


def flac_silence(seconds: float, *, rate: int = RATE, claim: int | None = None) -> bytes:
    """Mono silence in constant subframes of 65,535 frames, 15 bytes each; ``claim`` replaces the header's total."""
    total = int(seconds * rate)
    size = 65_535
    info = struct.pack(">HH", size, size) + bytes(6)
    claimed = total if claim is None else claim
    info += (rate << 44 | 0 << 41 | 15 << 36 | claimed).to_bytes(8, "big") + bytes(16)
    out = bytearray(b"fLaC\x80" + len(info).to_bytes(3, "big") + info)
    for number in range(-(-total // size)):
        head = b"\xff\xf8\x70\x08" + _utf8(number) + (size - 1).to_bytes(2, "big")
        frame = head + bytes([_crc(head, 8, 0x07)]) + b"\0\0\0"
        out += frame + _crc(frame, 16, 0x8005).to_bytes(2, "big")
    return bytes(out)


def vorbis_silence(seconds: float) -> bytes:
    """Silence at 8 kHz: one packet of a real encoder, repeated over pages of 255 packets."""
    rate = 8_000
    pages = list(_ogg_pages(encoded(np.zeros((rate * 20, 1), np.float32), "OGG", "VORBIS", rate)))
    heads = [page for page in pages if page.granule == 0]
    packet = next(page for page in pages if page.granule > 0).packets[20]
    frames_each = (1 << (heads[0].packets[0][28] >> 4)) // 2
    out = b"".join(page.raw for page in heads)
    count = int(seconds * rate / frames_each / 255) + 1
    for index in range(count):
        last = 4 if index == count - 1 else 0
        head = struct.pack(
            "<4sBBqIIIB", b"OggS", 0, last, (index + 1) * 255 * frames_each, heads[0].serial, len(heads) + index, 0, 255
        )
        page = bytearray(head + bytes([len(packet)]) * 255 + packet * 255)
        page[22:26] = _ogg_crc(page).to_bytes(4, "little")
        out += page
    return out


def mp3_silence(seconds: float) -> bytes:
    """Silence as MPEG-2.5 layer III, 8 kHz mono at 8 kbit/s: 72 bytes for 72 ms."""
    return (b"\xff\xe3\x18\xc4" + bytes(68)) * int(seconds / 0.072)


def id3(*frames: tuple[bytes, bytes], claim: int | None = None) -> bytes:
    """An ID3v2.3 tag of (name, content) frames; ``claim`` replaces its length."""
    body = b"".join(name + struct.pack(">IH", len(content), 0) + content for name, content in frames)
    size = len(body) if claim is None else claim
    return b"ID3\x03\0\0" + bytes(size >> shift & 0x7F for shift in (21, 14, 7, 0)) + body


NEIGHBOUR = "neighbour.wav"

PLAYLISTS = (
    Case("concat.mp3", f"ffconcat version 1.0\nfile {NEIGHBOUR}\n".encode(), "audio:not-audio"),
    Case(
        "hls.mp3",
        b"#EXTM3U\n#EXT-X-TARGETDURATION:5\n#EXTINF:5,\nhttp://127.0.0.1:9/a.ts\n#EXT-X-ENDLIST\n",
        "audio:not-audio",
    ),
    Case("list.flac", f"#EXTM3U\n{NEIGHBOUR}\n".encode(), "audio:not-audio"),
    Case("list.wav", f"[playlist]\nFile1={NEIGHBOUR}\nNumberOfEntries=1\nVersion=2\n".encode(), "audio:not-audio"),
    Case(
        "session.ogg",
        b"v=0\no=- 0 0 IN IP4 127.0.0.1\ns=x\nc=IN IP4 127.0.0.1\nm=audio 9 RTP/AVP 0\n",
        "audio:not-audio",
    ),
    Case(
        "sheet.aiff", f'FILE "{NEIGHBOUR}" WAVE\n  TRACK 01 AUDIO\n    INDEX 01 00:00:00\n'.encode(), "audio:not-audio"
    ),
    Case(
        "list.m4a",
        f'<?xml version="1.0"?><playlist xmlns="http://xspf.org/ns/0/"><trackList><track><location>'
        f"{NEIGHBOUR}</location></track></trackList></playlist>".encode(),
        "audio:not-audio",
    ),
    Case(
        "manifest.opus",
        b'<?xml version="1.0"?><MPD type="static"><Period><BaseURL>http://127.0.0.1:9/</BaseURL></Period></MPD>',
        "audio:not-audio",
    ),
)
"""Texts that make a careless decoder open another file or an address."""


def good() -> list[Case]:
    """Sound files as they should be, one for each family of decoder."""
    samples = tone()
    return [
        Case("good.wav", encoded(samples, "WAV", "PCM_24")),
        Case("good.flac", encoded(samples, "FLAC", "PCM_16")),
        Case("good.aiff", encoded(samples, "AIFF", "PCM_16")),
        Case("good.mp3", encoded(samples, "MP3", "MPEG_LAYER_III")),
        Case("good.ogg", encoded(samples, "OGG", "VORBIS")),
    ]


def hostile() -> list[Case]:
    """Everything else: lies, bombs, damage, strange forms, tags. At least the cases that the design lists."""
    half_second = bytes(RATE // 2 * 4)
    two_seconds = (tone(2.0) * 32_000).astype("<i2").tobytes()
    mp3 = encoded(tone(5.0), "MP3", "MPEG_LAYER_III")
    broken = tone(2.0)
    broken[50_000, 0], broken[60_000, 1] = np.nan, np.inf
    markup = b"\x01\xff\xfe" + "<script>alert(1)</script>\u202e=HYPERLINK(1)".encode("utf-16-le")
    art = b"\0image/png\0\x03\0" + bytes(17 * 1024 * 1024)
    zeros = bytes(96_000)
    return [
        Case("cut.wav", wav(two_seconds, claim=RATE * 4 * 60), None, ("audio:truncated",)),
        Case("claims-4-gb.wav", wav(half_second, claim=0xFFFF_FF00), "audio:too-short"),
        Case("claims-4-gb-rf64.wav", rf64(half_second, claim=1 << 32), "audio:too-short"),
        Case("nothing.wav", b"", "audio:empty"),
        Case("no-sound.wav", wav(b""), "audio:empty"),
        Case("3-hours.flac", flac_silence(3 * 3600), "audio:too-long"),
        Case("24-hours.flac", flac_silence(24 * 3600, rate=8_000), "audio:too-long"),
        Case("3-hours-untold.flac", flac_silence(3 * 3600, rate=8_000, claim=0), "audio:too-long"),
        Case("3-hours-told-as-2-seconds.flac", flac_silence(3 * 3600, rate=8_000, claim=16_000), None),
        Case("68-billion.flac", flac_silence(2.0, claim=(1 << 36) - 1), "audio:too-long"),
        Case("3-hours.ogg", vorbis_silence(3 * 3600), "audio:too-long"),
        Case("3-hours.mp3", mp3_silence(3 * 3600), "audio:too-long"),
        Case("damaged.mp3", _damaged(mp3, 400), None, ("audio:damaged",)),
        Case("not-numbers.wav", encoded(broken, "WAV", "FLOAT"), "audio:non-finite"),
        Case("96-channels.wav", wav(bytes(96 * 2 * RATE), channels=96), "audio:channels"),
        Case("1024-channels.wav", wav(bytes(1024 * 2 * 4_410), channels=1024), "audio:channels"),
        Case("65535-channels.wav", wav(zeros, channels=65_535), "audio:unreadable"),
        Case("1-hz.wav", wav(zeros, rate=1), "audio:sample-rate"),
        Case("0-hz.wav", wav(zeros, rate=0), "audio:unreadable"),
        Case("768-khz.wav", wav(zeros, rate=768_000), "audio:sample-rate"),
        Case("2-billion-hz.wav", wav(zeros, rate=2**31 - 1), "audio:sample-rate"),
        Case("text.mp3", b"This is a shopping list: bread, butter, cables.\n" * 40, "audio:not-audio"),
        Case("big-art.mp3", id3((b"APIC", art)) + mp3, "audio:tags-too-large"),
        Case("tag-lies.mp3", id3((b"TIT2", b"\0x"), claim=200_000_000) + mp3[:5_000], "audio:unreadable"),
        Case("markup.mp3", id3((b"TIT2", markup), (b"TPE1", b"\0../../etc/passwd\0\x1b[31m")) + mp3, None),
        Case("archive.flac", b"PK\x03\x04" + bytes(5_000), "audio:not-audio"),
        Case("wav-called.mp3", wav(two_seconds), "audio:not-audio"),
        Case("telephone.wav", wav(bytes(16_000), rate=8_000, channels=1, bits=8, code=7), "audio:unreadable"),
    ]


@dataclass(frozen=True)
class _Page:
    raw: bytes
    granule: int
    serial: int
    packets: list[bytes]


def _ogg_pages(data: bytes) -> Iterator[_Page]:
    position = 0
    while position < len(data):
        lacing = data[position + 27 : position + 27 + data[position + 26]]
        start = position + 27 + len(lacing)
        packets, begin, end = [], start, start
        for value in lacing:
            end += value
            if value < 255:
                packets.append(data[begin:end])
                begin = end
        granule, serial = struct.unpack_from("<qI", data, position + 6)
        yield _Page(data[position:end], granule, serial, packets)
        position = end


_REVERSED = bytes(int(f"{value:08b}"[::-1], 2) for value in range(256))


def _ogg_crc(page: bytes | bytearray) -> int:
    """CRC-32 with the usual polynomial but unreflected (RFC 3533), through the reflected one of zlib."""
    reflected = zlib.crc32(bytes(page).translate(_REVERSED), 0xFFFFFFFF) ^ 0xFFFFFFFF
    return int(f"{reflected:032b}"[::-1], 2)


def _crc(data: bytes, bits: int, polynomial: int) -> int:
    value, top, mask = 0, 1 << (bits - 1), (1 << bits) - 1
    for byte in data:
        value ^= byte << (bits - 8)
        for _ in range(8):
            value = (value << 1 ^ polynomial if value & top else value << 1) & mask
    return value


def _utf8(number: int) -> bytes:
    return chr(number).encode("utf-8", "surrogatepass")


def _damaged(data: bytes, count: int) -> bytes:
    """``count`` bytes replaced at random in the second half of the file."""
    random = np.random.default_rng(3)
    out = bytearray(data)
    for position in random.integers(len(out) // 2, len(out), count):
        out[position] = int(random.integers(256))
    return bytes(out)
