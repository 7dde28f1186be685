"""How many tracks stood open at the end of each day, from the first track until the night is due.

A track comes with its place in a crate (``CrateTrack.created_at``) and goes with the first approval of a sheet by that
crate's version (``SheetVersion.created_at``), or, of an older sheet that keeps its meaning, with its approval or the
re-check that found it right. The picture is of the crates and versions as they are now: a crate that
was moved to another night takes its days along.
"""

from __future__ import annotations

import datetime as dt
from collections import defaultdict
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from itertools import accumulate
from uuid import UUID

from crewprep.crates.models import Night
from crewprep.readiness.selectors import NightPlace, night_places


@dataclass(frozen=True, slots=True)
class Day:
    """A day by the night's clocks. ``open`` is None for days that are not over before today; ``even`` is where the crew
    would stand if each track's work were spread evenly from the day it came to the day it is due.
    """

    date: dt.date
    open: int | None
    even: float


@dataclass(frozen=True, slots=True)
class BurnDown:
    """The days in order, none where the night's crates never had a track; ``today`` may lie outside of them."""

    days: tuple[Day, ...]
    today: dt.date

    @property
    def most(self) -> float:
        """The highest figure, at least 1."""
        return max([1.0, *(day.even for day in self.days), *(float(day.open or 0) for day in self.days)])


Span = tuple[dt.datetime, dt.datetime | None]
"""A time when a track was open: from its coming until its approval, or until now."""


def burn_down_of(night: Night, places: Sequence[NightPlace] | None = None) -> BurnDown:
    """The burn-down of a night; one query, none where its places are at hand (``night_places``)."""
    rows = night_places(night) if places is None else places
    spans: dict[UUID, list[Span]] = defaultdict(list)
    for one in rows:
        if one.ready_since is None or one.ready_since > one.came:
            spans[one.track].append((one.came, one.ready_since))
    start = rows[0].came.astimezone(night.zone).date() if rows else None
    return BurnDown(burn_down(list(spans.values()), night, start), night.today())


def burn_down(tracks: Sequence[Sequence[Span]], night: Night, start: dt.date | None) -> tuple[Day, ...]:
    """The days from ``start`` until the night is due and over, from the spans in which each track was open."""
    if start is None:
        return ()
    due, today = max(night.due_on, start), night.today()
    length = (max(night.date, due) - start).days + 1
    steps = [0] * (length + 1)
    slopes: list[tuple[int, int]] = []

    def day_of(moment: dt.datetime) -> int:
        return (moment.astimezone(night.zone).date() - start).days

    for spans in tracks:
        for came, went in _merged((day_of(came), None if went is None else day_of(went)) for came, went in spans):
            if came < length:
                steps[came] += 1
                steps[min(length, length if went is None else went)] -= 1
        slopes.append((min(day_of(came) for came, _ in spans), (due - start).days))
    open_at_end = list(accumulate(steps[:length]))
    even = _even(slopes, length)
    dates = [start + dt.timedelta(days=index) for index in range(length)]
    return tuple(
        Day(date, counted if date <= today else None, ideal)
        for date, counted, ideal in zip(dates, open_at_end, even, strict=True)
    )


def _merged(spans: Iterable[tuple[int, int | None]]) -> list[tuple[int, int | None]]:
    """Days as half-open spans, joined where they touch; a span that ends on its first day is none."""
    found: list[tuple[int, int | None]] = []
    for came, went in sorted(spans, key=lambda span: span[0]):
        if went is not None and went <= came:
            continue
        if found and (found[-1][1] is None or came <= (found[-1][1] or 0)):
            last = found[-1][1]
            found[-1] = (found[-1][0], None if last is None or went is None else max(last, went))
        else:
            found.append((came, went))
    return found


def _even(slopes: Sequence[tuple[int, int]], length: int) -> list[float]:
    """For each day the sum of lines that fall from 1 on the day a track came to 0 on the day it is due."""
    # A sum of straight pieces: one accumulation for the heights, one for the slopes.
    heights, falls = [0.0] * (length + 1), [0.0] * (length + 1)
    for came, due in slopes:
        if came >= due:
            continue
        fall = 1 / (due - came)
        heights[came] += 1
        falls[came + 1] += fall
        falls[min(due, length - 1) + 1] -= fall
    fallen = list(accumulate(falls[:length]))
    values = [height - fell for height, fell in zip(accumulate(heights[:length]), accumulate(fallen), strict=True)]
    return [max(0.0, round(value, 9)) for value in values]
