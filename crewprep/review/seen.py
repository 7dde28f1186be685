"""What a reviewer has seen already: their last verdict on a proposal, and which slots changed since."""

from __future__ import annotations

from crewprep.crews.models import Membership
from crewprep.review.content import plain
from crewprep.review.models import Proposal, Verdict


def last_verdict(member: Membership, proposal: Proposal) -> Verdict | None:
    """What the member said of an earlier revision last, or None."""
    return (
        Verdict.objects.filter(proposal=proposal, by=member.user, revision__lt=proposal.revision)
        .order_by("-revision")
        .first()
    )


def changed_since(verdict: Verdict, proposal: Proposal) -> set[int]:
    """The slots whose markers are not as the verdict saw them, those that were emptied included."""
    then = {marker["slot"]: marker for marker in verdict.markers}
    now = {marker["slot"]: marker for marker in plain(proposal.markers.all())}
    return {slot for slot in then.keys() | now.keys() if then.get(slot) != now.get(slot)}


def heard_before(verdict: Verdict | None, proposal: Proposal) -> set[int]:
    """The slots that the reviewer listened to then and that still hold the same marker."""
    return set() if verdict is None else set(verdict.heard) - changed_since(verdict, proposal)
