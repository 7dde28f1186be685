"""Second lives: a proposal onto a newer sheet, a withdrawn proposal and an approved sheet back into the queue."""

from __future__ import annotations

from collections.abc import Mapping

from django.db import IntegrityError, transaction

from crewprep.activity.services import record
from crewprep.common.errors import Conflict, Invalid
from crewprep.crews.models import Membership
from crewprep.preparation.services import require_free
from crewprep.review.content import plain
from crewprep.review.lifecycle import move
from crewprep.review.merging import Side, merged
from crewprep.review.models import Proposal
from crewprep.review.rules import may_amend, may_reopen
from crewprep.review.selectors import merge_of
from crewprep.review.services import propose
from crewprep.review.steps import analysis_of, back_in_queue, checked_markers, pending_instead, put_in
from crewprep.sheets.markers import MarkerInput
from crewprep.sheets.models import SheetVersion


def merge_proposal(
    *,
    member: Membership,
    proposal: Proposal,
    seen_revision: int,
    seen_sheet: int,
    choices: Mapping[int, Side],
    override_reason: str = "",
) -> Proposal:
    """Put a proposal whose base was overtaken onto the track's latest sheet (number ``seen_sheet``), slot by slot.

    ``choices`` settle the slots that both changed. Whoever merges is an author; the proposal is open again. Raises
    ``Invalid`` with the first slot that waits for a choice, ``Conflict`` where a still newer sheet was approved.
    """
    may_amend(member, proposal).require()
    require_free(member, proposal.track)
    merge = merge_of(proposal)
    if merge is None:
        raise Conflict("proposal:not-stale")
    if merge.sheet.number != seen_sheet:
        raise Conflict("proposal:sheet-moved-on")
    try:
        markers = merged(merge.slots, choices)
    except KeyError as error:
        raise Invalid("proposal:merge-choice", slot=error.args[0]) from error
    analysis = analysis_of(proposal.track)
    checked = checked_markers(markers, merge.version, analysis, override_reason)
    with transaction.atomic():
        stamps = back_in_queue(member, proposal, seen_revision, override_reason)
        stamps |= {"base": merge.sheet, "analysis": analysis, "convention_version": merge.version}
        move(proposal, "merge", seen_revision=seen_revision, **stamps)
        put_in(member, proposal, checked)
        record(
            actor=member.user, verb="proposal merged", subject=proposal, revision=proposal.revision,
            track=proposal.track.title, sheet=merge.sheet.number,
            choices={str(slot): side for slot, side in sorted(choices.items())},
        )  # fmt: skip
    return proposal


def reopen_proposal(
    *, member: Membership, proposal: Proposal, seen_revision: int, override_reason: str | None = None
) -> Proposal:
    """Put a withdrawn proposal back into the queue as its next revision, on the grid as it is now.

    Raises ``Refused`` for anyone but its authors, ``Conflict`` where another proposal for the track is pending.
    """
    may_reopen(member, proposal).require()
    require_free(member, proposal.track)
    analysis = analysis_of(proposal.track)
    reason = proposal.override_reason if override_reason is None else override_reason
    given = [MarkerInput(**values) for values in plain(proposal.markers.all())]
    checked_markers(given, proposal.convention_version, analysis, reason)
    try:
        with transaction.atomic():
            stamps = back_in_queue(member, proposal, seen_revision, reason)
            # The markers are as they were, and so is who changed them last.
            del stamps["changed_by"]
            move(proposal, "reopen", seen_revision=seen_revision, analysis=analysis, **stamps)
            record(
                actor=member.user, verb="proposal opened again", subject=proposal, track=proposal.track.title,
                revision=proposal.revision,
            )  # fmt: skip
    except IntegrityError as error:
        raise pending_instead(proposal.track, error) from error
    return proposal


def propose_sheet_again(
    *, member: Membership, sheet: SheetVersion, note: str = "", override_reason: str = ""
) -> Proposal:
    """Open an approved sheet again: a new proposal with its markers, by its convention, against the latest sheet."""
    return propose(
        member=member,
        track=sheet.track,
        convention_version=sheet.convention_version,
        markers=[MarkerInput(**values) for values in plain(sheet.markers.all())],
        note=note or f"Sheet version {sheet.number}, opened again.",
        override_reason=override_reason,
    )
