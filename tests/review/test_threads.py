"""A remark begins a thread: anyone of the crew replies, those whom it concerns settle it, no change loses it."""

from __future__ import annotations

import pytest

from crewprep.activity.models import Activity
from crewprep.common.errors import Conflict, Invalid, NotFound, Refused
from crewprep.crews.models import Membership, Role
from crewprep.review.models import Proposal, Remark
from crewprep.review.selectors import proposal_for, remark_for
from crewprep.review.services import RemarkInput, amend_proposal, approve_proposal, return_proposal
from crewprep.review.threads import reply_to_remark, settle_remark
from crewprep.sheets.markers import MarkerInput
from tests import factories

pytestmark = pytest.mark.django_db


@pytest.fixture
def remark(proposal: Proposal, reviewer: Membership) -> Remark:
    return_proposal(member=reviewer, proposal=proposal, seen_revision=1, remarks=[RemarkInput(4, "A phrase late.")])
    return Remark.objects.get()


def test_any_member_replies_and_each_reply_is_recorded(remark: Remark, author: Membership, lead: Membership) -> None:
    newcomer = factories.member_of(lead.crew, Role.NEWCOMER)
    reply_to_remark(member=author, remark=remark, text=" The pick-up belongs to it. ")
    reply_to_remark(member=newcomer, remark=remark, text="I hear it too.")
    with pytest.raises(Invalid):
        reply_to_remark(member=author, remark=remark, text="  ")
    assert [(reply.by, reply.text) for reply in remark.replies.all()] == [
        (author.user, "The pick-up belongs to it."), (newcomer.user, "I hear it too."),
    ]  # fmt: skip
    rows = Activity.objects.filter(verb="replied", subject_id=remark.proposal_id)
    assert [row.details["slot"] for row in rows] == [4, 4]


@pytest.mark.parametrize("who", ["author", "reviewer", "lead"])
def test_those_whom_it_concerns_settle_it_and_open_it_again(
    who: str, remark: Remark, author: Membership, reviewer: Membership, lead: Membership
) -> None:
    member = {"author": author, "reviewer": reviewer, "lead": lead}[who]
    settle_remark(member=member, remark=remark, resolved=True)
    assert remark.resolved_by == member.user
    with pytest.raises(Conflict):
        settle_remark(member=member, remark=remark, resolved=True)
    settle_remark(member=member, remark=remark, resolved=False)
    again = Remark.objects.get()
    assert again.resolved_by is None
    assert again.resolved_at is None
    verbs = Activity.objects.filter(subject_id=remark.proposal_id).order_by("created_at").values_list("verb", flat=True)
    assert list(verbs)[2:] == ["remark resolved", "remark opened again"]


def test_others_may_not(remark: Remark, lead: Membership) -> None:
    with pytest.raises(Refused) as refused:
        settle_remark(member=factories.member_of(lead.crew), remark=remark, resolved=True)
    assert refused.value.code == "remark:not-yours"


def test_a_change_and_the_approval_lose_no_thread(remark: Remark, author: Membership, reviewer: Membership) -> None:
    reply_to_remark(member=author, remark=remark, text="Moved it.")
    proposal = Proposal.objects.get()
    markers = [MarkerInput(m.slot, m.start_us, m.end_us) for m in proposal.markers.all() if m.slot != 4]
    amend_proposal(member=author, proposal=proposal, markers=markers, seen_revision=1, override_reason="x")
    settle_remark(member=reviewer, remark=remark, resolved=True)
    approve_proposal(member=reviewer, proposal=proposal, seen_revision=2)
    (kept,) = proposal_for(author, proposal.pk).remarks.all()
    assert (kept.slot, kept.revision, kept.resolved_by) == (4, 1, reviewer.user)
    assert [reply.text for reply in kept.replies.all()] == ["Moved it."]


def test_a_remark_is_reached_through_its_proposal_alone(remark: Remark, author: Membership, lead: Membership) -> None:
    proposal = proposal_for(author, remark.proposal_id)
    assert remark_for(author, proposal, remark.pk) == remark
    other = factories.proposal(lead)
    with pytest.raises(NotFound):
        remark_for(lead, other, remark.pk)
