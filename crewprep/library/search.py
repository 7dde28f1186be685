"""Searching the library: one frozen description, one query, the same answer on every database.

Nothing is read of a track but its standing (``models``), the claim on it and the crates that it is in.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any
from uuid import UUID

from django.db.models import Exists, F, OuterRef, Q, QuerySet
from django.utils import timezone

from crewprep.crates.models import Crate, CrateTrack
from crewprep.crews.models import Membership
from crewprep.library.folding import folded
from crewprep.library.models import BrokenCheck, TrackStanding
from crewprep.library.upkeep import freshen
from crewprep.preparation.models import Claim
from crewprep.sheets.checking import severities_of

KEYS = tuple(
    f"{tonic} {mode}"
    for tonics, mode in (
        (("C", "G", "D", "A", "E", "B", "F#", "Db", "Ab", "Eb", "Bb", "F"), "major"),
        (("A", "E", "B", "F#", "C#", "G#", "Eb", "Bb", "F", "C", "G", "D"), "minor"),
    )
    for tonic in tonics
)
"""Every key that the analysis names, by the circle of fifths."""

SORTS: dict[str, str] = {
    "title": "sort_title",
    "artist": "sort_artist",
    "added": "added_at",
    "state": "state",
    "tempo": "tempo_bpm",
    "key": "key_name",
    "level": "loudness_lufs",
    "confidence": "confidence",
    "length": "duration_us",
}
"""What a list can be sorted by, and the column; a leading minus turns it round."""

SORT_CHOICES = tuple(f"{sign}{name}" for name in SORTS for sign in ("", "-"))

ANY_CHECK = "any"
NOBODY, ANYBODY = "nobody", "anybody"

_NULLABLE = {"added_at", "tempo_bpm", "loudness_lufs", "confidence", "duration_us"}


@dataclass(frozen=True, slots=True)
class Search:
    """What to find; every field left as it is asks for nothing. Ranges include both ends.

    ``holder`` is ``nobody``, ``anybody`` or the id of a user; ``check`` the code of a house check or ``any`` (one that
    the crew has not switched off); ``confidence_from`` and ``confidence_to`` are 0 to 1.
    """

    text: str = ""
    states: tuple[str, ...] = ()
    holder: str | int = ""
    tempo_from: float | None = None
    tempo_to: float | None = None
    key: str = ""
    level_from: float | None = None
    level_to: float | None = None
    check: str = ""
    confidence_from: float | None = None
    confidence_to: float | None = None
    crate: UUID | None = None
    sort: str = "title"


def addable(member: Membership, text: str, crate: Crate, most: int = 20) -> list[TrackStanding]:
    """The first tracks that words find and that are not in a crate yet; none where there are no words."""
    if not folded(text):
        return []
    here = CrateTrack.objects.filter(track=OuterRef("track"), crate=crate)
    return list(found(member, Search(text=text)).filter(~Exists(here)).select_related("track")[:most])


def found(member: Membership, search: Search) -> QuerySet[TrackStanding]:
    """The standings that a search finds, in its order; ties stand by title and id, tracks without a value come last."""
    return ordered(matching(member, search), search.sort)


def standings_in_order(track_ids: Sequence[UUID]) -> list[TrackStanding]:
    """The standings of tracks with the tracks, in the order of the ids. A page far into a list is found by its ids
    first, which an index holds: sorting whole rows to skip thousands of them takes three times as long."""
    rows = {row.track_id: row for row in TrackStanding.objects.filter(track__in=track_ids).select_related("track")}
    return [rows[track_id] for track_id in track_ids if track_id in rows]


def matching(member: Membership, search: Search) -> QuerySet[TrackStanding]:
    """The standings that a search finds, in no order."""
    freshen(member.crew_id)
    rows = TrackStanding.objects.filter(crew=member.crew, listed=True)
    for word in folded(search.text).split()[:8]:
        rows = rows.filter(Q(sort_title__contains=word) | Q(sort_artist__contains=word))
    if search.states:
        rows = rows.filter(state__in=search.states)
    if search.holder:
        rows = _held(rows, member, search.holder)
    if search.key:
        rows = rows.filter(key_name=search.key)
    if search.check:
        rows = rows.filter(track__in=_broken(member, search.check).values("track"))
    if search.crate is not None:
        rows = rows.filter(Exists(CrateTrack.objects.filter(track=OuterRef("track"), crate=search.crate)))
    return rows.filter(**_ranges(search))


def ordered(rows: QuerySet[TrackStanding], sort: str) -> QuerySet[TrackStanding]:
    """Rows by one of ``SORT_CHOICES``; raises ``KeyError`` for another."""
    column, descending = SORTS[sort.removeprefix("-")], sort.startswith("-")
    if column not in _NULLABLE:  # plainly, so that an index gives the order
        first: Any = f"-{column}" if descending else column
    elif descending:
        first = F(column).desc(nulls_last=True)
    else:
        first = F(column).asc(nulls_last=True)
    then = () if column == "sort_title" else ("sort_title",)
    return rows.order_by(first, *then, "track_id")


def _ranges(search: Search) -> dict[str, float]:
    limits = {
        "tempo_bpm__gte": search.tempo_from,
        "tempo_bpm__lte": search.tempo_to,
        "loudness_lufs__gte": search.level_from,
        "loudness_lufs__lte": search.level_to,
        "confidence__gte": search.confidence_from,
        "confidence__lte": search.confidence_to,
    }
    return {name: limit for name, limit in limits.items() if limit is not None}


def _held(rows: QuerySet[TrackStanding], member: Membership, holder: str | int) -> QuerySet[TrackStanding]:
    live = Claim.objects.filter(crew=member.crew, until__gt=timezone.now())
    if holder == NOBODY:
        return rows.filter(~Exists(live.filter(track=OuterRef("track"))))
    return rows.filter(track__in=(live if holder == ANYBODY else live.filter(holder_id=int(holder))).values("track"))


def _broken(member: Membership, check: str) -> QuerySet[BrokenCheck]:
    rows = BrokenCheck.objects.filter(crew=member.crew)
    if check != ANY_CHECK:
        return rows.filter(check_code=check)
    return rows.filter(
        check_code__in=[code for code, severity in severities_of(member.crew).items() if severity != "off"]
    )
