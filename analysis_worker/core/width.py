"""How wide a track sounds: the power of what differs between its two channels against what they share.

Side is half the difference of the channels, middle half their sum, as in the M/S stereo technique (Blumlein's patent
GB 394325, 1931). Measured in steps of a tenth of a second; a mono track has no width.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from analysis_worker.core.audio import Audio

HOP_S = 0.1
_FLOOR = 1e-10
"""Power below which a channel counts as silent (-100 dB full scale)."""


@dataclass(frozen=True, slots=True, eq=False)
class Width:
    """Power of middle and side, shape (steps,), a value per ``HOP_S``; both empty where there are not two channels."""

    middle: NDArray[np.float64]
    side: NDArray[np.float64]

    def between_db(self, start_s: float, end_s: float) -> float | None:
        """Side against middle in decibels over a span; None where nothing was measured or heard."""
        steps = slice(max(0, round(start_s / HOP_S)), max(0, round(end_s / HOP_S)))
        middle, side = self.middle[steps], self.side[steps]
        if not len(middle) or float(np.mean(middle)) < _FLOOR:
            return None
        return float(10 * np.log10(max(float(np.mean(side)), _FLOOR) / float(np.mean(middle))))


def width_of(audio: Audio) -> Width:
    """Measure a whole track in blocks; only two channels have a width."""
    if audio.samples.shape[1] != 2:
        return Width(np.zeros(0), np.zeros(0))
    hop = max(1, round(HOP_S * audio.sample_rate))
    count = len(audio.samples) // hop
    middle, side = np.zeros(count), np.zeros(count)
    many = max(1, 2**19 // hop)
    for first in range(0, count, many):
        block = np.asarray(audio.samples[first * hop : min(first + many, count) * hop])
        left, right = block[:, 0], block[:, 1]
        for powers, signal in ((middle, left + right), (side, left - right)):
            rows = signal.reshape(-1, hop)
            powers[first : first + len(rows)] = np.einsum("ij,ij->i", rows, rows) / (4 * hop)
    return Width(middle, side)
