"""Drills that were handed in, with markers so many beats away from the sheet's."""

from __future__ import annotations

import datetime as dt
from collections.abc import Mapping

from django.utils import timezone

from crewprep.analysis.musical_time import MusicalTime
from crewprep.crates.models import Crate
from crewprep.crews.models import Membership, Role
from crewprep.onboarding.models import Drill, DrillScore
from crewprep.onboarding.scoring import score
from crewprep.review.services import approve_proposal
from crewprep.sheets.markers import MarkerInput
from crewprep.sheets.models import SheetVersion
from tests.factories.music import proposal
from tests.factories.people import member_of


def approved_sheet(lead: Membership, into: Crate) -> SheetVersion:
    """The approved sheet of a new track, by a resident; slots 1 to 6 and 8 of the eight-slot convention."""
    return approve_proposal(
        member=lead, proposal=proposal(member_of(lead.crew, Role.RESIDENT), into=into), seen_revision=1
    )


def drill(
    member: Membership,
    sheet: SheetVersion,
    off_beats: Mapping[int, float | None] | None = None,
    *,
    placed: Mapping[int, int] | None = None,
    at: dt.datetime | None = None,
) -> Drill:
    """A drill of a member on a sheet, handed in and scored.

    ``off_beats`` are beats late by slot, None for a slot that was left out; the others are right. ``placed`` are
    markers (microseconds by slot) besides, or in the place of those.
    """
    off = off_beats or {}
    time = MusicalTime.of(sheet.analysis.result)
    truth = list(sheet.markers.all())
    moved = {}
    for marker in truth:
        beats = off.get(marker.slot, 0.0)
        if beats is not None:
            start = time.time(time.position(marker.start_us) + beats)
            end = None if marker.end_us is None else time.time(time.position(marker.end_us) + beats)
            moved[marker.slot] = MarkerInput(marker.slot, start, end)
    moved |= {slot: MarkerInput(slot, start) for slot, start in (placed or {}).items()}
    made = Drill.objects.create(
        crew=member.crew, membership=member, track=sheet.track, sheet=sheet, handed_in_at=at or timezone.now(),
        markers=[
            {"slot": one.slot, "start_us": one.start_us, "end_us": one.end_us} for one in moved.values()
        ],
    )  # fmt: skip
    slots = {slot.number: slot for slot in sheet.convention_version.slots.all()}
    DrillScore.objects.bulk_create(
        DrillScore(
            drill=made, slot=one.slot, function=slots[one.slot].function, which=slots[one.slot].which, miss=one.miss,
            off_us=one.off_us, off_beats=one.off_beats, phrases=one.phrases, other_slot=one.other,
            length_off_beats=one.length_off_beats,
        )
        for one in score(truth, list(moved.values()), time)
    )  # fmt: skip
    return made
