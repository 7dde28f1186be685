"""A crew with approved sheets to drill on."""

from __future__ import annotations

from dataclasses import replace

from analysis_worker.core.results import TrackAnalysis
from crewprep.crates.models import Crate
from crewprep.crews.models import Membership
from crewprep.onboarding.models import Drill
from crewprep.review.services import approve_proposal, propose
from crewprep.sheets.markers import MarkerInput
from crewprep.sheets.models import SheetVersion
from tests import factories


def approved_sheet(
    lead: Membership,
    resident: Membership,
    crate: Crate,
    *,
    slots: tuple[int, ...] = (1, 2, 3, 4, 5, 6, 8),
    result: TrackAnalysis | None = None,
) -> SheetVersion:
    """A track's first sheet, proposed by the resident, approved by the lead, with these of the eight slots."""
    track = factories.analysed_track(lead, crate, result)
    markers = [one for one in factories.eight_markers(track.analyses.get()) if one.slot in slots]
    proposal = propose(
        member=resident, track=track, convention_version=crate.convention_version, markers=markers,
        override_reason="made up",
    )  # fmt: skip
    return approve_proposal(member=lead, proposal=proposal, seen_revision=proposal.revision)


def right_markers(drill: Drill) -> list[MarkerInput]:
    """The markers of the hidden sheet."""
    return [MarkerInput(one.slot, one.start_us, one.end_us) for one in drill.sheet.markers.all()]


def late(markers: list[MarkerInput], slot: int, by_us: int) -> list[MarkerInput]:
    """The same with one slot's marker moved."""
    return [
        replace(one, start_us=one.start_us + by_us, end_us=one.end_us + by_us if one.end_us else None)
        if one.slot == slot
        else one
        for one in markers
    ]
