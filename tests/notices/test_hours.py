"""A member's hours by the wall clock of their zone, across midnight and across the days on which clocks change.

Offsets and changes from the IANA time zone database: Europe/Berlin is UTC+1, from 2025-03-30 01:00 UTC on UTC+2 (clocks
jump from 02:00 to 03:00), and from 2025-10-26 01:00 UTC on UTC+1 again (02:00 to 03:00 is shown twice).
"""

from __future__ import annotations

import datetime as dt

import pytest

from crewprep.notices.hours import end_of_day, is_quiet, last_strike, local_day, zones

BERLIN = "Europe/Berlin"


def utc(*parts: int) -> dt.datetime:
    return dt.datetime(*parts, tzinfo=dt.UTC)  # type: ignore[misc,arg-type]  # year to minute


def quiet_minutes(day: dt.datetime, zone: str, start: dt.time, end: dt.time) -> int:
    """How many minutes of the 24 hours from a moment on are quiet."""
    return sum(is_quiet(day + dt.timedelta(minutes=minute), zone, start, end) for minute in range(24 * 60))


@pytest.mark.parametrize(
    ("now", "quiet"),
    [
        (utc(2025, 1, 10, 20, 59), False),
        (utc(2025, 1, 10, 21, 0), True),  # 22:00 in Berlin
        (utc(2025, 1, 11, 5, 59), True),
        (utc(2025, 1, 11, 6, 0), False),  # 07:00
        (utc(2025, 7, 10, 20, 0), True),  # 22:00 in summer
        (utc(2025, 7, 10, 5, 0), False),
    ],
)
def test_quiet_hours_across_midnight(now: dt.datetime, quiet: bool) -> None:
    assert is_quiet(now, BERLIN, dt.time(22), dt.time(7)) is quiet


def test_quiet_hours_within_a_day_and_none() -> None:
    assert is_quiet(utc(2025, 1, 10, 12, 30), "UTC", dt.time(12), dt.time(13))
    assert not is_quiet(utc(2025, 1, 10, 13, 0), "UTC", dt.time(12), dt.time(13))
    assert not is_quiet(utc(2025, 1, 10, 12, 30), "UTC", None, None)


def test_quiet_nights_are_an_hour_shorter_and_longer_where_clocks_change() -> None:
    start, end = dt.time(22), dt.time(7)
    assert quiet_minutes(utc(2025, 1, 10, 12), BERLIN, start, end) == 9 * 60
    assert quiet_minutes(utc(2025, 3, 29, 12), BERLIN, start, end) == 8 * 60
    assert quiet_minutes(utc(2025, 10, 25, 12), BERLIN, start, end) == 10 * 60


@pytest.mark.parametrize(
    ("now", "hour", "strike"),
    [
        (utc(2025, 3, 28, 8, 0), 9, utc(2025, 3, 28, 8, 0)),
        (utc(2025, 3, 29, 7, 59), 9, utc(2025, 3, 28, 8, 0)),
        (utc(2025, 3, 30, 7, 0), 9, utc(2025, 3, 30, 7, 0)),  # 09:00 comes an hour earlier by UTC
        (utc(2025, 3, 30, 1, 0), 2, utc(2025, 3, 30, 1, 0)),  # 02:00 is left out: it comes when clocks show 03:00
        (utc(2025, 10, 26, 0, 30), 2, utc(2025, 10, 26, 0, 0)),  # 02:00 twice: the first
        (utc(2025, 10, 26, 1, 30), 2, utc(2025, 10, 26, 0, 0)),
        (utc(2025, 10, 27, 0, 59), 2, utc(2025, 10, 26, 0, 0)),
        (utc(2025, 10, 27, 1, 0), 2, utc(2025, 10, 27, 1, 0)),
    ],
)
def test_the_hour_of_the_digest(now: dt.datetime, hour: int, strike: dt.datetime) -> None:
    assert last_strike(now, BERLIN, hour) == strike


@pytest.mark.parametrize("zone", ["Europe/Berlin", "America/St_Johns", "Pacific/Apia", "Australia/Lord_Howe", "UTC"])
@pytest.mark.parametrize("hour", [0, 2, 9, 23])
def test_a_digest_comes_once_on_each_day_of_a_year(zone: str, hour: int) -> None:
    strikes = {last_strike(utc(2025, 1, 2) + dt.timedelta(minutes=30 * step), zone, hour) for step in range(48 * 364)}
    days = {local_day(strike, zone) for strike in strikes}
    assert len(strikes) == len(days)
    assert len(days) in {364, 365}


def test_the_end_of_a_day() -> None:
    assert end_of_day(dt.date(2025, 3, 30), BERLIN) == utc(2025, 3, 30, 22, 0)
    assert end_of_day(dt.date(2025, 3, 29), BERLIN) == utc(2025, 3, 29, 23, 0)


def test_zones_are_places() -> None:
    assert {"UTC", "Europe/Berlin", "America/Argentina/Ushuaia"} <= set(zones())
    assert not any(name.startswith("Etc/") for name in zones())
