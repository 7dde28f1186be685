"""Spans of bars with a role, and the figures that the rules for sections look at."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from analysis_worker.core.features import BarFeatures
from analysis_worker.core.results import Role
from analysis_worker.core.units import ramp

FULL = 0.6
"""From this share of kick, low end and bass on, a bar counts as having them."""

AROUND_BARS = 4
"""How many bars to each side of a bar line are compared."""


TURN_DB = 2.0
"""Inside the drops of 85 invented tracks medians of eight bars differ by at most 0.6 dB between attacks; where a part
comes or goes, mostly by 2 to 11 dB (measured)."""
_SETTLED_BARS = 8
_AWAY_BARS = 6


@dataclass(frozen=True, slots=True)
class Span:
    """A section in bars, from ``start`` up to and without ``end``."""

    start: int
    end: int
    role: Role
    confidence: float
    reason: str

    @property
    def bars(self) -> int:
        """Length in bars."""
        return self.end - self.start


@dataclass(slots=True)
class Facts:
    """What the rules look at, once per track."""

    bars: BarFeatures
    kinds: NDArray[np.int64]
    novelty: NDArray[np.float64]
    odds: NDArray[np.float64]
    """Log odds that a section begins at each bar."""
    points: list[int]
    """Where one likely does."""
    full: NDArray[np.float64] = field(init=False)
    """How much of kick, low end and bass is there (0 to 1), against the bars that have most of them."""
    texture_db: float = field(init=False)
    """By how much what sounds between attacks differs from bar to bar."""

    def __post_init__(self) -> None:
        bars = self.bars
        low = ramp(
            bars.low_db, float(np.percentile(bars.low_db, 90)) - 14.0, float(np.percentile(bars.low_db, 90)) - 4.0
        )
        top_bass = float(np.percentile(bars.bass_db, 90))
        bass = ramp(bars.bass_db, top_bass - 14.0, top_bass - 4.0)
        turns = np.sqrt(np.mean(np.diff(bars.rest_db, axis=0) ** 2, axis=1))
        self.texture_db = float(np.median(turns)) if len(turns) else 0.0
        self.full = (low + bass + ramp(bars.kick, 0.25, 0.75)) / 3

    def __len__(self) -> int:
        return len(self.bars)

    def step(self, values: NDArray[np.float64], bar: int) -> float:
        """Change of a figure at a bar line: the mean of the four bars from it less that of the four before."""
        before, after = values[max(0, bar - AROUND_BARS) : bar], values[bar : bar + AROUND_BARS]
        return float(np.mean(after) - np.mean(before)) if len(before) and len(after) else 0.0

    def settled_step(self, values: NDArray[np.float64], bar: int) -> float:
        """Change of a figure at a bar line between the medians of the eight bars on each side (root mean square of the
        bands of a spectrum), which fills, rests and patterns of a few bars do not move."""
        before, after = values[max(0, bar - _SETTLED_BARS) : bar], values[bar : bar + _SETTLED_BARS]
        if not len(before) or not len(after):
            return 0.0
        change = np.median(after, axis=0) - np.median(before, axis=0)
        return float(change) if change.ndim == 0 else float(np.sqrt(np.mean(change**2)))

    def turns(self, bar: int) -> bool:
        """Whether what sounds between attacks changes for good by more than it differs from bar to bar, and changes
        more here than at any bar line around."""
        around = range(max(1, bar - _AWAY_BARS), min(len(self) - 1, bar + _AWAY_BARS) + 1)
        steps = {other: self.settled_step(self.bars.rest_db, other) for other in around}
        least = max(TURN_DB, self.texture_db, max(steps.values(), default=0.0))
        return bar in steps and steps[bar] >= least

    def mean(self, values: NDArray[np.float64], start: int, end: int) -> float:
        """Mean of a figure over bars."""
        return float(np.mean(values[start:end])) if end > start else 0.0


def slope(values: NDArray[np.float64]) -> float:
    if len(values) < 2:
        return 0.0
    place = np.arange(len(values)) - (len(values) - 1) / 2
    return float(np.sum(place * values) / np.sum(place**2))


def sure(value: float) -> float:
    return round(float(np.clip(value, 0.05, 0.98)), 3)


def bar_count(count: int) -> str:
    return f"{count} bar" if count == 1 else f"{count} bars"


def signed(decibels: float) -> str:
    return f"{decibels:+.0f}".replace("-", "−")
