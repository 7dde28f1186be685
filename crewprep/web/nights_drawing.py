"""The burn-down of a night as lines in a drawing, with the same figures as a table."""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterable
from dataclasses import dataclass

from crewprep.readiness.board import CrateLine
from crewprep.readiness.burn_down import BurnDown, Day
from crewprep.readiness.standing import STATES

WIDTH, HEIGHT = 600, 200
"""Size of the drawing in its own units; it is stretched to the page."""


@dataclass(frozen=True, slots=True)
class TallyPart:
    """A crate's tracks of one state, as a part of a line that is as long as the crate has tracks."""

    state: str
    words: str
    start: int
    number: int


def tally(line: CrateLine) -> list[TallyPart]:
    """The states that the crate's tracks are in, the nearest to ready first."""
    parts, start = [], 0
    for state, number in reversed(line.counts.items()):
        if number:
            parts.append(TallyPart(state, STATES[state], start, number))
            start += number
    return parts


@dataclass(frozen=True, slots=True)
class TableLine:
    """A day on which a figure is worth reading."""

    date: dt.date
    open: int
    even: float


@dataclass(frozen=True, slots=True)
class BurnDownDrawing:
    """Points of the lines (``x,y`` pairs; ``at``: the last of the open tracks), the end of the scale, and the table."""

    open: str
    even: str
    at: str
    today_x: float | None
    top: int
    first: dt.date
    last: dt.date
    now: TableLine | None
    table: tuple[TableLine, ...]


def draw(found: BurnDown) -> BurnDownDrawing | None:
    """The drawing, or None where there is nothing to draw. The table leaves out days on which the figure stayed."""
    if not found.days:
        return None
    top = _round_up(found.most)
    told = [(index, day) for index, day in enumerate(found.days) if day.open is not None]
    across = WIDTH / max(1, len(found.days) - 1)
    now = told[-1] if told else None
    points = [(index * across, float(day.open or 0)) for index, day in told]
    return BurnDownDrawing(
        open=_points(points, top),
        at=_points(points[-1:], top),
        even=_points(((index * across, day.even) for index, day in enumerate(found.days)), top),
        today_x=round(now[0] * across, 1) if now is not None and now[1].date == found.today else None,
        top=top,
        first=found.days[0].date,
        last=found.days[-1].date,
        now=_line(now[1]) if now is not None else None,
        table=tuple(_line(day) for day in _worth_reading([day for _, day in told])),
    )


def _points(pairs: Iterable[tuple[float, float]], top: int) -> str:
    return " ".join(f"{x:.1f},{HEIGHT - HEIGHT * value / top:.1f}" for x, value in pairs)


def _round_up(most: float) -> int:
    """The scale's end: the next multiple of a round step, so that its half is a whole number too."""
    step = 2
    while most / step > 6:
        step = step * 5 // 2 if str(step)[0] == "2" else step * 2
    return -int(-most // step) * step


def _worth_reading(days: list[Day]) -> list[Day]:
    return [day for index, day in enumerate(days) if index in (0, len(days) - 1) or day.open != days[index - 1].open]


def _line(day: Day) -> TableLine:
    return TableLine(day.date, day.open or 0, day.even)
