"""Making crates and putting tracks into them."""

from __future__ import annotations

import datetime as dt

from django.db import IntegrityError, transaction
from django.db.models import Max

from crewprep.activity.services import record
from crewprep.common.errors import Conflict, Invalid
from crewprep.conventions.models import ConventionVersion
from crewprep.crates.models import Crate, CrateTrack
from crewprep.crates.nights import night_on
from crewprep.crews.models import Membership
from crewprep.crews.rules import may_fill_crates
from crewprep.tracks.models import Track


def make_crate(
    *, member: Membership, name: str, convention_version: ConventionVersion | None, night_date: dt.date | None = None
) -> Crate:
    """Make a crate pinned to a convention version, with its night where a date is given.

    Raises ``Refused``, ``Invalid`` for a missing name or convention, ``Conflict`` where the name is taken.
    """
    may_fill_crates(member).require()
    name = name.strip()[:80]
    if not name:
        raise Invalid("crate:name-missing")
    if convention_version is None:
        raise Invalid("convention:none")
    try:
        with transaction.atomic():
            night = night_on(member, name, night_date) if night_date else None
            crate = Crate.objects.create(
                crew=member.crew, name=name, night=night, convention_version=convention_version, made_by=member.user
            )
            record(actor=member.user, verb="crate made", subject=crate, name=name)
    except IntegrityError as error:
        raise Conflict("crate:name-taken", name=name) from error
    return crate


@transaction.atomic
def add_track(*, crate: Crate, track: Track) -> CrateTrack:
    """Put a track at the end of a crate; a track that is there already keeps its place."""
    last = crate.places.aggregate(last=Max("position"))["last"] or 0
    place, _ = CrateTrack.objects.get_or_create(crate=crate, track=track, defaults={"position": last + 1})
    return place


@transaction.atomic
def take_out(*, member: Membership, place: CrateTrack, undo: bool = False) -> bool:
    """Take a track out of a crate; it stays in the library. False where it is out already. Raises ``Refused``."""
    may_fill_crates(member).require()
    if not CrateTrack.objects.filter(pk=place.pk).delete()[0]:
        return False
    record(actor=member.user, verb="track taken out", subject=place.track, crate=place.crate.name, undo=undo)
    return True


@transaction.atomic
def put_back(*, member: Membership, crate: Crate, track: Track, position: int) -> bool:
    """Put a track that was taken out back in its place; False where it is in the crate by now."""
    _, made = CrateTrack.objects.get_or_create(crate=crate, track=track, defaults={"position": position})
    if made:
        record(actor=member.user, verb="track added to crate", subject=track, crate=crate.name, undo=True)
    return made
