"""Nights: made, changed, told by their own clocks; crates under them."""

from __future__ import annotations

import datetime as dt

import pytest
from django.utils import timezone

from crewprep.common.errors import Conflict, Invalid, NotFound, Refused
from crewprep.crates.models import Crate, Night
from crewprep.crates.nights import NightPlan, edit_night, local_moment, make_night, put_under_night
from crewprep.crates.selectors import crate_for, next_night, night_for, nights_of
from crewprep.crates.services import make_crate
from crewprep.crews.models import Membership
from crewprep.models import Activity
from tests import factories

pytestmark = pytest.mark.django_db

LISBON = "Europe/Lisbon"
PLAN = NightPlan(
    "Harbour Shed", dt.date(2027, 6, 5), dt.time(22), LISBON, local_moment(dt.date(2027, 6, 4), dt.time(18), LISBON)
)


def changed(**values) -> NightPlan:
    from dataclasses import replace

    return replace(PLAN, **values)


def test_a_night_is_made_and_changed_with_a_row_each(lead: Membership, resident: Membership) -> None:
    night = make_night(member=resident, plan=PLAN)
    assert night.doors is not None
    assert night.doors.isoformat() == "2027-06-05T22:00:00+01:00"
    assert night.due_on == dt.date(2027, 6, 4)
    same = edit_night(member=lead, night=night, plan=PLAN, seen_revision=1)
    assert same.revision == 1
    later = edit_night(member=lead, night=night, plan=changed(ready_by=None), seen_revision=1)
    assert (later.revision, later.due_on) == (2, dt.date(2027, 6, 5))
    verbs = Activity.objects.filter(subject_id=night.pk).order_by("created_at").values_list("verb", flat=True)
    assert list(verbs) == ["night made", "night changed"]


def test_who_may_not_and_what_cannot_be(lead: Membership, newcomer: Membership) -> None:
    with pytest.raises(Refused):
        make_night(member=newcomer, plan=PLAN)
    night = make_night(member=lead, plan=PLAN)
    with pytest.raises(Refused):
        edit_night(member=newcomer, night=night, plan=changed(name="Mine"), seen_revision=1)
    for code, plan in {
        "night:name-missing": changed(name="  "),
        "night:zone-unknown": changed(time_zone="Mars/Olympus"),
        # A deadline after the doors have opened; without doors the whole day is left.
        "night:deadline-late": changed(ready_by=local_moment(dt.date(2027, 6, 5), dt.time(22, 1), LISBON)),
        # On 28 March 2027 the clocks of Lisbon go from 01:00 to 02:00 (IANA tz database, rule EU).
        "night:no-such-time": changed(date=dt.date(2027, 3, 28), doors_at=dt.time(1, 30), ready_by=None),
    }.items():
        with pytest.raises(Invalid) as refused:
            edit_night(member=lead, night=night, plan=plan, seen_revision=1)
        assert refused.value.code == code
    with pytest.raises(Conflict):
        make_night(member=lead, plan=PLAN)
    all_day = changed(doors_at=None, ready_by=local_moment(dt.date(2027, 6, 5), dt.time(23, 59), LISBON))
    assert edit_night(member=lead, night=night, plan=all_day, seen_revision=1).revision == 2


def test_of_two_changes_from_one_look_the_second_is_told(lead: Membership, resident: Membership) -> None:
    night = make_night(member=lead, plan=PLAN)
    stale = Night.objects.get(pk=night.pk)
    edit_night(member=lead, night=night, plan=changed(name="Harbour Hall"), seen_revision=1)
    with pytest.raises(Conflict) as conflict:
        edit_night(member=resident, night=stale, plan=changed(name="Harbour Barn"), seen_revision=1)
    assert conflict.value.code == "night:moved-on"
    assert Night.objects.get().name == "Harbour Hall"


def test_a_crate_is_put_under_a_night_and_taken_away(lead: Membership, newcomer: Membership, crate: Crate) -> None:
    night = make_night(member=lead, plan=PLAN)
    with pytest.raises(Refused):
        put_under_night(member=newcomer, crate=crate, night=night)
    stale = crate_for(lead, crate.pk)
    put_under_night(member=lead, crate=crate, night=night)
    assert nights_of(lead).get().crate_count == 1  # type: ignore[attr-defined]  # annotated
    with pytest.raises(Conflict):
        put_under_night(member=lead, crate=stale, night=make_night(member=lead, plan=changed(name="Elsewhere")))
    put_under_night(member=lead, crate=crate, night=None)
    crate.refresh_from_db()
    assert crate.night is None
    verbs = Activity.objects.filter(subject_id=crate.pk).order_by("created_at").values_list("verb", flat=True)
    assert list(verbs) == ["crate made", "crate put under night", "crate taken from night"]


def test_another_crews_night_looks_like_none(lead: Membership) -> None:
    theirs = make_night(member=factories.crew_with(), plan=PLAN)
    with pytest.raises(NotFound):
        night_for(lead, theirs.pk)


def test_a_new_nights_clocks_are_those_of_the_last(lead: Membership) -> None:
    make_night(member=lead, plan=PLAN)
    version = factories.convention(lead)
    made = make_crate(member=lead, name="Barge", convention_version=version, night_date=dt.date(2027, 7, 1))
    assert made.night is not None
    assert made.night.time_zone == LISBON


def test_the_next_night_is_told_by_its_own_clocks(lead: Membership, monkeypatch: pytest.MonkeyPatch) -> None:
    """At half past ten in the evening in UTC it is tomorrow in Tokyo and still today in Lima."""
    now = dt.datetime(2027, 1, 9, 22, 30, tzinfo=dt.UTC)
    monkeypatch.setattr(timezone, "now", lambda: now)
    tokyo = make_night(member=lead, plan=NightPlan("East", dt.date(2027, 1, 9), time_zone="Asia/Tokyo"))
    lima = make_night(member=lead, plan=NightPlan("West", dt.date(2027, 1, 9), time_zone="America/Lima"))
    assert next_night(lead) == lima
    assert (tokyo.days_left, lima.days_left) == (-1, 0)
