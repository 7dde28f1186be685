"""A crew's nights and their deadlines as an iCalendar object (RFC 5545), for calendar programs to read.

A night is an event of its whole day, or begins when its doors open; its deadline is an event of no length with two
alarms, since many programs do not show to-dos of a calendar that they only read. UIDs stay for good, SEQUENCE counts
changes, DTSTAMP and LAST-MODIFIED are those of the last one, so that the same nights give the same bytes.
"""

from __future__ import annotations

import datetime as dt
import hashlib
import uuid
from collections.abc import Callable, Iterable
from dataclasses import dataclass
from zoneinfo import ZoneInfo

from icalendar import Alarm, Calendar, Event, Timezone, TimezoneDaylight, TimezoneStandard

from crewprep.crates.models import Night
from crewprep.crates.selectors import nights_of
from crewprep.crews.models import Membership
from crewprep.readiness.selectors import member_by_feed

MEDIA_TYPE = "text/calendar; charset=utf-8"
PRODUCT = "-//crewprep//Nights of a crew//EN"
KEPT_DAYS = 365
"""Nights leave the calendar so many days after they were."""
REFRESH = dt.timedelta(hours=1)
ALARMS = (dt.timedelta(days=-1), dt.timedelta(hours=-2))
"""When before a deadline a calendar program should remind."""

Address = Callable[[Night], str]
"""Where the board of a night is, as a whole URL."""


@dataclass(frozen=True, slots=True)
class CalendarFile:
    """The calendar's bytes and a tag that changes with them."""

    content: bytes
    tag: str


def calendar_by_feed(token: str, address: Address) -> CalendarFile:
    """The calendar of the member whose address holds this secret; raises ``NotFound``."""
    return calendar_of(member_by_feed(token), address)


def calendar_of(member: Membership, address: Address) -> CalendarFile:
    """The nights of the member's crew, those of the last year included."""
    since = dt.datetime.now(dt.UTC).date() - dt.timedelta(days=KEPT_DAYS)
    content = render(member.crew.name, list(nights_of(member).filter(date__gte=since)), address)
    return CalendarFile(content, hashlib.sha256(content).hexdigest()[:32])


def render(crew_name: str, nights: Iterable[Night], address: Address) -> bytes:
    """The iCalendar object: lines end in CRLF and are folded at 75 octets (RFC 5545, 3.1)."""
    calendar = Calendar()
    calendar.add("version", "2.0")
    calendar.add("prodid", PRODUCT)
    calendar.add("calscale", "GREGORIAN")
    # NAME and REFRESH-INTERVAL are of RFC 7986; programs that are older read the X- name.
    calendar.add("name", f"Nights of {crew_name}")
    calendar.add("x-wr-calname", f"Nights of {crew_name}")
    calendar.add("refresh-interval", REFRESH, parameters={"VALUE": "DURATION"})
    events: list[Event] = []
    years: dict[str, tuple[int, int]] = {}
    for night in nights:
        events += [_night(night, address), *_deadline(night, address)]
        if night.doors_at is not None or night.ready_by is not None:
            first, last = years.get(night.time_zone, (night.due_on.year, night.date.year))
            years[night.time_zone] = (min(first, night.due_on.year), max(last, night.date.year))
    if not events:
        # A calendar without a component is none (RFC 5545, 3.4).
        years["UTC"] = (2000, 2000)
    for zone, (first, last) in sorted(years.items()):
        calendar.add_component(_zone(zone, first, last))
    for event in events:
        calendar.add_component(event)
    return bytes(calendar.to_ical())


def _night(night: Night, address: Address) -> Event:
    event = _event(night, night.pk, address)
    event.add("summary", night.name)
    if night.doors is None:
        event.add("dtstart", night.date)
        event.add("dtend", night.date + dt.timedelta(days=1))  # the day after the last one (RFC 5545, 3.8.2.2)
    else:
        event.add("dtstart", night.doors)
    return event


def _deadline(night: Night, address: Address) -> Iterable[Event]:
    if night.ready_by is None:
        return
    event = _event(night, uuid.uuid5(night.pk, "deadline"), address)
    event.add("summary", f"Ready by now: {night.name}")
    event.add("dtstart", night.ready_by.astimezone(night.zone).replace(microsecond=0))
    for before in ALARMS:
        alarm = Alarm()
        alarm.add("action", "DISPLAY")
        alarm.add("trigger", before)
        alarm.add("description", f"Tracks for {night.name} are due.")
        event.add_component(alarm)
    yield event


def _event(night: Night, uid: uuid.UUID, address: Address) -> Event:
    event = Event()
    event.add("uid", str(uid))
    event.add("sequence", night.revision - 1)
    event.add("dtstamp", night.changed_at.astimezone(dt.UTC).replace(microsecond=0))
    event.add("last-modified", night.changed_at.astimezone(dt.UTC).replace(microsecond=0))
    event.add("url", address(night))
    event.add("transp", "TRANSPARENT")
    return event


def _zone(name: str, first: int, last: int) -> Timezone:
    """The zone's clocks from the year before ``first`` to the end of ``last``, each change as it was decreed.

    The onset of a change is told by the clocks before it (RFC 5545, 3.6.5).
    """
    zone = ZoneInfo(name)
    component = Timezone()
    component.add("tzid", name)
    start = dt.datetime(first - 1, 1, 1, tzinfo=dt.UTC)
    end = dt.datetime(last + 1, 1, 2, tzinfo=dt.UTC)
    component.add_component(_observance(zone, start, start))
    at = start
    while at < end:
        after = min(at + dt.timedelta(days=1), end)
        if _clock(zone, at) != _clock(zone, after):
            component.add_component(_observance(zone, *_change(zone, at, after)))
        at = after
    return component


def _change(zone: ZoneInfo, before: dt.datetime, after: dt.datetime) -> tuple[dt.datetime, dt.datetime]:
    """The last second with the old clocks and the first with the new ones, found by halving."""
    while after - before > dt.timedelta(seconds=1):
        middle = before + (after - before) // 2
        middle = middle.replace(microsecond=0)
        if _clock(zone, middle) == _clock(zone, before):
            before = middle
        else:
            after = middle
    return before, after


def _observance(zone: ZoneInfo, before: dt.datetime, onset: dt.datetime) -> TimezoneStandard | TimezoneDaylight:
    old, (offset, name, daylight) = _clock(zone, before)[0], _clock(zone, onset)
    component: TimezoneStandard | TimezoneDaylight = TimezoneDaylight() if daylight else TimezoneStandard()
    component.add("dtstart", (onset + old).replace(tzinfo=None))
    component.add("tzoffsetfrom", old)
    component.add("tzoffsetto", offset)
    component.add("tzname", name)
    return component


def _clock(zone: ZoneInfo, moment: dt.datetime) -> tuple[dt.timedelta, str, bool]:
    """How the clocks stand: distance from UTC, their name, and whether it is summer time."""
    local = moment.astimezone(zone)
    return local.utcoffset() or dt.timedelta(), local.tzname() or "", bool(local.dst())
