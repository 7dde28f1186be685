"""The mono mix at three rates: what everything but level and width is read from.

Task: one mono signal at 44.1 kHz, and the same at a half and a quarter of that rate, each made once for all who need
it. Rates are lowered by soxr's HQ filter, whose delay is compensated: frame ``n`` at 44.1 kHz is frame ``n / 2`` at
22.05 kHz. All is made in blocks, so beside the three results no memory grows with the track: they take 7 bytes for
each frame at 44.1 kHz, 18.5 MB a minute.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
import soxr
from numpy.typing import NDArray

from analysis_worker.core.audio import ANALYSIS_RATE, BLOCK_FRAMES, Audio, for_analysis

HALF_RATE: Final = ANALYSIS_RATE // 2
QUARTER_RATE: Final = ANALYSIS_RATE // 4

_CANCELLED = 0.02
"""Share of the mean channel's power below which a mix has lost the music (-17 dB; common practice, no source)."""

_Samples = NDArray[np.float32]


@dataclass(frozen=True, slots=True, eq=False)
class Mix:
    """The mono mix: ``full`` at 44.1 kHz, ``half`` at 22.05 kHz, ``quarter`` at 11.025 kHz, each of shape (frames,)."""

    full: _Samples
    half: _Samples
    quarter: _Samples


def mix_of(audio: Audio) -> Mix:
    """Mix a whole track to mono at the three rates."""
    full = mono_mix(audio)
    return Mix(full, lowered(full, 2), lowered(full, 4))


def mono_mix(audio: Audio) -> _Samples:
    """The mean of the channels at 44.1 kHz, shape (frames,).

    Where the channels cancel each other (a side wired the wrong way round), the louder channel stands for all.
    """
    frames, channels = audio.samples.shape
    mix = np.empty(frames, dtype=np.float32)
    powers = np.zeros(channels)
    mixed = 0.0
    start = 0
    for block in audio.blocks():
        columns = np.ascontiguousarray(block.T)
        mean = columns.sum(axis=0) * np.float32(1 / channels)
        mix[start : start + len(mean)] = mean
        start += len(mean)
        powers += [np.dot(column, column) for column in columns]
        mixed += float(np.dot(mean, mean))
    if mixed < _CANCELLED * float(powers.mean()):
        louder = int(np.argmax(powers))
        start = 0
        for block in audio.blocks():
            mix[start : start + len(block)] = block[:, louder]
            start += len(block)
    if audio.sample_rate == ANALYSIS_RATE:
        return mix
    return np.ascontiguousarray(for_analysis(Audio(mix[:, None], audio.sample_rate)).samples[:, 0])


def lowered(samples: _Samples, factor: int) -> _Samples:
    """The same sound at a lower rate, shape (frames / factor,) rounded up; its frame ``n`` is the input's
    ``factor * n``."""
    low = np.zeros(-(-len(samples) // factor), dtype=np.float32)
    resampler = soxr.ResampleStream(float(factor), 1.0, 1, dtype="float32", quality="HQ")
    done = 0
    for start in range(0, len(samples), BLOCK_FRAMES):
        last = start + BLOCK_FRAMES >= len(samples)
        part = resampler.resample_chunk(samples[start : start + BLOCK_FRAMES], last=last)[: len(low) - done]
        low[done : done + len(part)] = part
        done += len(part)
    return low
