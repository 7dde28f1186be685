"""Who may move a proposal, with the reason where not."""

from __future__ import annotations

from crewprep.common.access import Allowed, Answer, Denied
from crewprep.crews.models import Membership, Role
from crewprep.crews.rules import may_prepare, may_review_at_all
from crewprep.review.models import Proposal, Remark


def is_author(member: Membership, proposal: Proposal) -> bool:
    """Whether the member proposed it or ever changed its markers."""
    return member.user_id in authors_of(proposal)


def authors_of(proposal: Proposal) -> set[int]:
    """The ids of the users who had a hand in the markers."""
    # ``all()`` lets a list of proposals fetch every contributor at once.
    return {proposal.proposed_by_id, proposal.changed_by_id, *(person.pk for person in proposal.contributors.all())}


def may_review(member: Membership, proposal: Proposal) -> Answer:
    """Approve or return: a lead or a resident, never one's own, and one revision once."""
    answer = may_review_at_all(member)
    if not answer:
        return answer
    if is_author(member, proposal):
        return Denied("proposal:own")
    if proposal.first_approved_by_id == member.user_id:
        return Denied("proposal:approved-by-you")
    return Allowed()


def may_amend(member: Membership, proposal: Proposal) -> Answer:
    """Change the markers: anyone who prepares, who thereby becomes an author."""
    return may_prepare(member)


def may_withdraw(member: Membership, proposal: Proposal) -> Answer:
    """Take a proposal back: its authors and the leads."""
    if member.role == Role.LEAD or is_author(member, proposal):
        return Allowed()
    return Denied("proposal:not-yours")


def may_reopen(member: Membership, proposal: Proposal) -> Answer:
    """Put a withdrawn proposal back into the queue: its authors."""
    return Allowed() if is_author(member, proposal) else Denied("proposal:reopen-not-yours")


def may_ask(member: Membership, proposal: Proposal) -> Answer:
    """Say whom the review is put to: its authors, the leads, and whoever may review it themself."""
    if member.role == Role.LEAD or is_author(member, proposal) or may_review(member, proposal):
        return Allowed()
    return Denied("review:ask-not-yours")


def may_talk(member: Membership, proposal: Proposal) -> Answer:
    """Begin a remark on a slot, and reply to one: anyone of the crew. Newcomers learn by asking; authors ask too."""
    return Allowed()


def may_resolve(member: Membership, remark: Remark) -> Answer:
    """Resolve a remark or take that back: whoever wrote it, the proposal's authors, and the leads."""
    if member.role == Role.LEAD or remark.by_id == member.user_id or is_author(member, remark.proposal):
        return Allowed()
    return Denied("remark:not-yours")
