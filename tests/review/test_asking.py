"""Whom a review is put to: the least loaded who may, the same of equals; changed by hand without giving a right."""

from __future__ import annotations

import pytest

from crewprep.accounts.departing import leave_crew
from crewprep.activity.models import Activity
from crewprep.common.errors import Conflict, Invalid, Refused
from crewprep.crates.models import Crate
from crewprep.crews.models import Membership, Role, User
from crewprep.preparation.models import Assignment
from crewprep.review.asking import ask_reviewer, loads, suggested_for
from crewprep.review.models import Proposal
from crewprep.review.options import set_options
from crewprep.review.rules import may_review
from crewprep.review.services import amend_proposal, approve_proposal, give_approval
from crewprep.sheets.markers import MarkerInput
from tests import factories

pytestmark = pytest.mark.django_db


def same(proposal: Proposal) -> list[MarkerInput]:
    return [MarkerInput(m.slot, m.start_us, m.end_us) for m in proposal.markers.all()]


def test_each_goes_to_whoever_has_least_to_do(author: Membership, reviewer: Membership, lead: Membership, crate: Crate):
    factories.member_of(lead.crew, Role.NEWCOMER)
    asked = [factories.proposal(author, into=crate).asked for _ in range(4)]
    others = sorted([lead.user, reviewer.user], key=lambda user: user.username)
    assert asked == [*others, *others]


def test_recent_verdicts_count_among_equals(author: Membership, reviewer: Membership, lead: Membership, crate: Crate):
    first = factories.proposal(author, into=crate)
    busy = first.asked
    assert busy is not None
    approve_proposal(member=Membership.objects.get(user=busy), proposal=first, seen_revision=1)
    second = factories.proposal(author, into=crate)
    assert {busy, second.asked} == {lead.user, reviewer.user}
    assert [(load.waiting, load.recent) for member, load in loads(lead.crew).items() if member.user == busy] == [(0, 1)]


def test_an_author_is_never_asked(proposal: Proposal, lead: Membership, reviewer: Membership) -> None:
    assert proposal.asked is not None
    asked = Membership.objects.get(user=proposal.asked)
    amend_proposal(member=asked, proposal=proposal, markers=same(proposal), seen_revision=1)
    assert proposal.asked in ({lead.user, reviewer.user} - {asked.user})
    other = Membership.objects.get(user=proposal.asked)
    amend_proposal(member=other, proposal=proposal, markers=same(proposal), seen_revision=2)
    assert proposal.asked is None


def test_whoever_cannot_sign_in_is_not_asked(author: Membership, reviewer: Membership, lead: Membership, crate: Crate):
    User.objects.filter(pk=lead.user_id).update(is_active=False)
    assert factories.proposal(author, into=crate).asked == reviewer.user


def test_the_second_of_two_is_put_to_somebody_else(proposal: Proposal, lead: Membership, reviewer: Membership) -> None:
    set_options(member=lead, two_reviewers=True, bulk_confidence=None)
    assert proposal.asked is not None
    first = Membership.objects.get(user=proposal.asked)
    give_approval(member=first, proposal=proposal, seen_revision=1)
    assert proposal.asked in ({lead.user, reviewer.user} - {first.user})


def test_authors_reviewers_and_leads_ask_and_the_asked_gains_nothing(
    proposal: Proposal, author: Membership, lead: Membership, reviewer: Membership
) -> None:
    newcomer = factories.member_of(lead.crew, Role.NEWCOMER)
    late = factories.member_of(lead.crew)
    seen = proposal.asked_id
    ask_reviewer(member=author, proposal=proposal, reviewer=late, seen_asked=seen)
    assert proposal.asked == late.user
    assert may_review(reviewer, proposal)
    assert Activity.objects.get(verb="reviewer asked").details["person"] == late.user_id
    with pytest.raises(Conflict):
        ask_reviewer(member=lead, proposal=proposal, reviewer=lead, seen_asked=seen)
    with pytest.raises(Refused):
        ask_reviewer(member=newcomer, proposal=proposal, reviewer=lead, seen_asked=late.user_id)
    for wrong in (author, newcomer):
        with pytest.raises(Invalid):
            ask_reviewer(member=lead, proposal=proposal, reviewer=wrong, seen_asked=late.user_id)


def test_nobody_is_suggested_where_nobody_may(lead: Membership, crate: Crate) -> None:
    alone = factories.proposal(lead, into=crate)
    assert (alone.asked, suggested_for(alone)) == (None, None)


def test_what_was_put_to_somebody_who_leaves_goes_to_others(
    author: Membership, lead: Membership, reviewer: Membership, crate: Crate
) -> None:
    proposals = [factories.proposal(author, into=crate) for _ in range(2)]
    leave_crew(member=reviewer)
    for proposal in proposals:
        proposal.refresh_from_db()
        assert proposal.asked == lead.user


def test_whom_a_split_names_is_asked_first(
    author: Membership, lead: Membership, reviewer: Membership, crate: Crate
) -> None:
    for named in (lead, reviewer):
        track = factories.analysed_track(lead, crate)
        Assignment.objects.create(
            crew=lead.crew, crate=crate, track=track, preparer=author.user, reviewer=named.user, minutes=9,
            review_minutes=3,
        )  # fmt: skip
        assert [factories.proposal(author, track, crate).asked] == [named.user]
    own = factories.analysed_track(lead, crate)
    Assignment.objects.create(crew=lead.crew, crate=crate, track=own, reviewer=author.user, minutes=9, review_minutes=3)
    assert factories.proposal(author, own, crate).asked != author.user
