"""The burn-down against a count by hand: for each end of a day, each track is looked at by itself."""

from __future__ import annotations

import datetime as dt
import random
from zoneinfo import ZoneInfo

import pytest
from django.db import connection
from django.test.utils import CaptureQueriesContext

from crewprep.crates.models import Crate, CrateTrack, Night
from crewprep.crews.models import Membership
from crewprep.models import SheetVersion
from crewprep.readiness.burn_down import burn_down, burn_down_of
from crewprep.readiness.selectors import open_tracks
from crewprep.sheets.counting import recount_all
from crewprep.sheets.services import put_in_crate
from tests import factories
from tests.readiness.scene import approved, night_of

pytestmark = pytest.mark.django_db

NIGHT = Night(name="Barge", date=dt.date(2027, 4, 10), time_zone="America/Santiago")


def by_hand(tracks, night: Night, date: dt.date) -> int:
    """How many tracks are open in the last instant of a day: one is, where any of its spans holds that instant."""
    midnight = dt.datetime.combine(date + dt.timedelta(days=1), dt.time(), ZoneInfo(night.time_zone))
    last = midnight.astimezone(dt.UTC) - dt.timedelta(microseconds=1)
    return sum(any(came <= last and (went is None or went > last) for came, went in spans) for spans in tracks)


@pytest.mark.parametrize("seed", range(25))
def test_any_spans_count_as_by_hand(seed: int) -> None:
    """In Santiago the clocks go back on 4 April 2027 (IANA tz database, rule Chile): one day has 25 hours."""
    random_ = random.Random(seed)
    base = dt.datetime(2027, 3, 25, 9, tzinfo=dt.UTC)

    def span():
        came = base + dt.timedelta(hours=random_.uniform(0, 350))
        went = came + dt.timedelta(hours=random_.expovariate(1 / 60)) if random_.random() < 0.7 else None
        return came, went

    tracks = [[span() for _ in range(random_.choice([1, 1, 1, 2, 3]))] for _ in range(random_.randrange(1, 40))]
    start = min(came for spans in tracks for came, _ in spans).astimezone(NIGHT.zone).date()
    days = burn_down(tracks, NIGHT, start)
    assert [day.date for day in days] == [start + dt.timedelta(days=n) for n in range((NIGHT.date - start).days + 1)]
    assert [day.open for day in days] == [
        by_hand(tracks, NIGHT, day.date) if day.date <= NIGHT.today() else None for day in days
    ]


@pytest.fixture(autouse=True)
def _after_the_night(monkeypatch: pytest.MonkeyPatch) -> None:
    """Made-up nights are over, so that every day counts; the others are told by the real clock."""
    real = Night.today
    monkeypatch.setattr(Night, "today", lambda self: dt.date(2027, 5, 1) if self is NIGHT else real(self))


def test_the_even_line_falls_from_what_came_to_zero() -> None:
    came = dt.datetime(2027, 3, 31, 12, tzinfo=dt.UTC)
    days = burn_down([[(came, None)]] * 10, NIGHT, dt.date(2027, 3, 31))
    assert [day.even for day in days] == pytest.approx([float(n) for n in range(10, -1, -1)])
    # Five more on the fifth of April: each falls from 1 to 0 in five days of its own.
    later = dt.datetime(2027, 4, 5, 12, tzinfo=dt.UTC)
    days = burn_down([[(came, None)]] * 10 + [[(later, None)]] * 5, NIGHT, dt.date(2027, 3, 31))
    assert [day.even for day in days] == pytest.approx([10, 9, 8, 7, 6, 10, 8, 6, 4, 2, 0])
    assert [day.open for day in days] == [10] * 5 + [15] * 6


def test_tracks_that_come_on_the_last_day_and_later(lead: Membership) -> None:
    came = dt.datetime(2027, 4, 10, 12, tzinfo=dt.UTC)
    (day,) = burn_down([[(came, None)]], NIGHT, NIGHT.date)
    assert (day.open, day.even) == (1, 0)
    (day,) = burn_down([[(came + dt.timedelta(days=3), None)]], NIGHT, dt.date(2027, 4, 13))
    assert (day.date, day.open) == (dt.date(2027, 4, 13), 1)
    assert burn_down_of(night_of(lead)).days == ()


def test_stored_times_make_the_picture(lead: Membership, resident: Membership, crate: Crate) -> None:
    """Tracks of three days, one approved by and by, one before it came, one by another version, one in two crates."""
    midday = dt.datetime.combine(dt.datetime.now(dt.UTC).date(), dt.time(12), dt.UTC)
    day = dt.timedelta(days=1)
    early = approved(lead, resident, crate)
    before = approved(lead, resident, crate)
    factories.convention(lead, name="Warehouse")
    newer = factories.crate(lead)
    stays = factories.analysed_track(lead, crate)
    both = approved(lead, resident, crate)
    put_in_crate(member=lead, crate=newer, track=both)

    def set_times(track, crate: Crate, came: int, went: int | None = None) -> None:
        CrateTrack.objects.filter(track=track, crate=crate).update(created_at=midday - came * day)
        if went is not None:
            SheetVersion.objects.filter(track=track).update(created_at=midday - went * day)

    set_times(early, crate, 6, 2)
    set_times(before, crate, 4, 5)
    set_times(stays, crate, 3)
    set_times(both, crate, 5, 4)
    set_times(both, newer, 1)
    recount_all()
    night = night_of(lead, crate, newer, in_days=2)
    found = burn_down_of(night)
    assert found.days[0].date == (midday - 6 * day).date()
    assert [one.open for one in found.days] == [1, 2, 1, 2, 1, 2, 2, None, None]
    assert found.days[6].open == open_tracks(night).count()
    with CaptureQueriesContext(connection) as asked:
        burn_down_of(night)
    assert len(asked) == 1
