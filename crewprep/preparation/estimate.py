"""How many minutes a track takes, from what is known of it, and how a crew's own times correct that. Pure.

The plain estimate is our own first guess, a sum of parts that can be read one by one. A crew's factor on it comes from
its recorded times: the median of the ratios of time taken to time expected (taken as logarithms; up to half of the
times may be wild without moving it far, see Huber, Robust Statistics, 1981), drawn towards 1 by the credibility weight
n / (n + k) of Bühlmann (Experience rating and credibility, ASTIN Bulletin 4, 1967), so that few tracks change little.
"""

from __future__ import annotations

import math
import statistics
from collections.abc import Sequence
from dataclasses import dataclass

BEGIN_MIN = 2.0
"""Opening a track, reading what is there, proposing."""
LISTEN_FACTOR = 1.25
"""Hearing it once, with stops."""
CHECK_MIN = 0.4
"""Looking at a drafted marker that is sure."""
UNSURE_MIN = 1.6
"""More for one that is not sure at all; in between in proportion."""
OPEN_SLOT_MIN = 1.5
"""Finding the place for a required slot that the draft left empty."""
GRID_MIN = 4.0
"""Putting an unsteady or doubtful grid right."""
SURE_GRID = 0.5
"""A grid of less confidence is doubtful."""
ASSUMED_US = 360_000_000
"""Length of a track that is not analysed yet."""
REVIEW_MIN, REVIEW_LISTEN_FACTOR, REVIEW_MARKER_MIN = 1.0, 0.6, 0.3

CREDIBILITY = 5
"""How many recorded tracks weigh as much as the plain estimate does."""
FACTOR_LIMITS = (0.25, 4.0)


@dataclass(frozen=True, slots=True)
class Facts:
    """What the estimate asks of a track: its length (None before its analysis), how many markers its draft has and the
    mean of their confidences (0 to 1), how many required slots have none, its grid, and whether there is a draft at
    all."""

    duration_us: int | None
    markers: int
    confidence: float | None
    open_slots: int
    steady: bool = True
    grid_confidence: float = 1.0
    drafted: bool = False


@dataclass(frozen=True, slots=True)
class Part:
    """A part of the plain estimate: for what, and how many minutes."""

    words: str
    minutes: float


@dataclass(frozen=True, slots=True)
class Estimate:
    """Whole minutes to prepare and to review a track, each at least one. ``plain`` is the sum of ``parts``, before the
    crew's factor; ``assumed`` where the track has not been analysed."""

    prepare: int
    review: int
    plain: float
    parts: tuple[Part, ...]
    assumed: bool


@dataclass(frozen=True, slots=True)
class CrewFactor:
    """What a crew's times make of the plain estimate, and from how many recorded tracks."""

    value: float = 1.0
    recorded: int = 0


def estimate(facts: Facts, factor: CrewFactor = CrewFactor()) -> Estimate:
    """Minutes to prepare (with the crew's factor) and to review (without: no reviews are timed) a track."""
    listen = (ASSUMED_US if facts.duration_us is None else facts.duration_us) / 60e6
    doubt = 0.0 if facts.confidence is None else facts.markers * (1 - min(max(facts.confidence, 0.0), 1.0))
    doubtful_grid = facts.duration_us is not None and (not facts.steady or facts.grid_confidence < SURE_GRID)
    named = (
        ("open it and propose", BEGIN_MIN),
        ("hear it through", LISTEN_FACTOR * listen),
        ("check the draft", CHECK_MIN * facts.markers),
        ("settle what is unsure", UNSURE_MIN * doubt),
        ("find open slots", OPEN_SLOT_MIN * facts.open_slots),
        ("put the grid right", GRID_MIN * doubtful_grid),
    )
    parts = tuple(Part(words, minutes) for words, minutes in named if minutes > 0)
    plain = sum(part.minutes for part in parts)
    review = REVIEW_MIN + REVIEW_LISTEN_FACTOR * listen + REVIEW_MARKER_MIN * (facts.markers + facts.open_slots)
    return Estimate(
        prepare=max(round(plain * factor.value), 1), review=max(round(review), 1), plain=plain, parts=parts,
        assumed=facts.duration_us is None,
    )  # fmt: skip


def crew_factor(times: Sequence[tuple[float, float]]) -> CrewFactor:
    """The factor from (expected, taken) minutes of recorded tracks, all over zero; 1 where there are none."""
    if not times:
        return CrewFactor()
    middle = statistics.median(math.log(taken / expected) for expected, taken in times)
    value = math.exp(middle * len(times) / (len(times) + CREDIBILITY))
    return CrewFactor(min(max(value, FACTOR_LIMITS[0]), FACTOR_LIMITS[1]), len(times))
