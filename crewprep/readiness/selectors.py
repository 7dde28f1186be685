"""Which tracks stand open for a night, and whose a calendar address is."""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterable
from dataclasses import dataclass
from uuid import UUID

from django.db.models import Count, QuerySet, Subquery

from crewprep.common.errors import NotFound
from crewprep.crates.models import CrateTrack, Night
from crewprep.crews.models import Membership
from crewprep.crews.selectors import member_for
from crewprep.readiness.models import CalendarFeed
from crewprep.readiness.services import fingerprint
from crewprep.sheets.selectors import counted, has_sheet
from crewprep.tracks.models import Track


def open_places(night: Night) -> QuerySet[CrateTrack]:
    """The places in the night's crates whose track has no sheet that counts (see the package)."""
    return CrateTrack.objects.filter(~has_sheet(), crate__night=night)


@dataclass(frozen=True, slots=True)
class NightPlace:
    """A track's place in one of a night's crates: when it came, and since when it has a sheet that counts there."""

    pk: UUID
    track: UUID
    crate: UUID
    came: dt.datetime
    ready_since: dt.datetime | None


def night_places(night: Night) -> list[NightPlace]:
    """Every place in the night's crates, the first to come first; one query of five columns."""
    places = CrateTrack.objects.filter(crate__night=night).order_by("created_at")
    rows = places.annotate(since=Subquery(counted().values("since")))
    return [NightPlace(*row) for row in rows.values_list("pk", "track_id", "crate_id", "created_at", "since")]


def open_tracks(night: Night) -> QuerySet[Track]:
    """The tracks that stand open for a night (see the package), each once; one query when it is read."""
    return Track.objects.filter(pk__in=open_places(night).order_by().values("track"))


@dataclass(frozen=True, slots=True)
class OpenCount:
    """How many tracks a night has, and how many of them stand open."""

    tracks: int = 0
    open: int = 0


def open_counts(nights: Iterable[Night]) -> dict[UUID, OpenCount]:
    """The counts of each of these nights, in two queries."""
    ids = [night.pk for night in nights]
    places = CrateTrack.objects.filter(crate__night__in=ids)

    def counted(rows: QuerySet[CrateTrack]) -> dict[UUID, int]:
        return dict(rows.order_by().values_list("crate__night").annotate(Count("track", distinct=True)))

    tracks, still = counted(places), counted(places.filter(~has_sheet()))
    return {night: OpenCount(tracks.get(night, 0), still.get(night, 0)) for night in ids}


def feed_of(member: Membership) -> CalendarFeed | None:
    """The member's calendar address, without its secret."""
    return CalendarFeed.objects.filter(membership=member).first()


def member_by_feed(token: str) -> Membership:
    """Whose calendar address holds this secret; raises ``NotFound`` for a wrong or old one, and once they have left."""
    feed = (
        CalendarFeed.objects.filter(token_sha256=fingerprint(token))
        .select_related("membership__user", "membership__crew")
        .first()
    )
    if feed is None:
        raise NotFound
    # The door of every other request: whoever may not enter the crew may not read its calendar.
    return member_for(feed.membership.user, feed.membership.crew.slug)
