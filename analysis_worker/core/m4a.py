"""AAC and ALAC in M4A through FFmpeg's libraries (PyAV): no other container and no other codec.

The container is given as an open file with the format forced. A container may refer to other files or addresses
(``dref``): following them is switched off, no protocol is allowed, and a callback refuses whatever still asks.
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any, BinaryIO, Final

import av
import numpy as np
from numpy.typing import NDArray

from analysis_worker.core.errors import AudioError

_CODECS: Final = ("aac", "alac")
_MIN_BLOCK: Final = 32_768
_PACKET_FRAMES: Final = 1_024  # of AAC; ALAC has more
_SPARE_PACKETS: Final = 4  # priming and padding
_SCALES: Final = {"u1": 128.0, "i2": 32_768.0, "i4": 2_147_483_648.0}


class M4aReader:
    """One sound stream of an M4A. The priming that the edit list names is cut, so frame 0 is the recording's first.

    AAC may keep some hundred frames of the encoder's padding at its end. ``errors`` counts packets that failed.
    """

    name = "ffmpeg-libavcodec"
    version = ".".join(str(part) for part in av.library_versions["libavcodec"])

    def __init__(self, source: BinaryIO) -> None:
        self.errors = 0
        self.leading_trim_frames = 0
        try:
            self._container: Any = av.open(
                source,
                format="mp4",
                options={"enable_drefs": "0", "use_absolute_path": "0", "protocol_whitelist": "none"},
                io_open=_refuse,
                metadata_errors="replace",
            )
        except (av.FFmpegError, ValueError, OSError) as error:
            raise AudioError("audio:unreadable", str(error)[:200]) from error
        try:
            self._stream = self._only_stream()
            self._frames = self._decoded()
            self._first = next(self._frames, None)
        except BaseException:
            self._container.close()
            raise
        # The decoder knows the true rate and channels only after a frame: some AAC doubles its rate on the way.
        head = self._first or self._stream.codec_context
        self.sample_rate = int(head.sample_rate or 0)
        self.channels = int(head.layout.nb_channels)
        self.declared_frames = self._declared(self._stream.codec_context.sample_rate or self.sample_rate)

    def blocks(self) -> Iterator[NDArray[np.float32]]:
        """Blocks of shape (frames, channels)."""
        gathered: list[NDArray[np.float32]] = []
        count = 0
        if self._first is not None:
            gathered, count = [self._samples(self._first)], self._first.samples
        for frame in self._frames:
            if frame.sample_rate != self.sample_rate or frame.layout.nb_channels != self.channels:
                self.errors += 1  # a change of form part way: keep what has one form
                break
            gathered.append(self._samples(frame))
            count += frame.samples
            if count >= _MIN_BLOCK:
                yield np.concatenate(gathered)
                gathered, count = [], 0
        if count:
            yield np.concatenate(gathered)

    def close(self) -> None:
        """Give the decoder's memory back; the source stays open."""
        self._container.close()

    def _declared(self, coded_rate: int) -> int | None:
        """Frames by the stated duration or, if that is more, by the number of packets: the duration may be a lie."""
        stated_s = float(self._stream.duration * self._stream.time_base) if self._stream.duration else 0.0
        packets_s = max(0, self._stream.frames - _SPARE_PACKETS) * _PACKET_FRAMES / max(1, coded_rate)
        longest_s = max(stated_s, packets_s)
        return round(longest_s * self.sample_rate) if longest_s > 0 else None

    def _only_stream(self) -> Any:
        streams = [stream for stream in self._container.streams if stream.type == "audio"]
        names = [getattr(stream.codec_context, "name", "unknown") for stream in streams]
        if len(names) != 1 or names[0] not in _CODECS:
            raise AudioError("audio:unreadable", f"sound streams: {', '.join(names) or 'none'}")
        return streams[0]

    def _decoded(self) -> Iterator[Any]:
        try:
            for packet in self._container.demux(self._stream):
                if packet.pts is not None and packet.pts < 0 and not self.leading_trim_frames:
                    start_s = float(-packet.pts * packet.time_base)
                    self.leading_trim_frames = round(start_s * (self._stream.codec_context.sample_rate or 0))
                try:
                    yield from packet.decode()
                except av.FFmpegError:
                    self.errors += 1
        except (av.FFmpegError, OSError):
            self.errors += 1

    def _samples(self, frame: Any) -> NDArray[np.float32]:
        raw = frame.to_ndarray()  # (channels, frames) where planar, (1, frames * channels) where interleaved
        planar = raw.T if frame.format.is_planar else raw.reshape(-1, self.channels)
        scale = _SCALES.get(planar.dtype.str[1:])
        out = np.ascontiguousarray(planar, dtype=np.float32)
        return out if scale is None else out / np.float32(scale)


def _refuse(url: str, flags: int, options: dict[str, str]) -> BinaryIO:
    raise AudioError("audio:unreadable", "the container refers to another file")
