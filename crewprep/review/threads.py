"""What is said to a remark, and whether it is settled. Changing the markers leaves threads as they are."""

from __future__ import annotations

from django.db import transaction
from django.utils import timezone

from crewprep.activity.services import record
from crewprep.common.errors import Conflict, Invalid
from crewprep.crews.models import Membership
from crewprep.review.models import Remark, Reply
from crewprep.review.rules import may_resolve


def reply_to_remark(*, member: Membership, remark: Remark, text: str) -> Reply:
    """Say something to a remark: any member of the crew. Raises ``Invalid`` without words."""
    if not text.strip():
        raise Invalid("remark:empty")
    proposal = remark.proposal
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
