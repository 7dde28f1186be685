"""Drafts: asking for them and storing them. Approved versions are written by ``crewprep.review`` alone."""

from __future__ import annotations

from django.db import transaction

from analysis_worker.core.results import Draft as DraftResult
from crewprep.activity.services import record
from crewprep.analysis.models import Analysis
from crewprep.conventions.models import ConventionVersion
from crewprep.crates.models import Crate, CrateTrack
from crewprep.crates.services import add_track
from crewprep.crates.upload import take_into_crate
from crewprep.crews.models import Membership, User
from crewprep.crews.rules import may_fill_crates
from crewprep.jobs.models import Job, JobKind
from crewprep.jobs.services import enqueue
from crewprep.sheets.models import Draft, DraftMarker
from crewprep.tracks.models import Track
from crewprep.tracks.services import TakenIn
from crewprep.tracks.upload import QuarantinedFile


def ask_for_draft(*, analysis: Analysis, convention_version: ConventionVersion, asked_by: User | None) -> Job | None:
    """Queue a draft of a track under a convention version; None where one exists already."""
    if Draft.objects.filter(analysis=analysis, convention_version=convention_version).exists():
        return None
    return enqueue(
        track=analysis.track,
        kind=JobKind.DRAFT,
        input_sha256=analysis.pcm_sha256,
        params={"analysis": str(analysis.pk), "convention_version": str(convention_version.pk)},
        asked_by=asked_by,
    )


def ask_for_drafts(*, analysis: Analysis, asked_by: User | None) -> None:
    """Queue a draft for every convention version that a crate with this track is pinned to."""
    versions = ConventionVersion.objects.filter(crates__places__track=analysis.track).distinct()
    for version in versions:
        ask_for_draft(analysis=analysis, convention_version=version, asked_by=asked_by)


@transaction.atomic
def put_in_crate(*, member: Membership, crate: Crate, track: Track) -> CrateTrack:
    """Put a track that the crew already has into another crate, and have it drafted by that crate's convention."""
    may_fill_crates(member).require()
    place = add_track(crate=crate, track=track)
    record(actor=member.user, verb="track added to crate", subject=track, crate=crate.name)
    # The facts hold every beat; a job needs none of them.
    analysis = Analysis.objects.filter(track=track).defer("facts", "thumbnail").order_by("-created_at").first()
    if analysis is not None:
        ask_for_draft(analysis=analysis, convention_version=crate.convention_version, asked_by=member.user)
    return place


def bring_in(*, member: Membership, crate: Crate, upload: QuarantinedFile) -> TakenIn:
    """Take a file into a crate; where the crew has it already, its track is put there instead, and drafted.

    Raises as ``take_in`` does.
    """
    taken = take_into_crate(member=member, crate=crate, upload=upload)
    if not taken.is_new:
        put_in_crate(member=member, crate=crate, track=taken.track)
    return taken


def store_draft(*, job: Job, analysis: Analysis, convention_version: ConventionVersion, draft: DraftResult) -> Draft:
    """Write what a worker drafted; called inside the transaction that finishes its job."""
    row = Draft.objects.create(
        crew_id=job.crew_id,
        track=analysis.track,
        analysis=analysis,
        convention_version=convention_version,
        empty=[{"slot": slot.slot, "reason": slot.reason} for slot in draft.empty],
    )
    DraftMarker.objects.bulk_create(
        DraftMarker(
            draft=row,
            slot=marker.slot,
            start_us=marker.start_us,
            end_us=marker.end_us,
            confidence=marker.confidence,
            reason=marker.reason[:300],
        )
        for marker in draft.markers
    )
    record(actor=None, verb="sheet drafted", subject=row, markers=len(draft.markers), empty=len(draft.empty))
    return row
