"""What the phrase rows draw: loudness and low end, four values a beat, each from 0 to 255."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from analysis_worker.core.features import STEPS_PER_BEAT, Frames, average_between, step_edges
from analysis_worker.core.loudness import HOP_S as POWER_HOP_S
from analysis_worker.core.results import Contour
from analysis_worker.core.units import SILENCE_DB, power_to_db, ramp

_LOUDNESS_RANGE_LU = 36.0
_LOW_RANGE_DB = 30.0


def draw_contour(frames: Frames, power: NDArray[np.float64], beats_s: NDArray[np.float64]) -> Contour:
    """Levels between neighbouring beats of ``beats_s``.

    ``loudness`` goes from 36 LU below the track's loudest steps (99th percentile) to them, ``low`` from 30 dB below the
    strongest low end to it.
    """
    edges = step_edges(beats_s)
    level = power_to_db(average_between(power, POWER_HOP_S, edges - POWER_HOP_S / 2))
    low = power_to_db(average_between(frames.low, frames.hop_s, edges))
    return Contour(STEPS_PER_BEAT, _bytes(level, _LOUDNESS_RANGE_LU), _bytes(low, _LOW_RANGE_DB))


def _bytes(decibels: NDArray[np.float64], range_db: float) -> tuple[int, ...]:
    if not len(decibels):
        return ()
    top = float(np.percentile(decibels, 99))
    if top <= SILENCE_DB + 20.0:
        return (0,) * len(decibels)
    return tuple(int(value) for value in np.round(255 * ramp(decibels, top - range_db, top)))
