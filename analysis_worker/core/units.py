"""Conversions in one place: time, level, and the scaling of figures to 0..1.

Levels are powers (mean squares) unless a name says otherwise; silence is clamped to ``SILENCE_DB``.
"""

from __future__ import annotations

from collections.abc import Iterable

import numpy as np
from numpy.typing import ArrayLike, NDArray

SILENCE_DB = -120.0
"""Floor of every level in decibels: far below 16-bit noise, and finite."""


def to_us(seconds: float) -> int:
    """Seconds to whole microseconds."""
    return round(float(seconds) * 1_000_000)


def all_to_us(seconds: Iterable[float]) -> tuple[int, ...]:
    """Many times in seconds to whole microseconds."""
    return tuple(to_us(second) for second in seconds)


def to_s(microseconds: float) -> float:
    """Microseconds to seconds."""
    return microseconds / 1_000_000


def power_to_db(power: ArrayLike) -> NDArray[np.float64]:
    """Mean squares to decibels, never below ``SILENCE_DB``."""
    values = np.asarray(power, dtype=np.float64)
    decibels: NDArray[np.float64] = 10.0 * np.log10(np.maximum(values, 10.0 ** (SILENCE_DB / 10.0)))
    return decibels


def ramp(values: ArrayLike, low: float, high: float) -> NDArray[np.float64]:
    """0 at or below ``low``, 1 at or above ``high``, straight in between (``low`` may exceed ``high``)."""
    scaled: NDArray[np.float64] = np.clip((np.asarray(values, dtype=np.float64) - low) / (high - low), 0.0, 1.0)
    return scaled


def clock(microseconds: int) -> str:
    """A time as people read it: minutes, seconds and tenths ("3:07.5")."""
    tenths = round(microseconds / 100_000)
    return f"{tenths // 600}:{tenths // 10 % 60:02d}.{tenths % 10}"
