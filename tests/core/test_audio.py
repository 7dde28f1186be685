"""The canonical decode: the same sound at the same time from every format, and a clear word where that fails.

Independent references: the samples that were encoded, FFmpeg's own MP3 decoder (through PyAV), soxr in one call.
"""

from __future__ import annotations

import hashlib
import struct
from io import BytesIO
from typing import Any

import av
import numpy as np
import pytest
import soundfile
import soxr

from analysis_worker.core.audio import ANALYSIS_RATE, Audio, analysis_blocks, decode, for_analysis, open_stream
from analysis_worker.core.errors import MESSAGES, AudioError
from analysis_worker.core.limits import Limits
from analysis_worker.core.mp3 import MP3_DECODER_DELAY, read_header
from analysis_worker.core.sniff import mpeg_frame_bytes
from tests.core.sounds import RATE, encoded, lag, m4a, noise

LIMITS = Limits()


def read(data: bytes, name: str = "", limits: Limits = LIMITS):
    return decode(BytesIO(data), limits=limits, format_hint=name)


def refusal(data: bytes, name: str = "", limits: Limits = LIMITS) -> str:
    with pytest.raises(AudioError) as caught:
        read(data, name, limits)
    assert caught.value.message == MESSAGES[caught.value.code]
    return caught.value.code


@pytest.fixture(scope="module")
def sound() -> np.ndarray:
    return noise()


@pytest.fixture(scope="module")
def mp3(sound: np.ndarray) -> bytes:
    return encoded(sound, "MP3", "MPEG_LAYER_III")


def without_header(mp3: bytes) -> bytes:
    """An MP3 without its first frame, which holds the Xing/LAME header and no sound."""
    return mp3[mpeg_frame_bytes(mp3[:4]) :]


def by_ffmpeg(data: bytes) -> np.ndarray:
    with av.open(BytesIO(data), "r", format="mp3") as container:
        return np.concatenate([frame.to_ndarray() for frame in container.decode(audio=0)], axis=1).T


LOSSLESS = {
    "a.wav": ("WAV", "PCM_16"),
    "b.wav": ("WAV", "FLOAT"),
    "c.wav": ("WAVEX", "PCM_24"),
    "d.wav": ("RF64", "PCM_16"),
    "e.flac": ("FLAC", "PCM_16"),
    "f.flac": ("FLAC", "PCM_24"),
    "g.aiff": ("AIFF", "PCM_16"),
    "h.aif": ("AIFF", "PCM_24"),
}


@pytest.mark.parametrize("name", LOSSLESS)
def test_lossless_formats_give_back_the_samples(name: str, sound: np.ndarray):
    audio, record, warnings = read(encoded(sound, *LOSSLESS[name]), name)
    assert audio.samples.shape == sound.shape
    assert audio.samples.dtype == np.float32
    assert audio.sample_rate == RATE
    assert np.abs(audio.samples - sound).max() <= 1 / 32_768
    assert warnings == ()
    assert (record.frames, record.channels, record.sample_rate) == (len(sound), 2, RATE)
    assert record.leading_trim_frames == 0
    assert record.decoder == "libsndfile"
    assert record.decoder_version == soundfile.__libsndfile_version__


def test_alac_gives_back_the_samples(sound: np.ndarray):
    audio, record, warnings = read(m4a(sound, "alac"), "a.m4a")
    assert audio.samples.shape == sound.shape
    assert np.abs(audio.samples - sound).max() <= 1 / 32_768
    assert (record.decoder, record.leading_trim_frames, warnings) == ("ffmpeg-libavcodec", 0, ())


def test_lossy_formats_start_where_the_recording_starts(sound: np.ndarray, mp3: bytes):
    """Encoder delay, priming and pre-skip are cut: the lag against the samples that were encoded is below a sample."""
    files = {
        "a.mp3": mp3,
        "a.ogg": encoded(sound, "OGG", "VORBIS"),
        "a.m4a": m4a(sound, "aac"),
        "front.m4a": m4a(sound, "aac", movflags="+faststart"),
    }
    for name, data in files.items():
        audio, _, warnings = read(data, name)
        assert lag(audio.samples[:, 0], sound[:, 0]) == pytest.approx(0.0, abs=0.5), name
        assert len(sound) <= len(audio.samples) < len(sound) + 1_024, name
        assert warnings == (), name


def test_opus_starts_where_the_recording_starts():
    sound = noise(rate=48_000)
    audio, _, warnings = read(encoded(sound, "OGG", "OPUS", 48_000), "a.opus")
    assert audio.sample_rate == 48_000
    assert lag(audio.samples[:, 0], sound[:, 0]) == pytest.approx(0.0, abs=0.5)
    assert warnings == ()


def test_the_trim_of_the_start_is_recorded(sound: np.ndarray, mp3: bytes):
    # The LAME documentation gives an encoder delay of 576 frames; AAC encoders commonly prime with 1,024.
    assert read(mp3)[1].leading_trim_frames == 576 + MP3_DECODER_DELAY
    assert read(m4a(sound, "aac"))[1].leading_trim_frames == 1_024
    assert read(without_header(mp3))[1].leading_trim_frames == 0


@pytest.mark.parametrize("form", ["gapless header", "no header", "header without delay", "header tells too few frames"])
def test_mp3_agrees_with_a_second_decoder(form: str, mp3: bytes):
    """FFmpeg is the reference, because browsers decode with it or as it does."""
    reference = mp3
    _, header = read_header(BytesIO(mp3))
    assert header is not None
    if form == "no header":
        mp3 = reference = without_header(mp3)
    elif form == "header without delay":
        start = mp3.index(b"LAME")
        mp3 = reference = mp3[:start] + bytes(36) + mp3[start + 36 :]
    elif form == "header tells too few frames":
        mp3 = mp3[: header.count_at] + (40).to_bytes(4, "big") + mp3[header.count_at + 4 :]
    audio, _, warnings = read(mp3, "a.mp3")
    expected = by_ffmpeg(reference)
    assert audio.samples.shape == expected.shape
    assert np.abs(audio.samples - expected).max() < 1e-4
    assert warnings == ()


def test_mp3_of_variable_rate_without_header_keeps_its_whole_length():
    """libsndfile alone guesses the length from the first frame and gives back a sixth of this file."""
    loud_first = noise(12.0)
    loud_first[2 * RATE :] *= 0
    data = without_header(encoded(loud_first, "MP3", "MPEG_LAYER_III", bitrate_mode="VARIABLE", compression_level=0.5))
    with soundfile.SoundFile(BytesIO(data)) as guess:
        assert guess.frames < len(loud_first) / 2
    audio, _, warnings = read(data, "a.mp3")
    assert len(loud_first) <= len(audio.samples) < len(loud_first) + 3 * 1_152
    assert warnings == ()


def test_mp3_tag_and_padding_before_the_sound_change_nothing(mp3: bytes):
    tag = b"ID3\x03\0\0" + bytes((0, 0, 2, 0)) + b"TIT2\0\0\0\2\0\0\0x" + bytes(244)
    plain, tagged = read(mp3)[0], read(tag + bytes(3_000) + mp3 + b"TAG" + bytes(125), "a.mp3")[0]
    assert np.array_equal(plain.samples, tagged.samples)


def test_flac_after_an_id3_tag_is_read(sound: np.ndarray):
    tag = b"ID3\x03\0\0" + bytes((0, 0, 2, 0)) + bytes(256)
    audio, _, _ = read(tag + encoded(sound, "FLAC", "PCM_16"), "a.flac")
    assert len(audio.samples) == len(sound)


@pytest.mark.parametrize("claim", [0xFFFF_FFFF, 0x7FFF_F000])
def test_wav_of_a_program_that_could_not_write_its_length(claim: int, sound: np.ndarray):
    data = bytearray(encoded(sound, "WAV", "PCM_16"))
    at = data.index(b"data") + 4
    data[at : at + 4] = struct.pack("<I", claim)
    audio, _, warnings = read(bytes(data), "a.wav")
    assert len(audio.samples) == len(sound)
    assert warnings == ()


def test_hash_is_over_little_endian_float32_interleaved(sound: np.ndarray):
    data = encoded(sound, "FLAC", "PCM_16")
    reference = soundfile.read(BytesIO(data), dtype="float32")[0].astype("<f4")
    assert read(data)[1].pcm_sha256 == hashlib.sha256(reference.tobytes()).hexdigest()


def test_stream_gives_the_same_as_decode(mp3: bytes):
    whole, record, _ = read(mp3)
    with open_stream(BytesIO(mp3), limits=LIMITS) as stream:
        blocks = list(stream.blocks())
    assert np.array_equal(np.concatenate(blocks), whole.samples)
    assert stream.decode == record
    assert len(blocks) > 1


@pytest.mark.parametrize("rate", [8_000, 22_050, 48_000, 88_200, 96_000, 192_000])
def test_resampling_moves_no_time(rate: int):
    """Smooth pulses at known times: their centres stay within 10 µs, at the start, middle and end."""
    times_s = np.array([0.05, 1.4142, 2.7183, 3.94])
    clock_s = np.arange(4 * rate) / rate
    pulses = np.exp(-0.5 * ((clock_s[:, None] - times_s) / 0.002) ** 2).sum(axis=1)
    audio = for_analysis(Audio(pulses[:, None].astype(np.float32), rate))
    assert audio.sample_rate == ANALYSIS_RATE
    assert len(audio.samples) == pytest.approx(4 * ANALYSIS_RATE, abs=1)
    out, at = audio.samples[:, 0].astype(np.float64), np.arange(len(audio.samples)) / ANALYSIS_RATE
    for time_s in times_s:
        near = np.abs(at - time_s) < 0.012
        assert np.average(at[near], weights=out[near]) == pytest.approx(time_s, abs=10e-6)


def test_resampling_in_blocks_is_resampling_at_once():
    sound = noise(rate=48_000)
    at_once = soxr.resample(sound, 48_000, ANALYSIS_RATE, quality="HQ")
    for size in (1_000, 65_536):
        blocks = (sound[start : start + size] for start in range(0, len(sound), size))
        parts = np.concatenate(list(analysis_blocks(blocks, sample_rate=48_000, channels=2)))
        assert parts.shape == at_once.shape
        assert np.abs(parts - at_once).max() < 1e-6


def test_analysis_has_one_or_two_channels(sound: np.ndarray):
    for channels, expected in ((1, 1), (2, 2), (3, 1), (6, 1), (8, 1)):
        many = np.tile(sound[:, :1], (1, channels))
        many[:, -1] *= 0.5
        narrow = for_analysis(Audio(many, RATE)).samples
        assert narrow.shape == (len(sound), expected)
        assert np.allclose(narrow, many if channels <= 2 else many.mean(axis=1, keepdims=True), atol=1e-6)


def test_no_sound_at_all_is_no_analysis_sound():
    assert for_analysis(Audio(np.zeros((0, 2), np.float32), 48_000)).samples.shape == (0, 2)


@pytest.mark.parametrize(
    ("name", "make", "expected"),
    [
        ("a.wav", lambda x: encoded(x, "WAV", "PCM_16"), "audio:truncated"),
        ("b.wav", lambda x: encoded(x, "RF64", "PCM_16"), "audio:truncated"),
        ("a.aiff", lambda x: encoded(x, "AIFF", "PCM_16"), "audio:truncated"),
        ("a.ogg", lambda x: encoded(x, "OGG", "VORBIS"), "audio:truncated"),
        ("a.mp3", lambda x: encoded(x, "MP3", "MPEG_LAYER_III"), "audio:truncated"),
        ("front.m4a", lambda x: m4a(x, "aac", movflags="+faststart"), "audio:truncated"),
    ],
)
def test_a_file_cut_in_half_is_accepted_with_a_warning(name: str, make, expected: str, sound: np.ndarray):
    data = make(sound)
    audio, _, warnings = read(data[: len(data) // 2], name)
    assert 0.3 * len(sound) < len(audio.samples) < 0.7 * len(sound)
    assert warnings == (expected,)


def test_flac_cut_in_half_is_accepted_with_a_warning(sound: np.ndarray):
    data = encoded(sound, "FLAC", "PCM_16")
    audio, _, warnings = read(data[: len(data) // 2], "a.flac")
    assert 0.45 * len(sound) < len(audio.samples) < 0.55 * len(sound)
    assert np.abs(audio.samples - sound[: len(audio.samples)]).max() <= 1 / 32_768
    assert warnings in (("audio:truncated",), ("audio:damaged",))  # the decoder alone knows, and does not say which


def test_m4a_without_its_index_is_unreadable(sound: np.ndarray):
    data = m4a(sound, "aac")
    assert refusal(data[: len(data) // 2], "a.m4a") == "audio:unreadable"


def test_limits_are_the_callers(sound: np.ndarray):
    data = encoded(sound, "WAV", "PCM_16")
    assert refusal(data, limits=Limits(max_bytes=1_000)) == "audio:too-large"
    assert refusal(data, limits=Limits(max_duration_s=5.0)) == "audio:too-long"
    assert refusal(data, limits=Limits(min_duration_s=7.0)) == "audio:too-short"
    assert refusal(data, limits=Limits(max_channels=1)) == "audio:channels"
    assert refusal(data, limits=Limits(min_sample_rate=48_000)) == "audio:sample-rate"


def test_a_known_ending_must_fit_the_content(sound: np.ndarray):
    data = encoded(sound, "FLAC", "PCM_16")
    assert refusal(data, "set.mp3") == "audio:not-audio"
    assert len(read(data, "SET.FLAC")[0].samples) == len(read(data, "no-ending")[0].samples) == len(sound)


def test_m4a_with_another_codec_is_unreadable():
    buffer = BytesIO()
    with av.open(buffer, "w", format="mp4") as container:
        stream: Any = container.add_stream("mp2", rate=RATE, layout="stereo")
        frame = av.AudioFrame.from_ndarray(np.zeros((1, 2 * 1_152), np.int16), "s16", "stereo")
        frame.sample_rate = RATE
        container.mux(stream.encode(frame))
        container.mux(stream.encode(None))
    assert refusal(buffer.getvalue(), "a.m4a") == "audio:unreadable"


def test_m4a_does_not_follow_a_reference_to_another_file(sound: np.ndarray):
    """An alias record in the data reference names a neighbour; the control shows that FFmpeg would go there."""
    data = m4a(sound, "aac")
    own = b"\0\0\0\x0curl \0\0\0\x01"
    at = data.index(own)
    path = b"/tmp/neighbour.bin\0\0"
    record = bytes(10 + 1 + 27 + 12 + 1 + 63 + 16 + 4 + 16) + struct.pack(">hh", 2, len(path)) + path + b"\xff\xff\0\0"
    alias = struct.pack(">I", 12 + len(record)) + b"alis\0\0\0\0" + record
    lying = grown(data[:at] + alias + data[at + len(own) :], at, len(alias) - len(own))

    asked: list[str] = []

    def would_open(url: str, flags: int, options: dict[str, str]) -> BytesIO:
        asked.append(url)
        return BytesIO(bytes(1_000_000))

    careless = {"enable_drefs": "1", "use_absolute_path": "1"}
    with av.open(BytesIO(lying), format="mp4", options=careless, io_open=would_open) as container:
        container.streams.get(audio=0)
    assert asked == ["/tmp/neighbour.bin"]

    assert refusal(lying, "a.m4a") == "audio:unreadable"


def grown(data: bytes, position: int, by: int) -> bytes:
    """The boxes of an MP4 around ``position`` made longer by ``by`` bytes."""
    out = bytearray(data)

    def grow(start: int, end: int) -> None:
        while start + 8 <= end:
            length, name = struct.unpack_from(">I4s", out, start)
            if start < position < start + length:
                struct.pack_into(">I", out, start, length + by)
                if name in (b"moov", b"trak", b"mdia", b"minf", b"dinf"):
                    grow(start + 8, start + length + by)
                return
            start += length

    grow(0, len(out))
    return bytes(out)
