"""Whom a review is put to: suggested by how much they have to review already, and changed by hand.

To be asked gives no right and takes none: whoever may review still may.
"""

from __future__ import annotations

import datetime as dt
from collections import Counter
from collections.abc import Collection
from dataclasses import dataclass

from django.db import transaction
from django.utils import timezone

from crewprep.activity.services import record
from crewprep.common.errors import Conflict, Invalid
from crewprep.crews.models import Crew, Membership, User
from crewprep.crews.rules import may_review_at_all
from crewprep.preparation.models import Assignment
from crewprep.review.models import Proposal, ProposalState, Verdict
from crewprep.review.rules import authors_of, may_ask, may_review
from crewprep.tracks.models import Track

RECENT = dt.timedelta(days=14)


@dataclass(frozen=True, slots=True, order=True)
class Load:
    """What a reviewer has to do: ``waiting`` open reviews that were put to them, ``recent`` verdicts in two weeks."""

    waiting: int
    recent: int
    name: str
    user_id: int


def loads(crew: Crew) -> dict[Membership, Load]:
    """Everyone who may review at all and still signs in, with their load, the least first; three queries."""
    reviewers = [
        member
        for member in Membership.objects.filter(crew=crew, user__is_active=True).select_related("user", "crew")
        if may_review_at_all(member)
    ]
    waiting = Counter(
        Proposal.objects.filter(crew=crew, state=ProposalState.OPEN, asked__isnull=False)
        .order_by()
        .values_list("asked", flat=True)
    )
    recent = Counter(
        Verdict.objects.filter(proposal__crew=crew, created_at__gt=timezone.now() - RECENT)
        .order_by()
        .values_list("by", flat=True)
    )
    found = {
        member: Load(waiting[member.user_id], recent[member.user_id], member.user.username, member.user_id)
        for member in reviewers
    }
    return dict(sorted(found.items(), key=lambda pair: pair[1]))


def suggested_reviewer(track: Track, *, without: Collection[int]) -> User | None:
    """Whoever a split of a crate named to review the track, else the reviewer with least to do, none of these users.

    Always the same one of equals; None where nobody is left.
    """
    fit = [member.user for member in loads(track.crew) if member.user_id not in without]
    named = set(
        Assignment.objects.filter(track=track, reviewer__isnull=False).order_by().values_list("reviewer", flat=True)
    )
    return next((user for user in fit if user.pk in named), fit[0] if fit else None)


def suggested_for(proposal: Proposal, *, without: Collection[int] = ()) -> User | None:
    """Whom to put a proposal to, other than its authors, who approved it already, and these."""
    taken = {*authors_of(proposal), *without}
    if proposal.first_approved_by_id is not None:
        taken.add(proposal.first_approved_by_id)
    return suggested_reviewer(proposal.track, without=taken)


def ask_reviewer(*, member: Membership, proposal: Proposal, reviewer: Membership, seen_asked: int | None) -> Proposal:
    """Put the review to another member, where ``seen_asked`` (the id of a user) was seen to be asked.

    Raises ``Refused``, ``Invalid`` for one who may not review it, ``Conflict`` where somebody else was asked by now.
    """
    may_ask(member, proposal).require()
    answer = may_review(reviewer, proposal)
    if not answer:
        raise Invalid("review:ask-cannot", name=str(reviewer.user))
    with transaction.atomic():
        rows = Proposal.objects.filter(
            pk=proposal.pk, state__in=[ProposalState.OPEN, ProposalState.RETURNED], asked=seen_asked
        )
        if not rows.update(asked=reviewer.user):
            raise Conflict("proposal:moved-on")
        record(
            actor=member.user, verb="reviewer asked", subject=proposal, track=proposal.track.title,
            person=reviewer.user_id,
        )  # fmt: skip
    proposal.refresh_from_db()
    return proposal


def pass_on_reviews(crew: Crew, user: User, *, by: User | None) -> None:
    """Put what was put to somebody who leaves to others; part of that change, inside its transaction."""
    pending = Proposal.objects.filter(crew=crew, asked=user, state__in=[ProposalState.OPEN, ProposalState.RETURNED])
    for proposal in pending.select_related("track").prefetch_related("contributors"):
        other = suggested_for(proposal, without={user.pk})
        if Proposal.objects.filter(pk=proposal.pk, asked=user).update(asked=other) and other is not None:
            record(
                actor=by, verb="review passed on", subject=proposal, track=proposal.track.title, person=other.pk
            )  # fmt: skip
