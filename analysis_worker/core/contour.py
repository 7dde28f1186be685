"""What the phrase rows draw: loudness, low end and onsets, sixteen values a beat, each from 0 to 255.

A track without a grid is drawn by the clock: seconds stand for beats, from time zero on, as on the page. The stored
form is in ``contour_form``.
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from analysis_worker.core.features import Bands, Frames, average_between
from analysis_worker.core.loudness import HOP_S as POWER_HOP_S
from analysis_worker.core.results import Contour
from analysis_worker.core.units import SILENCE_DB, power_to_db, ramp

STEPS_PER_BEAT = 16

_LOUDNESS_RANGE_LU = 36.0
_LOW_RANGE_DB = 30.0
"""A quieter step is drawn as nothing: breakdowns of dance music lie 6 to 20 dB below (common practice, no source)."""

_EARLY_S = 0.008
"""An attack on a step's edge counts for the step that it begins, also where the grid is as much as 5 ms late or early
(the goal for beats) and the envelope peaks 1 to 3 ms after the attack starts."""


def draw_contour(
    frames: Frames, power: NDArray[np.float64], bands: Bands, beats_s: NDArray[np.float64], duration_s: float
) -> Contour:
    """The contour between neighbouring beats of ``beats_s``; with fewer than two beats, of each second begun.

    ``loudness`` goes from 36 LU below the track's loudest steps (99th percentile) to them, ``low`` from 30 dB below the
    strongest low end to it (``frames``: 30 to 120 Hz, in windows of 93 ms), ``onsets`` from nothing to the strongest
    attacks in any band (99th percentile).
    """
    if len(beats_s) < 2:
        beats_s = np.arange(math.ceil(duration_s) + 1, dtype=np.float64)
    places = np.arange(STEPS_PER_BEAT * (len(beats_s) - 1) + 1) / STEPS_PER_BEAT
    edges = np.interp(places, np.arange(len(beats_s)), beats_s)
    level = power_to_db(average_between(power, POWER_HOP_S, edges - POWER_HOP_S / 2))
    low = power_to_db(average_between(frames.low, frames.hop_s, edges))
    return Contour(
        STEPS_PER_BEAT,
        _levels(level, _LOUDNESS_RANGE_LU),
        _levels(low, _LOW_RANGE_DB),
        _attacks(bands, edges),
    )


def _levels(decibels: NDArray[np.float64], range_db: float) -> tuple[int, ...]:
    if not len(decibels):
        return ()
    top = float(np.percentile(decibels, 99))
    if top <= SILENCE_DB + 20.0:
        return (0,) * len(decibels)
    return _bytes(ramp(decibels, top - range_db, top))


def _attacks(bands: Bands, edges_s: NDArray[np.float64]) -> tuple[int, ...]:
    """The highest onset strength in each step, of whichever band has it (each in units of its own deviation)."""
    steps = len(edges_s) - 1
    if not steps or not len(bands.low):
        return (0,) * steps
    strength = np.maximum(np.maximum(bands.low, bands.mid), bands.high)
    first = np.round((edges_s[:-1] - _EARLY_S) / bands.hop_s).astype(np.int64)
    highest = np.maximum.reduceat(strength, np.clip(first, 0, len(strength) - 1))
    highest[first >= len(strength)] = 0.0
    top = float(np.percentile(highest, 99)) or float(highest.max())
    return _bytes(highest / top) if top > 0.0 else (0,) * steps


def _bytes(shares: NDArray[np.floating]) -> tuple[int, ...]:
    values: list[int] = np.round(255 * np.clip(shares, 0.0, 1.0)).astype(np.uint8).tolist()
    return tuple(values)
