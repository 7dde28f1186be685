"""Figures of practice as people say them, and as lines in a drawing."""

from __future__ import annotations

import datetime as dt
import math
from collections.abc import Sequence
from dataclasses import dataclass

from crewprep.onboarding.figures import Pooled, Share
from crewprep.onboarding.progress import MissCount, Progress
from crewprep.web.words import count_of

WIDTH, HEIGHT = 600, 200
"""Size of the drawing in its own units; it is stretched to the page."""
MOST_DRAWN = 16
"""So many drills have a line each; more are drawn by the week, and of weeks the latest so many."""


def share_of_words(share: Share | Pooled) -> str:
    """``3 of 4``; a dash where nothing was tried."""
    return f"{share.successes} of {share.trials}" if share.trials else "–"


def range_words(share: Share | Pooled) -> str:
    """The interval in whole per cent, rounded outwards: ``30 to 96 %``; empty where nothing was tried."""
    if not share.trials:
        return ""
    return f"{math.floor(share.interval.low * 100)} to {math.ceil(share.interval.high * 100)} %"


def share_words(share: Share | Pooled) -> str:
    """Share and interval in one phrase: ``3 of 4; could be anything from 30 to 96 %``."""
    if not share.trials:
        return "nothing marked yet"
    return f"{share_of_words(share)}; could be anything from {range_words(share)}"


def miss_words(miss: MissCount) -> str:
    """A miss and how often: ``a phrase late, 3 times``."""
    return f"{_miss(miss)}, {'once' if miss.times == 1 else count_of(miss.times, 'time')}"


def _miss(miss: MissCount) -> str:
    match miss.miss:
        case "phrase" if miss.phrases:
            number = "a phrase" if abs(miss.phrases) == 1 else f"{abs(miss.phrases)} phrases"
            return f"{number} {'late' if miss.phrases > 0 else 'early'}"
        case "function" if miss.other:
            return f"where the {miss.other} is"
        case "extra":
            return "marked where the sheet has none"
    return {
        "beat": "within a beat, but not on it",
        "function": "at the place of another slot",
        "phrase": "whole phrases away",
        "half bar": "half a bar away",
        "bar": "less than a bar away, off the beat",
        "missing": "left out",
    }.get(miss.miss, "somewhere else")


@dataclass(frozen=True, slots=True)
class Bars:
    """A share on a line of 100: where the interval starts, how long it is, and where the share lies."""

    low: float
    length: float
    at: float


def bars(share: Share | Pooled) -> Bars | None:
    """The share as a line; None where nothing was tried."""
    if share.value is None:
        return None
    low, high = share.interval.low * 100, share.interval.high * 100
    return Bars(round(low, 1), round(high - low, 1), round(share.value * 100, 1))


@dataclass(frozen=True, slots=True)
class ProgressDrawing:
    """Shares within a beat over time: dots, their intervals as upright lines, and the height of the bar."""

    dots: str
    intervals: str
    bar_y: float
    first: dt.date
    last: dt.date
    by_week: bool
    shown: int


def draw(progress: Progress, least_share: float) -> ProgressDrawing | None:
    """The drawing, or None where there is nothing to draw."""
    by_week = len(progress.drills) > MOST_DRAWN
    points: Sequence[tuple[dt.date, Share | Pooled]] = (
        [(week.monday, week.within["beat"]) for week in progress.weeks]
        if by_week
        else [(one.handed_in_at.date(), one.within["beat"]) for one in progress.drills]
    )
    points = [(day, share) for day, share in points if share.trials][-MOST_DRAWN:]
    if not points:
        return None
    across = WIDTH / len(points)
    dots, intervals = [], []
    for index, (_, share) in enumerate(points):
        x = f"{(index + 0.5) * across:.1f}"
        dots.append(f"M{x} {_y(share.value or 0)}h0")
        intervals.append(f"M{x} {_y(share.interval.low)}V{_y(share.interval.high)}")
    return ProgressDrawing(
        " ".join(dots), " ".join(intervals), _y(least_share), points[0][0], points[-1][0], by_week, len(points)
    )


def _y(share: float) -> float:
    return round(HEIGHT - HEIGHT * share, 1)
