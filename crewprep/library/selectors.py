"""Doors to searches that are kept and to changes of many tracks."""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import dataclass
from uuid import UUID

from django.db.models import Count, Q, QuerySet

from crewprep.common.errors import NotFound
from crewprep.crates.models import Crate, CrateTrack
from crewprep.crews.models import Membership
from crewprep.library.bulk import may_undo
from crewprep.library.models import BrokenCheck, BulkChange, SavedSearch, Stand, TrackStanding
from crewprep.library.upkeep import freshen
from crewprep.sheets.checking import severities_of
from crewprep.sheets.selectors import has_sheet
from crewprep.tracks.models import Track


def searches_of(member: Membership) -> QuerySet[SavedSearch]:
    """The member's own searches and those that are shared with the crew, by name."""
    mine = Q(by=member.user) | Q(shared=True)
    return SavedSearch.objects.filter(mine, crew=member.crew).select_related("by").order_by("name", "created_at")


def search_for(member: Membership, search_id: UUID) -> SavedSearch:
    """The only way for a request to reach a kept search; raises ``NotFound`` for another's own as for none."""
    search = searches_of(member).filter(pk=search_id).first()
    if search is None:
        raise NotFound
    return search


def bulk_change_for(member: Membership, change_id: UUID) -> BulkChange:
    """The only way for a request to reach a change of many tracks; raises ``NotFound`` for another's as for none."""
    change = BulkChange.objects.filter(crew=member.crew, by=member.user, pk=change_id).select_related("crate").first()
    if change is None:
        raise NotFound
    return change


@dataclass(frozen=True, slots=True)
class CrateCounts:
    """How the tracks of a crate stand, counted by the database."""

    tracks: int
    approved: int
    again: int
    working: int
    open: int
    refused: int
    given_up: int


def counts_of(crate: Crate) -> CrateCounts:
    """The counts of a crate: four queries. ``approved`` are tracks with a sheet that counts here, also where a proposal
    is open, ``again`` those whose sheet is by another version and says something else under the crate's."""
    freshen(crate.crew_id)
    here = CrateTrack.objects.filter(crate=crate).order_by()
    approved = here.filter(has_sheet()).count()
    rows = TrackStanding.objects.filter(track__in=here.values("track")).order_by().values_list("state")
    found = {
        state: (tracks, sheets)
        for state, tracks, sheets in rows.annotate(tracks=Count("*"), sheets=Count("sheet_number"))
    }
    standing = {state: tracks for state, (tracks, _) in found.items()}
    return CrateCounts(
        tracks=sum(standing.values()),
        approved=approved,
        again=sum(sheets for _, sheets in found.values()) - approved,
        working=standing.get(Stand.WORKING, 0),
        open=standing.get(Stand.OPEN, 0),
        refused=standing.get(Stand.REFUSED, 0),
        given_up=standing.get(Stand.GIVEN_UP, 0),
    )


def last_change(member: Membership) -> BulkChange | None:
    """What the member did last with many tracks, where it can still be taken back."""
    mine = BulkChange.objects.filter(crew=member.crew, by=member.user).select_related("to")
    change = mine.order_by("-created_at").first()
    return change if change is not None and may_undo(change) else None


def broken_checks(member: Membership, track_ids: Collection[UUID]) -> dict[UUID, list[str]]:
    """The codes of the checks that tracks' sheets break, without those that the crew has switched off."""
    severities = severities_of(member.crew)
    found: dict[UUID, list[str]] = {}
    rows = BrokenCheck.objects.filter(crew=member.crew, track__in=track_ids).order_by("check_code")
    for track_id, code in rows.values_list("track_id", "check_code"):
        if severities.get(code, "off") != "off":
            found.setdefault(track_id, []).append(code)
    return found


def chosen_tracks(member: Membership, ids: Collection[UUID]) -> list[Track]:
    """Those of the ids that are tracks of the member's crew, by title."""
    return list(Track.objects.filter(crew=member.crew, pk__in=ids).order_by("title", "pk"))
