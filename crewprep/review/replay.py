"""The record alone tells how every proposal stands and what every sheet held: replayed, it must equal the tables.

The row of an approval holds the sheet's content since sheets have a digest; older sheets are in their table alone.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterable
from dataclasses import dataclass
from typing import Any
from uuid import UUID

from crewprep.activity.models import Activity
from crewprep.review.content import plain
from crewprep.review.lifecycle import MOVES, SAYINGS
from crewprep.review.models import Proposal, ProposalState
from crewprep.sheets.models import SheetVersion
from crewprep.tracks.models import Track

MOVED: dict[str, str] = {
    "proposal changed": "amend",
    "proposal merged": "merge",
    "approved once": "approve first",
    "approved": "approve",
    "returned": "return",
    "withdrawn": "withdraw",
    "proposal opened again": "reopen",
}
"""The move that each verb of the record tells of; ``proposed`` begins a life."""

SETTLED: dict[str, int] = {"remark resolved": -1, "remark opened again": 1}
"""What each verb of the record does to how many remarks are open; a return may bring some, ``remarked`` begins one."""


@dataclass(frozen=True, slots=True)
class RecordedSheet:
    """A sheet as the record keeps it; ``markers`` as ``content.plain`` writes them."""

    track: UUID
    number: int
    convention_version: UUID
    analysis: UUID
    markers: list[dict[str, Any]]
    digest: str
    at: dt.datetime


@dataclass(slots=True)
class Life:
    """How a proposal stands: its state, revision, who approved it first (a user's id), its sheet, its open remarks."""

    state: ProposalState = ProposalState.OPEN
    revision: int = 1
    first_approved_by: int | None = None
    sheet: int | None = None
    open_remarks: int = 0


def recorded(sheet: SheetVersion, markers: list[dict[str, Any]]) -> dict[str, Any]:
    """What the record keeps of a sheet."""
    return {
        "track": str(sheet.track_id), "number": sheet.number, "convention_version": str(sheet.convention_version_id),
        "analysis": str(sheet.analysis_id), "markers": markers, "digest": sheet.digest,
        "at": sheet.created_at.isoformat(),
    }  # fmt: skip


def recorded_sheets(track: Track) -> list[RecordedSheet]:
    """The track's sheets from the record alone, oldest first."""
    proposals = Proposal.objects.filter(track=track).order_by().values("pk")
    rows = Activity.objects.filter(crew=track.crew_id, subject_kind="proposal", subject_id__in=proposals)
    contents = [row.details.get("content") for row in rows.filter(verb="approved").order_by("created_at")]
    return [_sheet(content) for content in contents if content is not None]


def recorded_sheet_as_of(track: Track, when: dt.datetime) -> RecordedSheet | None:
    """The track's sheet at an instant, from the record alone; None before the first."""
    return max(
        (sheet for sheet in recorded_sheets(track) if sheet.at <= when), key=lambda sheet: sheet.number, default=None
    )


def agrees(sheet: SheetVersion, found: RecordedSheet) -> bool:
    """Whether the record and the table hold the same sheet, to the microsecond."""
    return recorded(sheet, plain(sheet.markers.all())) == {
        "track": str(found.track), "number": found.number, "convention_version": str(found.convention_version),
        "analysis": str(found.analysis), "markers": found.markers, "digest": found.digest, "at": found.at.isoformat(),
    }  # fmt: skip


def lives(rows: Iterable[Activity]) -> dict[UUID, Life]:
    """How every proposal stands, from the record alone (its rows, oldest first).

    Raises ``AssertionError`` where the record tells of a move that ``MOVES`` does not allow, or of a remark that
    ``SAYINGS`` does not.
    """
    found: dict[UUID, Life] = {}
    for row in rows:
        if row.subject_kind != "proposal":
            continue
        if row.verb == "proposed":
            found[row.subject_id] = Life()
        elif row.verb in MOVED:
            _live(found[row.subject_id], MOVED[row.verb], row)
        elif row.verb == "remarked":
            _hear(found[row.subject_id], row)
        elif row.verb in SETTLED:
            found[row.subject_id].open_remarks += SETTLED[row.verb]
    return found


def _live(life: Life, name: str, row: Activity) -> None:
    step = MOVES[name]
    if life.state not in step.sources:
        raise AssertionError(f"The record tells of “{row.verb}” on a proposal that was {life.state}.")
    life.state = step.target
    if row.details["revision"] != life.revision:
        life.revision, life.first_approved_by = row.details["revision"], None
    if name == "approve first":
        life.first_approved_by = row.actor_id
    if name == "approve":
        life.sheet = row.details["sheet"]
    if name == "return":
        life.open_remarks += row.details["remarks"]


def _hear(life: Life, row: Activity) -> None:
    if life.state not in SAYINGS["remark"].states or row.details["revision"] != life.revision:
        raise AssertionError(f"The record tells of a remark on a proposal that was {life.state}, at another revision.")
    life.open_remarks += 1


def _sheet(content: dict[str, Any]) -> RecordedSheet:
    return RecordedSheet(
        track=UUID(content["track"]), number=content["number"], convention_version=UUID(content["convention_version"]),
        analysis=UUID(content["analysis"]), markers=content["markers"], digest=content["digest"],
        at=dt.datetime.fromisoformat(content["at"]),
    )  # fmt: skip
