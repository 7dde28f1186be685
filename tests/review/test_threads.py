"""A remark begins a thread: anyone of the crew begins and replies, those concerned settle it, no change loses it."""

from __future__ import annotations

import pytest

from crewprep.activity.models import Activity
from crewprep.common.errors import Conflict, DomainError, Invalid, NotFound, Refused
from crewprep.crews.models import Membership, Role
from crewprep.review.bulk import bulk_lines
from crewprep.review.models import Proposal, Remark
from crewprep.review.options import set_options
from crewprep.review.selectors import proposal_for, remark_for
from crewprep.review.services import (
    RemarkInput,
    amend_proposal,
    approve_proposal,
    propose,
    return_proposal,
    withdraw_proposal,
)  # fmt: skip
from crewprep.review.threads import begin_remark, reply_to_remark, settle_remark
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


@pytest.mark.parametrize("who", ["author", "reviewer", "lead", "newcomer"])
def test_any_member_asks_without_a_verdict(
    who: str, proposal: Proposal, author: Membership, reviewer: Membership, lead: Membership
) -> None:
    member = {"author": author, "reviewer": reviewer, "lead": lead}.get(who) or factories.member_of(
        lead.crew, Role.NEWCOMER
    )
    before = Proposal.objects.values().get(pk=proposal.pk)
    remark = begin_remark(member=member, proposal=proposal, slot=4, text=" Why here?\r\nA fill? ", seen_revision=1)
    assert (remark.text, remark.revision, remark.slot, remark.by) == ("Why here?\nA fill?", 1, 4, member.user)
    assert Proposal.objects.values().get(pk=proposal.pk) == before, "no verdict, no move"
    row = Activity.objects.get(verb="remarked")
    assert (row.actor, row.subject_id) == (member.user, proposal.pk)
    assert row.details == {"track": proposal.track.title, "slot": 4, "remark": str(remark.pk), "revision": 1}
    reply_to_remark(member=author, remark=remark, text="A pick-up.")
    settle_remark(member=lead, remark=remark, resolved=True)
    settle_remark(member=lead, remark=remark, resolved=False)
    assert Remark.objects.get().resolved_at is None


@pytest.mark.parametrize(
    ("slot", "text", "seen", "code"),
    [
        (4, " \r\n ", 1, "remark:empty"),
        (4, "x" * 501, 1, "remark:too-long"),
        (9, "Why here?", 1, "marker:unknown-slot"),
        (0, "Why here?", 1, "marker:unknown-slot"),
        (4, "Why here?", 2, "proposal:moved-on"),
    ],
)
def test_a_remark_that_cannot_stand(
    slot: int, text: str, seen: int, code: str, proposal: Proposal, reviewer: Membership
) -> None:
    with pytest.raises(DomainError) as refused:
        begin_remark(member=reviewer, proposal=proposal, slot=slot, text=text, seen_revision=seen)
    assert refused.value.code == code
    assert not Remark.objects.exists()
    assert not Activity.objects.filter(verb="remarked").exists()


def test_a_line_end_counts_as_one_character(proposal: Proposal, reviewer: Membership) -> None:
    """As the browser counts, which sends two."""
    remark = begin_remark(member=reviewer, proposal=proposal, slot=4, text="x\r\n" * 249 + "yz", seen_revision=1)
    assert len(remark.text) == 500


def test_a_second_press_says_nothing_twice(proposal: Proposal, reviewer: Membership, lead: Membership) -> None:
    def ask(member: Membership, slot: int = 4, text: str = "Why here?") -> Remark:
        return begin_remark(member=member, proposal=proposal, slot=slot, text=text, seen_revision=1)

    first = ask(reviewer)
    with pytest.raises(Conflict) as refused:
        ask(reviewer)
    assert refused.value.code == "remark:said-already"
    ask(lead), ask(reviewer, slot=5), ask(reviewer, text="A fill?")
    settle_remark(member=reviewer, remark=first, resolved=True)
    ask(reviewer)
    assert Remark.objects.count() == 5


def test_what_is_decided_is_not_asked_about_any_more(
    proposal: Proposal, author: Membership, reviewer: Membership
) -> None:
    """A stale copy of the row says open still; the row itself is asked."""
    stale = Proposal.objects.get(pk=proposal.pk)
    return_proposal(member=reviewer, proposal=proposal, seen_revision=1, note="Slot 4.")
    begin_remark(member=author, proposal=stale, slot=4, text="What of it?", seen_revision=1)
    withdraw_proposal(member=author, proposal=proposal, seen_revision=1)
    with pytest.raises(Conflict) as refused:
        begin_remark(member=reviewer, proposal=stale, slot=4, text="Why?", seen_revision=1)
    assert refused.value.sentence.startswith("A proposal that is withdrawn cannot be remarked on.")


def test_an_open_remark_stops_no_approval_but_a_bulk_one(
    author: Membership, reviewer: Membership, lead: Membership
) -> None:
    crate = factories.crate(lead)
    track = factories.analysed_track(author, crate)
    draft = factories.draft(track, crate.convention_version)
    markers = [MarkerInput(m.slot, m.start_us, m.end_us) for m in draft.markers.all()]
    proposal = propose(member=author, track=track, convention_version=crate.convention_version, markers=markers)
    set_options(member=lead, two_reviewers=False, bulk_confidence=0.1)
    (line,) = bulk_lines(reviewer)
    assert line.why_not == ""
    begin_remark(member=author, proposal=proposal, slot=4, text="Rightly so?", seen_revision=1)
    (line,) = bulk_lines(reviewer)
    assert line.why_not == "A remark on it is not settled."
    approve_proposal(member=reviewer, proposal=proposal, seen_revision=1)
    assert Remark.objects.get().resolved_at is None


def test_a_remark_is_reached_through_its_proposal_alone(remark: Remark, author: Membership, lead: Membership) -> None:
    proposal = proposal_for(author, remark.proposal_id)
    assert remark_for(author, proposal, remark.pk) == remark
    other = factories.proposal(lead)
    with pytest.raises(NotFound):
        remark_for(lead, other, remark.pk)
