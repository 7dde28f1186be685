"""Propose, change, approve, return, withdraw.

Each asks the rule, makes one move of ``lifecycle``, writes what follows from it and one activity row, all in one
transaction. A verdict names the revision that the reviewer saw, so nobody approves what they have not looked at.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from django.db import IntegrityError, transaction
from django.utils import timezone

from crewprep.activity.services import record
from crewprep.analysis.models import Analysis
from crewprep.analysis.selectors import current_analysis
from crewprep.common.errors import Conflict, Invalid
from crewprep.conventions.comparison import numbers_in_words
from crewprep.conventions.models import ConventionVersion
from crewprep.crews.models import Membership
from crewprep.crews.rules import may_prepare
from crewprep.preparation.services import let_go_after_proposing, require_free
from crewprep.review.lifecycle import move
from crewprep.review.models import Proposal, ProposedMarker, Remark
from crewprep.review.rules import may_amend, may_review, may_withdraw
from crewprep.review.selectors import pending_proposal
from crewprep.sheets.checking import all_findings, findings_of, require_no_blocker
from crewprep.sheets.keeping import let_go
from crewprep.sheets.markers import MarkerInput, check_markers, rows
from crewprep.sheets.models import SheetMarker, SheetVersion
from crewprep.sheets.rechecks import settle_rechecks
from crewprep.sheets.selectors import latest_sheet
from crewprep.tracks.models import Track


@dataclass(frozen=True, slots=True)
class RemarkInput:
    """A reviewer's words on one slot."""

    slot: int
    text: str


def propose(
    *,
    member: Membership,
    track: Track,
    convention_version: ConventionVersion,
    markers: Sequence[MarkerInput],
    note: str = "",
    override_reason: str = "",
) -> Proposal:
    """Put a sheet forward against the track's latest approved version; blockers of the house checks need a reason.

    Raises ``Refused``, ``Invalid`` for markers that cannot stand, ``Conflict`` where a proposal is pending already.
    """
    may_prepare(member).require()
    analysis = current_analysis(track)
    if analysis is None:
        raise Conflict("analysis:none")
    require_free(member, track)
    checked = _checked(markers, convention_version, analysis, override_reason)
    try:
        with transaction.atomic():
            proposal = Proposal.objects.create(
                crew_id=track.crew_id,
                track=track,
                convention_version=convention_version,
                analysis=analysis,
                base=latest_sheet(track),
                note=note.strip()[:500],
                override_reason=override_reason.strip()[:300],
                proposed_by=member.user,
                changed_by=member.user,
                changed_at=timezone.now(),
            )
            proposal.contributors.add(member.user)
            ProposedMarker.objects.bulk_create(rows(ProposedMarker, checked, proposal=proposal))
            let_go(member, track, convention_version)
            let_go_after_proposing(member, track)
            record(actor=member.user, verb="proposed", subject=proposal, track=track.title, markers=len(checked))
    except IntegrityError as error:
        pending = pending_proposal(track)
        if pending is None:
            raise
        raise Conflict("proposal:pending", by=str(pending.proposed_by)) from error
    return proposal


def amend_proposal(
    *,
    member: Membership,
    proposal: Proposal,
    markers: Sequence[MarkerInput],
    seen_revision: int,
    note: str | None = None,
    override_reason: str = "",
) -> Proposal:
    """Replace the markers of an open or returned proposal; it is open again and the member is one of its authors."""
    may_amend(member, proposal).require()
    require_free(member, proposal.track)
    checked = _checked(markers, proposal.convention_version, proposal.analysis, override_reason)
    with transaction.atomic():
        move(
            proposal,
            "amend",
            seen_revision=seen_revision,
            revision=seen_revision + 1,
            changed_by=member.user,
            changed_at=timezone.now(),
            note=proposal.note if note is None else note.strip()[:500],
            override_reason=override_reason.strip()[:300],
            reviewed_by=None,
            reviewed_at=None,
            verdict_note="",
            heard=[],
        )
        proposal.contributors.add(member.user)
        proposal.markers.all().delete()
        ProposedMarker.objects.bulk_create(rows(ProposedMarker, checked, proposal=proposal))
        let_go(member, proposal.track, proposal.convention_version)
        let_go_after_proposing(member, proposal.track)
        record(actor=member.user, verb="proposal changed", subject=proposal, revision=proposal.revision)
    return proposal


def approve_proposal(
    *, member: Membership, proposal: Proposal, seen_revision: int, note: str = "", heard: Sequence[int] = ()
) -> SheetVersion:
    """Approve what was seen: the proposal's markers become the track's next sheet version. ``heard`` are the slots that
    the reviewer listened to.

    Raises ``Refused`` for one's own, ``Conflict`` where the proposal or the track's sheet has moved on.
    """
    may_review(member, proposal).require()
    try:
        with transaction.atomic():
            move(
                proposal,
                "approve",
                seen_revision=seen_revision,
                reviewed_by=member.user,
                reviewed_at=timezone.now(),
                verdict_note=note.strip()[:500],
                heard=_heard(proposal, heard),
            )
            latest = latest_sheet(proposal.track)
            if (latest.pk if latest else None) != proposal.base_id:
                raise Conflict("proposal:stale-base")
            sheet = SheetVersion.objects.create(
                crew_id=proposal.crew_id,
                track=proposal.track,
                number=latest.number + 1 if latest else 1,
                convention_version=proposal.convention_version,
                analysis=proposal.analysis,
                proposed_by=proposal.changed_by,
                approved_by=member.user,
                findings=all_findings(proposal.markers.all(), proposal.convention_version, proposal.analysis.result),
            )
            SheetMarker.objects.bulk_create(rows(SheetMarker, proposal.markers.all(), sheet=sheet))
            Proposal.objects.filter(pk=proposal.pk).update(sheet=sheet)
            settle_rechecks(sheet=sheet, by=member.user)
            record(actor=member.user, verb="approved", subject=proposal, sheet=sheet.number, track=proposal.track.title)
    except IntegrityError as error:
        raise Conflict("proposal:moved-on") from error
    proposal.refresh_from_db()
    return sheet


def return_proposal(
    *,
    member: Membership,
    proposal: Proposal,
    seen_revision: int,
    note: str = "",
    remarks: Sequence[RemarkInput] = (),
    heard: Sequence[int] = (),
) -> Proposal:
    """Send a proposal back with remarks on single markers or a note; one of the two must say what should change."""
    may_review(member, proposal).require()
    spoken = [remark for remark in remarks if remark.text.strip()]
    if not spoken and not note.strip():
        raise Invalid("proposal:remarks-missing")
    slots = {slot.number for slot in proposal.convention_version.slots.all()}
    for remark in spoken:
        if remark.slot not in slots:
            raise Invalid("marker:unknown-slot", slot=remark.slot, slots=numbers_in_words(slots))
    with transaction.atomic():
        move(
            proposal,
            "return",
            seen_revision=seen_revision,
            reviewed_by=member.user,
            reviewed_at=timezone.now(),
            verdict_note=note.strip()[:500],
            heard=_heard(proposal, heard),
        )
        Remark.objects.bulk_create(
            Remark(
                proposal=proposal,
                revision=proposal.revision,
                slot=remark.slot,
                text=remark.text.strip()[:500],
                by=member.user,
            )
            for remark in spoken
        )
        record(actor=member.user, verb="returned", subject=proposal, remarks=len(spoken), track=proposal.track.title)
    return proposal


def withdraw_proposal(*, member: Membership, proposal: Proposal, seen_revision: int) -> Proposal:
    """Take a proposal back; the track is free for another."""
    may_withdraw(member, proposal).require()
    with transaction.atomic():
        move(proposal, "withdraw", seen_revision=seen_revision)
        record(actor=member.user, verb="withdrawn", subject=proposal, track=proposal.track.title)
    return proposal


def _checked(
    markers: Sequence[MarkerInput], version: ConventionVersion, analysis: Analysis, override_reason: str
) -> list[MarkerInput]:
    if not markers:
        raise Invalid("proposal:empty")
    checked = check_markers(markers, version=version, duration_us=analysis.duration_us)
    require_no_blocker(findings_of(version.crew, checked, version, analysis.result), override_reason)
    return checked


def _heard(proposal: Proposal, slots: Sequence[int]) -> list[int]:
    """Those of the slots that have a marker, in order, each once."""
    return sorted({marker.slot for marker in proposal.markers.all()} & set(slots))
