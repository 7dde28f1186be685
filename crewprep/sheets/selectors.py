"""Reading drafts and sheets."""

from __future__ import annotations

import datetime as dt
from collections.abc import Collection
from uuid import UUID

from django.db.models import Exists, OuterRef, Q, QuerySet

from crewprep.analysis.selectors import current_analysis
from crewprep.common.errors import NotFound
from crewprep.conventions.models import ConventionVersion
from crewprep.crates.models import Crate, CrateTrack
from crewprep.crates.selectors import count_of_places, crates_of
from crewprep.crews.models import Membership
from crewprep.sheets.models import Draft, Recheck, SheetVersion
from crewprep.tracks.models import Track


def current_draft(track: Track, version: ConventionVersion) -> Draft | None:
    """The draft from the track's newest analysis under a convention version, or None while a worker makes it."""
    analysis = current_analysis(track)
    if analysis is None:
        return None
    return Draft.objects.filter(analysis=analysis, convention_version=version).prefetch_related("markers").first()


def latest_sheet(track: Track) -> SheetVersion | None:
    """The track's sheet: its latest approved version, or None."""
    return (
        SheetVersion.objects.filter(track=track)
        .select_related("convention_version__convention", "proposed_by", "approved_by")
        .prefetch_related("markers")
        .order_by("-number")
        .first()
    )


def sheet_for(member: Membership, track: Track, number: int | None = None) -> SheetVersion:
    """A track's approved sheet, the latest or the numbered one; raises ``NotFound`` with ``sheet:none``."""
    versions = (
        SheetVersion.objects.filter(crew=member.crew, track=track)
        .select_related("convention_version__convention", "proposed_by", "approved_by", "track", "analysis")
        .prefetch_related("markers", "convention_version__slots")
    )
    sheet = (versions if number is None else versions.filter(number=number)).order_by("-number").first()
    if sheet is None:
        raise NotFound("sheet:none")
    return sheet


def sheets_of(member: Membership, track: Track) -> list[SheetVersion]:
    """Every approved version of a track's sheet, the newest first."""
    return list(
        SheetVersion.objects.filter(crew=member.crew, track=track)
        .select_related("convention_version__convention", "proposed_by", "approved_by")
        .prefetch_related("markers", "convention_version__slots")
        .order_by("-number")
    )


def sheet_as_of(track: Track, when: dt.datetime) -> SheetVersion | None:
    """The track's sheet as it was at an instant; None before the first was approved."""
    return SheetVersion.objects.filter(track=track, created_at__lte=when).order_by("-number").first()


def latest_numbers(track_ids: Collection[UUID]) -> dict[UUID, int]:
    """The number of each track's sheet, in one query; a track without a sheet is left out."""
    versions = SheetVersion.objects.filter(track__in=track_ids).order_by("number")
    return dict(versions.values_list("track_id", "number"))


def kept_sheets() -> QuerySet[SheetVersion]:
    """Of a place in a crate, or whatever else has a ``crate`` and a ``track``: the track's latest sheet, where it is by
    an older version of the crate's convention and keeps its meaning under the crate's: it was compared with it, and no
    re-check of it is open."""
    version = "crate__convention_version"
    newer = SheetVersion.objects.filter(track=OuterRef("track"), number__gt=OuterRef("number"))
    waiting = Recheck.objects.filter(sheet=OuterRef("pk"), convention_version=OuterRef(OuterRef(version)), ended="")
    # A sheet is compared with each version that is published after it, and with the newest that was there before it.
    not_compared = ConventionVersion.objects.filter(
        convention=OuterRef(OuterRef(f"{version}__convention")),
        number__gt=OuterRef(OuterRef(f"{version}__number")),
        created_at__lte=OuterRef("created_at"),
    )
    return SheetVersion.objects.filter(
        ~Exists(newer),
        ~Exists(waiting),
        ~Exists(not_compared),
        track=OuterRef("track"),
        convention_version__convention=OuterRef(f"{version}__convention"),
        convention_version__number__lt=OuterRef(f"{version}__number"),
    ).order_by()


def own_sheets() -> QuerySet[SheetVersion]:
    """Of a place in a crate: the track's sheets by the crate's own version."""
    return SheetVersion.objects.filter(
        track=OuterRef("track"), convention_version=OuterRef("crate__convention_version")
    ).order_by()


def has_sheet(crew_id: UUID | None = None) -> Q:
    """Of a place in a crate: whether its track has a sheet that counts under the crate's version.

    With the crew given, long lists are faster: only tracks with a sheet by some overtaken version are asked the rest.
    """
    kept = Q(Exists(kept_sheets()))
    if crew_id is not None:
        later = ConventionVersion.objects.filter(convention=OuterRef("convention"), number__gt=OuterRef("number"))
        overtaken = ConventionVersion.objects.filter(Exists(later), crew=crew_id).order_by().values("pk")
        older = SheetVersion.objects.filter(crew=crew_id, convention_version__in=overtaken).order_by()
        kept = Q(track__in=older.values("track")) & kept
    return Q(Exists(own_sheets())) | kept


def crates_with_sheets(member: Membership) -> QuerySet[Crate]:
    """The crew's crates as ``crates_of`` has them, with ``sheet_count``: tracks with a sheet that counts there."""
    return crates_of(member).annotate(sheet_count=count_of_places(CrateTrack.objects.filter(has_sheet(member.crew_id))))
