"""Propose, change, approve, return, withdraw; ``again.py`` merges and opens again.

Each asks the rule, makes one move of ``lifecycle``, writes what follows from it and one activity row, all in one
transaction. A verdict names the revision and the content that the reviewer saw, so nobody approves what they have not
looked at.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from django.db import IntegrityError, transaction
from django.utils import timezone

from crewprep.activity.services import record
from crewprep.common.errors import Conflict, Invalid
from crewprep.conventions.comparison import numbers_in_words
from crewprep.conventions.models import ConventionVersion
from crewprep.crews.models import Membership
from crewprep.crews.rules import may_prepare
from crewprep.preparation.services import require_free
from crewprep.review.asking import suggested_for, suggested_reviewer
from crewprep.review.content import digest_of, plain
from crewprep.review.lifecycle import move
from crewprep.review.models import Proposal, Remark, Verdict, VerdictKind
from crewprep.review.options import options_of
from crewprep.review.replay import recorded
from crewprep.review.rules import may_amend, may_review, may_withdraw
from crewprep.review.seen import heard_before, last_verdict
from crewprep.review.steps import analysis_of, back_in_queue, checked_markers, pending_instead, put_in
from crewprep.sheets.checking import all_findings
from crewprep.sheets.markers import MarkerInput, rows
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
    analysis = analysis_of(track)
    require_free(member, track)
    checked = checked_markers(markers, convention_version, analysis, override_reason)
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
                asked=suggested_reviewer(track, without={member.user_id}),
            )
            put_in(member, proposal, checked)
            record(
                actor=member.user, verb="proposed", subject=proposal, track=track.title, markers=len(checked),
                revision=proposal.revision,
            )  # fmt: skip
    except IntegrityError as error:
        raise pending_instead(track, error) from error
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
    checked = checked_markers(markers, proposal.convention_version, proposal.analysis, override_reason)
    with transaction.atomic():
        stamps = back_in_queue(member, proposal, seen_revision, override_reason)
        if note is not None:
            stamps["note"] = note.strip()[:500]
        move(proposal, "amend", seen_revision=seen_revision, **stamps)
        put_in(member, proposal, checked)
        record(
            actor=member.user, verb="proposal changed", subject=proposal, revision=proposal.revision,
            track=proposal.track.title,
        )  # fmt: skip
    return proposal


def give_approval(
    *,
    member: Membership,
    proposal: Proposal,
    seen_revision: int,
    note: str = "",
    heard: Sequence[int] = (),
    seen_digest: str | None = None,
) -> SheetVersion | None:
    """Approve by the crew's rule: the sheet, or the first of two approvals (None) where two must and nobody has yet."""
    first = options_of(member.crew).two_reviewers and proposal.first_approved_by_id is None
    return (approve_first if first else approve_proposal)(
        member=member, proposal=proposal, seen_revision=seen_revision, note=note, heard=heard, seen_digest=seen_digest
    )


def approve_first(
    *,
    member: Membership,
    proposal: Proposal,
    seen_revision: int,
    note: str = "",
    heard: Sequence[int] = (),
    seen_digest: str | None = None,
) -> None:
    """Give the first of two approvals; the proposal stays open for another reviewer. A change of it makes this void.

    Raises ``Refused`` for one's own, ``Conflict`` where it moved on or somebody else approved first.
    """
    may_review(member, proposal).require()
    with transaction.atomic():
        asked = suggested_for(proposal, without={member.user_id})
        if proposal.asked_id not in (None, member.user_id):
            asked = proposal.asked
        move(
            proposal, "approve first", seen_revision=seen_revision, still={"first_approved_by": None},
            first_approved_by=member.user, two_reviewers=True, asked=asked,
        )  # fmt: skip
        _give(member, proposal, VerdictKind.APPROVED, note, _heard(member, proposal, heard), seen_digest)
        record(
            actor=member.user, verb="approved once", subject=proposal, track=proposal.track.title,
            revision=proposal.revision,
        )  # fmt: skip


def approve_proposal(
    *,
    member: Membership,
    proposal: Proposal,
    seen_revision: int,
    note: str = "",
    heard: Sequence[int] = (),
    seen_digest: str | None = None,
) -> SheetVersion:
    """Approve what was seen: the proposal's markers become the track's next sheet version. ``heard`` are the slots that
    the reviewer listened to; ``seen_digest`` is the digest of the content that they saw (``content.digest_of``).

    Raises ``Refused`` for one's own, ``Conflict`` where the proposal, its content or the track's sheet has moved on,
    and where two must approve and nobody has yet (``give_approval`` knows).
    """
    may_review(member, proposal).require()
    two = options_of(member.crew).two_reviewers
    if two and proposal.first_approved_by_id is None:
        raise Conflict("proposal:first-missing")
    try:
        with transaction.atomic():
            slots = _heard(member, proposal, heard)
            move(
                proposal, "approve", seen_revision=seen_revision, reviewed_by=member.user, reviewed_at=timezone.now(),
                verdict_note=note.strip()[:500], heard=slots, two_reviewers=two,
            )  # fmt: skip
            digest = _give(member, proposal, VerdictKind.APPROVED, note, slots, seen_digest)
            latest = latest_sheet(proposal.track)
            if (latest.pk if latest else None) != proposal.base_id:
                raise Conflict("proposal:stale-base")
            markers = list(proposal.markers.all())
            sheet = SheetVersion.objects.create(
                crew_id=proposal.crew_id,
                track=proposal.track,
                number=latest.number + 1 if latest else 1,
                convention_version=proposal.convention_version,
                analysis=proposal.analysis,
                proposed_by=proposal.changed_by,
                approved_by=member.user,
                findings=all_findings(markers, proposal.convention_version, proposal.analysis.result),
                digest=digest,
            )
            SheetMarker.objects.bulk_create(rows(SheetMarker, markers, sheet=sheet))
            Proposal.objects.filter(pk=proposal.pk).update(sheet=sheet)
            settle_rechecks(sheet=sheet, by=member.user)
            record(
                actor=member.user, verb="approved", subject=proposal, track=proposal.track.title,
                revision=proposal.revision, sheet=sheet.number, content=recorded(sheet, plain(markers)),
            )  # fmt: skip
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
    numbers = {slot.number for slot in proposal.convention_version.slots.all()}
    for remark in spoken:
        if remark.slot not in numbers:
            raise Invalid("marker:unknown-slot", slot=remark.slot, slots=numbers_in_words(numbers))
    with transaction.atomic():
        slots = _heard(member, proposal, heard)
        move(
            proposal, "return", seen_revision=seen_revision, reviewed_by=member.user, reviewed_at=timezone.now(),
            verdict_note=note.strip()[:500], heard=slots,
        )  # fmt: skip
        _give(member, proposal, VerdictKind.RETURNED, note, slots, None)
        Remark.objects.bulk_create(
            Remark(
                proposal=proposal, revision=proposal.revision, slot=remark.slot, text=remark.text.strip()[:500],
                by=member.user,
            )
            for remark in spoken
        )  # fmt: skip
        record(
            actor=member.user, verb="returned", subject=proposal, remarks=len(spoken), track=proposal.track.title,
            revision=proposal.revision,
        )  # fmt: skip
    return proposal


def withdraw_proposal(*, member: Membership, proposal: Proposal, seen_revision: int) -> Proposal:
    """Take a proposal back; the track is free for another."""
    may_withdraw(member, proposal).require()
    with transaction.atomic():
        move(proposal, "withdraw", seen_revision=seen_revision)
        record(
            actor=member.user, verb="withdrawn", subject=proposal, track=proposal.track.title,
            revision=proposal.revision,
        )  # fmt: skip
    return proposal


def _give(
    member: Membership, proposal: Proposal, kind: VerdictKind, note: str, heard: list[int], seen_digest: str | None
) -> str:
    """Store the verdict with what it is about; raises ``Conflict`` where that is not what was seen."""
    markers = list(proposal.markers.all())
    digest = digest_of(proposal, markers)
    if seen_digest is not None and seen_digest != digest:
        raise Conflict("proposal:other-content")
    Verdict.objects.create(
        proposal=proposal, revision=proposal.revision, kind=kind, by=member.user, proposed_by=proposal.proposed_by,
        changed_by=proposal.changed_by, note=note.strip()[:500], heard=heard, markers=plain(markers), digest=digest,
    )  # fmt: skip
    return digest


def _heard(member: Membership, proposal: Proposal, slots: Sequence[int]) -> list[int]:
    """Those of the slots that have a marker, in order, each once, with those heard before that still hold the same."""
    before = heard_before(last_verdict(member, proposal), proposal)
    return sorted({marker.slot for marker in proposal.markers.all()} & (before | set(slots)))
