"""Reading crates."""

from __future__ import annotations

import datetime as dt
from collections.abc import Collection
from uuid import UUID

from django.db.models import Count, OuterRef, Q, QuerySet, Subquery
from django.db.models.functions import Coalesce
from django.utils import timezone

from crewprep.common.errors import NotFound
from crewprep.conventions.models import ConventionVersion
from crewprep.crates.models import Crate, CrateTrack, Night
from crewprep.crews.models import Membership


def crates_of(member: Membership) -> QuerySet[Crate]:
    """The crew's crates, newest first, with ``track_count``."""
    here = CrateTrack.objects.filter(crate=OuterRef("pk")).order_by().values("crate")
    return (
        Crate.objects.filter(crew=member.crew)
        .select_related("night", "convention_version__convention")
        .annotate(track_count=Coalesce(Subquery(here.annotate(count=Count("pk")).values("count")), 0))
        .order_by("-created_at")
    )


def crates_elsewhere(member: Membership, night: Night) -> QuerySet[Crate]:
    """The crew's crates that are not for this night, newest first, without counts."""
    crates = Crate.objects.filter(Q(night=None) | ~Q(night=night), crew=member.crew)
    return crates.select_related("night").order_by("-created_at")


def crate_for(member: Membership, crate_id: UUID) -> Crate:
    """The only way for a request to reach a crate; raises ``NotFound`` for another crew's as for none."""
    crate = (
        Crate.objects.filter(crew=member.crew, pk=crate_id)
        .select_related("night", "convention_version__convention", "crew")
        .first()
    )
    if crate is None:
        raise NotFound
    return crate


def places_of(crate: Crate) -> QuerySet[CrateTrack]:
    """The crate's tracks in order."""
    return crate.places.select_related("track").order_by("position", "created_at")


def places_before(place: CrateTrack) -> int:
    """How many tracks of its crate stand before a place."""
    earlier = Q(position__lt=place.position) | Q(position=place.position, created_at__lt=place.created_at)
    return CrateTrack.objects.filter(earlier, crate=place.crate_id).count()


def newest_places(
    member: Membership, tracks: Collection[UUID], *, version: ConventionVersion | None = None
) -> dict[UUID, CrateTrack]:
    """For each of the tracks its newest crate of the crew, one that follows ``version`` where there is one."""
    places = CrateTrack.objects.filter(crate__crew=member.crew, track__in=tracks).order_by("created_at")
    found = list(places.select_related("crate__convention_version__convention") if version else places)
    if version is not None:
        found.sort(key=lambda place: place.crate.convention_version_id == version.pk)
    return {place.track_id: place for place in found}


def nights_of(member: Membership) -> QuerySet[Night]:
    """The crew's nights by date, with ``crate_count``."""
    nights = Night.objects.filter(crew=member.crew).select_related("crew")
    return nights.annotate(crate_count=Count("crates")).order_by("date", "name")


def night_for(member: Membership, night_id: UUID) -> Night:
    """The only way for a request to reach a night; raises ``NotFound`` for another crew's as for none."""
    night = Night.objects.filter(crew=member.crew, pk=night_id).select_related("crew").first()
    if night is None:
        raise NotFound
    return night


def next_night(member: Membership) -> Night | None:
    """The crew's next night, today's included by its own clocks."""
    # A day back, since it may still be yesterday where the night is.
    since = timezone.now().date() - dt.timedelta(days=1)
    nights = Night.objects.filter(crew=member.crew, date__gte=since).order_by("date", "name")
    return next((night for night in nights if night.date >= night.today()), None)


def crate_names(member: Membership) -> list[Crate]:
    """The crew's crates by name, for lists to choose from: one plain query."""
    return list(Crate.objects.filter(crew=member.crew).only("pk", "name", "crew").order_by("name"))
