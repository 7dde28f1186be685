"""Remarks without a verdict, what is said to a remark, and whether it is settled. Changing the markers leaves threads
as they are."""

from __future__ import annotations

from django.db import transaction
from django.utils import timezone

from crewprep.activity.services import record
from crewprep.common.errors import Conflict, Invalid
from crewprep.conventions.comparison import numbers_in_words
from crewprep.crews.models import Membership
from crewprep.review.lifecycle import require_sayable
from crewprep.review.models import Proposal, Remark, Reply
from crewprep.review.rules import may_resolve, may_talk

LONGEST = 500
"""Characters of a remark, a line's end counted as one."""


def begin_remark(*, member: Membership, proposal: Proposal, slot: int, text: str, seen_revision: int) -> Remark:
    """Say something about one slot of an open or returned proposal without a verdict: any member of the crew.

    Raises ``Invalid`` without words, with too many, and for a slot that the convention does not have; ``Conflict``
    where the proposal moved on, and where the member's same words stand there already.
    """
    may_talk(member, proposal).require()
    words = text.replace("\r\n", "\n").strip()
    if not words:
        raise Invalid("remark:empty")
    if len(words) > LONGEST:
        raise Invalid("remark:too-long", longest=LONGEST, length=len(words))
    numbers = {one.number for one in proposal.convention_version.slots.all()}
    if slot not in numbers:
        raise Invalid("marker:unknown-slot", slot=slot, slots=numbers_in_words(numbers))
    said = {"revision": seen_revision, "slot": slot, "text": words, "by": member.user}
    with transaction.atomic():
        require_sayable(proposal, "remark", seen_revision=seen_revision)
        if Remark.objects.filter(proposal=proposal, resolved_at=None, **said).exists():
            raise Conflict("remark:said-already")
        remark = Remark.objects.create(proposal=proposal, **said)
        record(
            actor=member.user, verb="remarked", subject=proposal, track=proposal.track.title, slot=slot,
            remark=str(remark.pk), revision=seen_revision,
        )  # fmt: skip
    return remark


def reply_to_remark(*, member: Membership, remark: Remark, text: str) -> Reply:
    """Say something to a remark: any member of the crew. Raises ``Invalid`` without words."""
    proposal = remark.proposal
    may_talk(member, proposal).require()
    if not text.strip():
        raise Invalid("remark:empty")
    with transaction.atomic():
        reply = Reply.objects.create(remark=remark, text=text.strip()[:500], by=member.user)
        record(
            actor=member.user, verb="replied", subject=proposal, track=proposal.track.title, slot=remark.slot,
            remark=str(remark.pk),
        )  # fmt: skip
    return reply


def settle_remark(*, member: Membership, remark: Remark, resolved: bool) -> Remark:
    """Resolve a remark, or open it again: its author, an author of the proposal, or a lead.

    Raises ``Refused``, and ``Conflict`` where somebody did so already.
    """
    may_resolve(member, remark).require()
    stamps = {"resolved_by": member.user, "resolved_at": timezone.now()}
    with transaction.atomic():
        rows = Remark.objects.filter(pk=remark.pk, resolved_at__isnull=resolved)
        if not rows.update(**(stamps if resolved else dict.fromkeys(stamps))):
            raise Conflict("remark:moved-on")
        record(
            actor=member.user, verb="remark resolved" if resolved else "remark opened again", subject=remark.proposal,
            track=remark.proposal.track.title, slot=remark.slot, remark=str(remark.pk),
        )  # fmt: skip
    remark.refresh_from_db()
    return remark
