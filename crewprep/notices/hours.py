"""A member's hours: quiet ones, and the one of the daily digest. Numbers in, answers out; no clock of its own.

A zone is an IANA name. Hours are read off the wall clock of that zone, so that "22:00 to 07:00" stays what the member
sees, an hour more or less of it on the two nights in which clocks change. The hour of a digest that the clocks leave
out comes when they have jumped; of one that they show twice, the first counts (PEP 495, ``fold=0``).
"""

from __future__ import annotations

import datetime as dt
from functools import cache
from zoneinfo import ZoneInfo, available_timezones


@cache
def zones() -> tuple[str, ...]:
    """The names that a member may choose from: places, and UTC."""
    places = {name for name in available_timezones() if "/" in name and not name.startswith(("Etc/", "SystemV/"))}
    return ("UTC", *sorted(places))


def is_quiet(now: dt.datetime, zone: str, start: dt.time | None, end: dt.time | None) -> bool:
    """Whether the member's clock stands between two times, across midnight where the end is the earlier one."""
    if start is None or end is None or start == end:
        return False
    clock = now.astimezone(ZoneInfo(zone)).time()
    return start <= clock < end if start < end else clock >= start or clock < end


def last_strike(now: dt.datetime, zone: str, hour: int) -> dt.datetime:
    """The newest moment, now included, at which the member's clock came to a full hour of the day; aware, in UTC."""
    place = ZoneInfo(zone)
    today = now.astimezone(place).date()
    for day in (today, today - dt.timedelta(days=1)):
        strike = dt.datetime.combine(day, dt.time(hour), place).astimezone(dt.UTC)
        if strike <= now:
            return strike
    return dt.datetime.combine(today - dt.timedelta(days=2), dt.time(hour), place).astimezone(dt.UTC)


def local_day(now: dt.datetime, zone: str) -> dt.date:
    """The date on the member's calendar."""
    return now.astimezone(ZoneInfo(zone)).date()


def end_of_day(day: dt.date, zone: str) -> dt.datetime:
    """When a date is over in a zone; aware, in UTC."""
    return dt.datetime.combine(day + dt.timedelta(days=1), dt.time(), ZoneInfo(zone)).astimezone(dt.UTC)
