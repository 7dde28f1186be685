"""Making and changing nights, and putting crates under them."""

from __future__ import annotations

import datetime as dt
import functools
import zoneinfo
from dataclasses import dataclass
from typing import Any

from django.db import IntegrityError, transaction
from django.utils import timezone

from crewprep.activity.services import record
from crewprep.common.errors import Conflict, Invalid
from crewprep.crates.models import Crate, Night
from crewprep.crews.models import Membership
from crewprep.crews.rules import may_fill_crates


@dataclass(frozen=True, slots=True)
class NightPlan:
    """What a night is called and when it is: ``date`` and ``doors_at`` by the clocks of ``time_zone``."""

    name: str
    date: dt.date
    doors_at: dt.time | None = None
    time_zone: str = "UTC"
    ready_by: dt.datetime | None = None


@functools.cache
def time_zones() -> tuple[str, ...]:
    """The names of the IANA time zones that this machine knows, in order."""
    return tuple(sorted(name for name in zoneinfo.available_timezones() if "/" in name or name == "UTC"))


def zone_of(member: Membership) -> str:
    """The time zone that a new night starts with: that of the crew's newest night, or UTC."""
    newest = Night.objects.filter(crew=member.crew).order_by("-created_at").values_list("time_zone", flat=True)
    return newest.first() or "UTC"


def local_moment(day: dt.date, time: dt.time, zone_name: str) -> dt.datetime:
    """A time by the clocks of a zone; of one that comes twice, the first. Raises ``Invalid`` for one that they skip."""
    if zone_name not in time_zones():
        raise Invalid("night:zone-unknown", zone=zone_name[:64])
    moment = dt.datetime.combine(day, time, zoneinfo.ZoneInfo(zone_name))
    there_and_back = moment.astimezone(dt.UTC).astimezone(moment.tzinfo)
    if there_and_back.replace(tzinfo=None) != moment.replace(tzinfo=None):
        raise Invalid("night:no-such-time", zone=zone_name, time=time.strftime("%H:%M"))
    return moment


def make_night(*, member: Membership, plan: NightPlan) -> Night:
    """Make a night without a crate yet (leads and residents).

    Raises ``Refused``, ``Invalid`` for a plan that cannot be, ``Conflict`` where there is one of that name and date.
    """
    may_fill_crates(member).require()
    values = _checked(plan)
    try:
        with transaction.atomic():
            night = Night.objects.create(crew=member.crew, **values)
            record(actor=member.user, verb="night made", subject=night, name=night.name)
    except IntegrityError as error:
        raise Conflict("night:taken", name=values["name"]) from error
    return night


def edit_night(*, member: Membership, night: Night, plan: NightPlan, seen_revision: int) -> Night:
    """Change a night that was seen at ``seen_revision``; a plan that is as before changes nothing.

    Raises as ``make_night`` does, and ``Conflict`` where somebody else changed it by then.
    """
    may_fill_crates(member).require()
    values = _checked(plan)
    if seen_revision == night.revision and all(getattr(night, name) == value for name, value in values.items()):
        return night
    try:
        with transaction.atomic():
            seen = Night.objects.filter(pk=night.pk, revision=seen_revision)
            if not seen.update(**values, revision=seen_revision + 1, changed_at=timezone.now()):
                raise Conflict("night:moved-on")
            record(actor=member.user, verb="night changed", subject=night, name=values["name"])
    except IntegrityError as error:
        raise Conflict("night:taken", name=values["name"]) from error
    night.refresh_from_db()
    return night


def put_under_night(*, member: Membership, crate: Crate, night: Night | None) -> Crate:
    """Set the night that a crate is for, or none; the crate's night must still be the one it was read with.

    Raises ``Refused``, ``Conflict`` where somebody else set it by then.
    """
    may_fill_crates(member).require()
    before = crate.night
    if (before.pk if before else None) == (night.pk if night else None):
        return crate
    with transaction.atomic():
        if not Crate.objects.filter(pk=crate.pk, night=before).update(night=night):
            raise Conflict("crate:night-moved-on")
        if night is not None:
            record(actor=member.user, verb="crate put under night", subject=crate, name=crate.name, night=night.name)
        elif before is not None:
            record(actor=member.user, verb="crate taken from night", subject=crate, name=crate.name, night=before.name)
    crate.refresh_from_db()
    return crate


def night_on(member: Membership, name: str, date: dt.date) -> Night:
    """The crew's night of that name and date, made where there is none; for services that make crates."""
    defaults = {"time_zone": zone_of(member)}
    return Night.objects.get_or_create(crew=member.crew, name=name, date=date, defaults=defaults)[0]


def _checked(plan: NightPlan) -> dict[str, Any]:
    name = plan.name.strip()[:80]
    if not name:
        raise Invalid("night:name-missing")
    begins = local_moment(plan.date, plan.doors_at or dt.time(12), plan.time_zone)
    if plan.doors_at is None:
        # A night without a time may begin at any hour of its day.
        begins = dt.datetime.combine(plan.date + dt.timedelta(days=1), dt.time(), begins.tzinfo)
    if plan.ready_by is not None and plan.ready_by > begins:
        raise Invalid("night:deadline-late", begins=begins.strftime("%d %B %Y, %H:%M"))
    return {
        "name": name, "date": plan.date, "doors_at": plan.doors_at, "time_zone": plan.time_zone,
        "ready_by": plan.ready_by,
    }  # fmt: skip
