"""Reading drafts and sheets."""

from __future__ import annotations

import datetime as dt
from collections.abc import Collection
from uuid import UUID

from django.db.models import Count, Exists, OuterRef, QuerySet

from crewprep.analysis.selectors import current_analysis
from crewprep.common.errors import NotFound
from crewprep.conventions.models import ConventionVersion
from crewprep.crates.models import Crate, CrateTrack
from crewprep.crates.selectors import crates_of
from crewprep.crews.models import Membership
from crewprep.sheets.models import CountedSheet, Draft, SheetVersion
from crewprep.tracks.models import Track


def current_draft(track: Track, version: ConventionVersion) -> Draft | None:
    """The draft from the track's newest analysis under a convention version, or None while a worker makes it."""
    analysis = current_analysis(track)
    if analysis is None:
        return None
    draft = Draft.objects.filter(analysis=analysis, convention_version=version).prefetch_related("markers").first()
    if draft is not None:
        draft.analysis = analysis
    return draft


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


def counted() -> QuerySet[CountedSheet]:
    """Of a place in a crate, or whatever else has a ``crate`` and a ``track``: that its track has a sheet that counts
    under the crate's version, at most one."""
    return CountedSheet.objects.filter(
        track=OuterRef("track"), convention_version=OuterRef("crate__convention_version")
    ).order_by()


def has_sheet() -> Exists:
    """Of a place in a crate: whether its track has a sheet that counts under the crate's version."""
    return Exists(counted())


def crates_with_sheets(member: Membership) -> list[Crate]:
    """The crew's crates as ``crates_of`` has them, with ``sheet_count``: tracks with a sheet that counts there."""
    places = CrateTrack.objects.filter(has_sheet(), crate__crew=member.crew).order_by()
    counts = dict(places.values_list("crate").annotate(Count("pk")))
    crates = list(crates_of(member))
    for crate in crates:
        crate.sheet_count = counts.get(crate.pk, 0)  # type: ignore[attr-defined]  # as if it were annotated
    return crates
