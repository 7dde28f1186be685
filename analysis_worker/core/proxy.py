"""The audition proxy: what the browser plays, made from the canonical decode so that its time zero is the same.

FLAC with 16 bits at the analysis rate: lossless, so no encoder delay can move it, and every current browser plays it.
"""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from typing import BinaryIO

import numpy as np
import soundfile
from numpy.typing import NDArray

MEDIA_TYPE = "audio/flac"


class ProxyWriter:
    """Takes blocks of shape (frames, channels); values beyond full scale are held at it."""

    def __init__(self, file: soundfile.SoundFile) -> None:
        self._file = file

    def write(self, block: NDArray[np.float32]) -> None:
        """Append a block."""
        self._file.write((np.clip(block, -1.0, 32_767 / 32_768) * np.float32(32_768)).round().astype(np.int16))


@contextmanager
def proxy_writer(target: BinaryIO, *, sample_rate: int, channels: int) -> Iterator[ProxyWriter]:
    """A writer into a file that is open for reading and writing (the header is completed at the end)."""
    with soundfile.SoundFile(target, "w", sample_rate, channels, "PCM_16", format="FLAC") as file:
        yield ProxyWriter(file)
