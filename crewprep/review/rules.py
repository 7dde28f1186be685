"""Who may move a proposal, with the reason where not."""

from __future__ import annotations

from crewprep.common.access import Allowed, Answer, Denied
from crewprep.crews.models import Membership, Role
from crewprep.crews.rules import may_prepare, may_review_at_all
from crewprep.review.models import Proposal


def is_author(member: Membership, proposal: Proposal) -> bool:
    """Whether the member proposed it or ever changed its markers."""
    user_id = member.user_id
    # ``all()`` lets a list of proposals fetch every contributor at once.
    return user_id in {proposal.proposed_by_id, proposal.changed_by_id} or any(
        person.pk == user_id for person in proposal.contributors.all()
    )


def may_review(member: Membership, proposal: Proposal) -> Answer:
    """Approve or return: a lead or a resident, and never one's own."""
    answer = may_review_at_all(member)
    if not answer:
        return answer
    return Denied("proposal:own") if is_author(member, proposal) else Allowed()


def may_amend(member: Membership, proposal: Proposal) -> Answer:
    """Change the markers: anyone who prepares, who thereby becomes an author."""
    return may_prepare(member)


def may_withdraw(member: Membership, proposal: Proposal) -> Answer:
    """Take a proposal back: its authors and the leads."""
    if member.role == Role.LEAD or is_author(member, proposal):
        return Allowed()
    return Denied("proposal:not-yours")
