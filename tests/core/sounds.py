"""Small encoded sounds for the tests of the decoders."""

from __future__ import annotations

from io import BytesIO
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any

import av
import numpy as np
import soundfile

RATE = 44_100


def noise(seconds: float = 6.0, *, rate: int = RATE, channels: int = 2, seed: int = 5) -> np.ndarray:
    """Low-passed noise that fades in from silence, shape (frames, channels): any shift shows in a correlation."""
    frames = int(seconds * rate)
    white = np.random.default_rng(seed).standard_normal((frames + 8, channels))
    smooth = np.stack([white[k : k + frames] for k in range(8)]).mean(axis=0)
    return (0.3 * smooth * np.minimum(1.0, np.arange(frames) / (0.05 * rate))[:, None]).astype(np.float32)


def encoded(samples: np.ndarray, container: str, subtype: str, rate: int = RATE, **options: object) -> bytes:
    """The samples as a file of libsndfile, written block by block."""
    buffer = BytesIO()
    with soundfile.SoundFile(buffer, "w", rate, samples.shape[1], subtype, format=container, **options) as file:
        for start in range(0, len(samples), 8_192):
            file.write(samples[start : start + 8_192])
    return buffer.getvalue()


def m4a(samples: np.ndarray, codec: str, rate: int = RATE, **options: str) -> bytes:
    """The samples as AAC or ALAC in M4A, written by FFmpeg's libraries."""
    layout = {1: "mono", 2: "stereo"}[samples.shape[1]]
    with TemporaryDirectory() as folder:  # moving the index to the front reopens the file by its name
        path = Path(folder) / "a.m4a"
        _write_m4a(path, samples, codec, rate, layout, options)
        return path.read_bytes()


def _write_m4a(path: Path, samples: np.ndarray, codec: str, rate: int, layout: str, options: dict[str, str]) -> None:
    with av.open(str(path), "w", format="ipod", options=options) as container:
        stream: Any = container.add_stream(codec, rate=rate, layout=layout)
        for start in range(0, len(samples), 4_096):
            block = np.ascontiguousarray(samples[start : start + 4_096].T)
            if codec == "alac":
                block = np.clip(block * 32_768, -32_768, 32_767).round().astype(np.int16)
            frame = av.AudioFrame.from_ndarray(block, format="s16p" if codec == "alac" else "fltp", layout=layout)
            frame.sample_rate, frame.pts = rate, start
            container.mux(stream.encode(frame))
        container.mux(stream.encode(None))


def lag(one: np.ndarray, other: np.ndarray) -> float:
    """Frames by which ``one`` is later than ``other``: the peak of their correlation, refined by a parabola."""
    length = 1 << (min(len(one), len(other)) - 1).bit_length() + 1
    product = np.fft.rfft(one, length) * np.conj(np.fft.rfft(other, length))
    correlation = np.fft.irfft(product, length)
    peak = int(np.argmax(correlation))
    before, at, after = (correlation[(peak + step) % length] for step in (-1, 0, 1))
    whole = peak if peak < length // 2 else peak - length
    return float(whole + 0.5 * (before - after) / (before - 2 * at + after))
