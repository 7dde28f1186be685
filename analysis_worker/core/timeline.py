"""A copy as it lies on its track's timeline: cut or padded at both ends, so that every stored time stays true."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
from numpy.typing import NDArray

_STEP = 44_100


def on_timeline(
    blocks: Iterator[NDArray[np.float32]], *, offset_frames: int, frames: int, channels: int
) -> Iterator[NDArray[np.float32]]:
    """The blocks of a copy, shapes (frames, channels), as they lie on the track's timeline of so many ``frames``.

    Silence where the copy has nothing; what lies before or after the timeline is left out.
    """
    done = 0
    if offset_frames > 0:
        done = min(offset_frames, frames)
        for start in range(0, done, _STEP):
            yield np.zeros((min(_STEP, done - start), channels), dtype=np.float32)
    skip = max(-offset_frames, 0)
    for block in blocks:
        part = block[skip : skip + frames - done]
        skip = max(skip - len(block), 0)
        if len(part):
            done += len(part)
            yield part
    for start in range(done, frames, _STEP):
        yield np.zeros((min(_STEP, frames - start), channels), dtype=np.float32)
