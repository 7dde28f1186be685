"""From a file to arrays: the canonical decode, whose first sample is time zero everywhere in the product.

One decoder for each format, always given an open file and never a name, so that a file cannot name another one:
libsndfile for WAV, RF64, FLAC, AIFF, MP3, Ogg Vorbis and Opus; FFmpeg's libraries for AAC and ALAC in M4A, with the
format forced. The magic bytes are checked before a decoder sees the file, the header against ``Limits`` before it
decodes, and every block while it does: headers lie, so frames are counted here.

Time zero: libsndfile cuts the encoder delay of an MP3 that has a Xing/LAME header (delay + 529 frames) and the
pre-skip of Opus; FFmpeg cuts the priming that an M4A's edit list names. An MP3 without that header starts as late as
in every other decoder (1,105 frames with the common encoder), and is left so, because browsers do the same.
"""

from __future__ import annotations

import hashlib
import mmap
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from dataclasses import dataclass, field
from typing import BinaryIO, Final, Protocol

import numpy as np
import soundfile
import soxr
from numpy.typing import NDArray

from analysis_worker.core.containers import Layout, admit
from analysis_worker.core.errors import AudioError
from analysis_worker.core.limits import Limits
from analysis_worker.core.mp3 import with_true_length
from analysis_worker.core.results import Decode

ANALYSIS_RATE: Final = 44_100
BLOCK_FRAMES: Final = 65_536
_DAMAGED_BELOW: Final = 0.98
_STEP_FRAMES: Final = 1_024

_CONTAINERS: Final = {
    "wav": ("WAV", "WAVEX"),
    "rf64": ("RF64", "WAV", "WAVEX"),
    "flac": ("FLAC",),
    "aiff": ("AIFF",),
    "mp3": ("MP3", "MPEG"),
    "vorbis": ("OGG",),
    "opus": ("OGG",),
}
_SUBTYPES: Final = frozenset(
    ("PCM_S8", "PCM_U8", "PCM_16", "PCM_24", "PCM_32", "FLOAT", "DOUBLE", "VORBIS", "OPUS", "FLAC", "MPEG_LAYER_III")
)
_UNKNOWN_FRAMES: Final = 1 << 62


@dataclass(frozen=True, slots=True, eq=False)
class Audio:
    """Samples of shape (frames, channels), float32, full scale ±1, at ``sample_rate`` frames a second.

    ``samples`` may be mapped from a file (``numpy.memmap``); go through them by ``blocks``, and an hour takes no more
    memory than a minute.
    """

    samples: NDArray[np.float32]
    sample_rate: int

    def blocks(self, frames: int = BLOCK_FRAMES) -> Iterator[NDArray[np.float32]]:
        """The sound in blocks of shape (up to ``frames``, channels), each good until the next is asked for.

        Pages of a mapped file are given back behind the reader; they stay in the system's cache.
        """
        mapping = self.samples.base if isinstance(self.samples.base, mmap.mmap) else None
        for start in range(0, len(self.samples), frames):
            yield self.samples[start : start + frames]
            if mapping is not None and hasattr(mmap, "MADV_DONTNEED"):
                mapping.madvise(mmap.MADV_DONTNEED)

    @property
    def duration_s(self) -> float:
        """Length in seconds."""
        return len(self.samples) / self.sample_rate


@dataclass(slots=True)
class Stream:
    """A file opened for decoding. Run through ``blocks`` once; then ``decode`` and ``warnings`` are known.

    ``declared_frames`` is what the header claims, or None; it has passed the limits, yet it may be wrong.
    """

    audio_format: str
    sample_rate: int
    channels: int
    declared_frames: int | None
    _reader: Reader
    _limits: Limits
    _layout: Layout
    _warnings: set[str] = field(default_factory=set)
    _decode: Decode | None = None

    def blocks(self) -> Iterator[NDArray[np.float32]]:
        """The sound, block by block, each of shape (frames, channels). Raises ``AudioError``."""
        digest, frames = hashlib.sha256(), 0
        max_frames = int(self._limits.max_duration_s * self.sample_rate)
        for block in self._reader.blocks():
            frames += len(block)
            if frames > max_frames:
                raise AudioError("audio:too-long", f"more than {max_frames} frames")
            if not np.isfinite(block).all():
                raise AudioError("audio:non-finite", f"before frame {frames}")
            digest.update(np.ascontiguousarray(block, dtype="<f4").data)
            yield block
        if frames == 0:
            raise AudioError("audio:unreadable" if self.declared_frames else "audio:empty", "no frame decoded")
        min_frames = self._limits.min_duration_s * self.sample_rate
        if frames < min_frames:
            damaged = self.declared_frames is not None and self.declared_frames >= min_frames
            code = "audio:unreadable" if damaged else "audio:too-short"
            raise AudioError(code, f"{frames} frames at {self.sample_rate} Hz")
        short = self.declared_frames is not None and frames < _DAMAGED_BELOW * self.declared_frames
        if self._layout.truncated or (short and self.audio_format == "flac" and not self._reader.errors):
            self._warnings.add("audio:truncated")
        elif short or self._reader.errors:
            self._warnings.add("audio:damaged")
        self._decode = Decode(
            decoder=self._reader.name,
            decoder_version=self._reader.version,
            leading_trim_frames=self._reader.leading_trim_frames or self._layout.leading_trim_frames,
            sample_rate=self.sample_rate,
            channels=self.channels,
            frames=frames,
            pcm_sha256=digest.hexdigest(),
        )

    @property
    def decode(self) -> Decode:
        """The record of the decode. ``pcm_sha256`` is over float32, little-endian, channels interleaved.

        The hash tells whether two runs of one decoder version gave the same samples. For lossy formats it may
        differ between processors, as decoders choose their arithmetic by what the processor offers.
        """
        if self._decode is None:
            raise RuntimeError("the blocks have not been read to their end")
        return self._decode

    @property
    def warnings(self) -> tuple[str, ...]:
        """Codes of what is wrong with an accepted file, in a fixed order."""
        return tuple(sorted(self._warnings))


@contextmanager
def open_stream(source: BinaryIO, *, limits: Limits, format_hint: str = "") -> Iterator[Stream]:
    """Open a seekable binary file for decoding in bounded memory; ``format_hint`` as for ``admit``.

    A file that does not tell its length is decoded once for the count alone, so that a bomb is known before anything
    is made of it. Raises ``AudioError`` for a file that is not ours to read or lies outside the limits.
    """
    audio_format, layout = admit(source, limits=limits, format_hint=format_hint)
    reader = _open_reader(source, audio_format)
    try:
        _check_header(reader, limits)
        if reader.declared_frames is None:
            _count(reader, limits)
            reader.close()
            reader = _open_reader(source, audio_format)
        yield Stream(audio_format, reader.sample_rate, reader.channels, reader.declared_frames, reader, limits, layout)
    finally:
        reader.close()


def decode(source: BinaryIO, *, limits: Limits, format_hint: str = "") -> tuple[Audio, Decode, tuple[str, ...]]:
    """Decode a whole file into memory: the sound at the file's own rate and channels, the record, the warnings.

    Holds 4 bytes a sample, twice for a moment; ``open_stream`` serves long files. Raises ``AudioError``.
    """
    with open_stream(source, limits=limits, format_hint=format_hint) as stream:
        samples = np.concatenate(list(stream.blocks()))
        return Audio(samples, stream.sample_rate), stream.decode, stream.warnings


def for_analysis(audio: Audio) -> Audio:
    """The same sound at 44.1 kHz in one or two channels; times do not move (the resampler's delay is compensated).

    More than two channels become their mean in one: files do not reliably say which channel is where.
    """
    parts = list(analysis_blocks(audio.blocks(), sample_rate=audio.sample_rate, channels=audio.samples.shape[1]))
    if not parts:
        return Audio(np.zeros((0, analysis_channels(audio.samples.shape[1])), np.float32), ANALYSIS_RATE)
    return Audio(np.concatenate(parts), ANALYSIS_RATE)


def analysis_channels(channels: int) -> int:
    """Channels of ``for_analysis``: stereo stays stereo, everything else becomes one."""
    return 2 if channels == 2 else 1


def analysis_blocks(
    blocks: Iterator[NDArray[np.float32]], *, sample_rate: int, channels: int
) -> Iterator[NDArray[np.float32]]:
    """``for_analysis`` in blocks: shapes (frames, channels) in, (frames, 1 or 2) out at 44.1 kHz (soxr, HQ)."""
    narrowed = (block if channels <= 2 else block.mean(axis=1, keepdims=True, dtype=np.float32) for block in blocks)
    if sample_rate == ANALYSIS_RATE:
        yield from narrowed
        return
    width = analysis_channels(channels)
    resampler = soxr.ResampleStream(sample_rate, ANALYSIS_RATE, width, dtype="float32", quality="HQ")
    for block in narrowed:
        out = resampler.resample_chunk(np.ascontiguousarray(block))
        if len(out):
            yield out.reshape(-1, width)
    out = resampler.resample_chunk(np.zeros((0, width), np.float32), last=True)
    if len(out):
        yield out.reshape(-1, width)


class Reader(Protocol):
    """One decoder on one open file, good for one pass over ``blocks``."""

    name: str
    version: str
    sample_rate: int
    channels: int
    declared_frames: int | None
    leading_trim_frames: int
    errors: int

    def blocks(self) -> Iterator[NDArray[np.float32]]: ...
    def close(self) -> None: ...


def _open_reader(source: BinaryIO, audio_format: str) -> Reader:
    source.seek(0)
    if audio_format == "m4a":
        from analysis_worker.core.m4a import M4aReader  # FFmpeg is loaded for the files that need it

        return M4aReader(source)
    return SndfileReader(with_true_length(source) if audio_format == "mp3" else source, audio_format)


class SndfileReader:
    """libsndfile on an open file. ``errors`` counts failures after sound had been decoded."""

    name = "libsndfile"
    version = str(soundfile.__libsndfile_version__)

    def __init__(self, source: BinaryIO, audio_format: str) -> None:
        self.errors = self.leading_trim_frames = 0
        self._source = source
        try:
            self._file = soundfile.SoundFile(source)
        except (soundfile.SoundFileError, ValueError, TypeError, OverflowError) as error:
            raise AudioError("audio:unreadable", _said(error)) from error
        if self._file.format not in _CONTAINERS[audio_format] or self._file.subtype not in _SUBTYPES:
            self._file.close()
            raise AudioError("audio:unreadable", f"{self._file.format} {self._file.subtype}")
        self.sample_rate = int(self._file.samplerate)
        self.channels = int(self._file.channels)
        frames = int(self._file.frames)
        self.declared_frames = frames if 0 < frames < _UNKNOWN_FRAMES else None

    def blocks(self) -> Iterator[NDArray[np.float32]]:
        """Blocks of shape (frames, channels) until the decoder gives no more."""
        frames = 0
        while True:
            buffer = np.empty((BLOCK_FRAMES, self.channels), np.float32)
            try:
                block = self._file.read(out=buffer)
            except (soundfile.SoundFileError, RuntimeError) as error:
                block = self._before_fault(frames)
                if frames + len(block) == 0:
                    raise AudioError("audio:unreadable", _said(error)) from error
                self.errors += 1
                if len(block):
                    yield block
                return
            if len(block) == 0:
                return
            frames += len(block)
            yield block

    def close(self) -> None:
        """Give the decoder's memory back; the source stays open."""
        self._file.close()

    def _before_fault(self, frames: int) -> NDArray[np.float32]:
        """What lies between ``frames`` and the fault, which libsndfile does not tell: decoded again in small steps."""
        steps = [np.zeros((0, self.channels), np.float32)]
        self._source.seek(0)
        with suppress(soundfile.SoundFileError, RuntimeError), soundfile.SoundFile(self._source) as again:
            for start in range(0, frames, BLOCK_FRAMES):
                again.read(min(BLOCK_FRAMES, frames - start), dtype="float32")
            while len(steps) * _STEP_FRAMES < BLOCK_FRAMES:
                steps.append(again.read(_STEP_FRAMES, dtype="float32", always_2d=True))
        return np.concatenate(steps)


def _said(error: Exception) -> str:
    """The decoder's own words, without the name of the file that they quote."""
    return str(getattr(error, "error_string", type(error).__name__))[:200]


def _count(reader: Reader, limits: Limits) -> None:
    max_frames, frames = limits.max_duration_s * reader.sample_rate, 0
    for block in reader.blocks():
        frames += len(block)
        if frames > max_frames:
            raise AudioError("audio:too-long", f"more than {frames} frames counted")


def _check_header(reader: Reader, limits: Limits) -> None:
    if not limits.min_sample_rate <= reader.sample_rate <= limits.max_sample_rate:
        raise AudioError("audio:sample-rate", f"{reader.sample_rate} Hz")
    if not 1 <= reader.channels <= limits.max_channels:
        raise AudioError("audio:channels", f"{reader.channels} channels")
    frames = reader.declared_frames
    if frames is not None and frames > limits.max_duration_s * reader.sample_rate:
        raise AudioError("audio:too-long", f"{frames} frames declared")
