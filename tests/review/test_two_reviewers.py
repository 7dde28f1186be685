"""Where two must approve: two distinct members who are no authors, of the same revision."""

from __future__ import annotations

import pytest
from django.db import IntegrityError, transaction

from crewprep.activity.models import Activity
from crewprep.common.errors import Conflict, Invalid, Refused
from crewprep.crews.models import Membership
from crewprep.review.models import Proposal, ProposalState, ReviewOptions, Verdict
from crewprep.review.options import options_of, set_options
from crewprep.review.rules import may_review
from crewprep.review.services import amend_proposal, approve_proposal, give_approval, return_proposal
from crewprep.sheets.markers import MarkerInput
from crewprep.sheets.models import SheetVersion
from tests import factories

pytestmark = pytest.mark.django_db


@pytest.fixture
def two(lead: Membership) -> None:
    set_options(member=lead, two_reviewers=True, bulk_confidence=None)


def same(proposal: Proposal) -> list[MarkerInput]:
    return [MarkerInput(m.slot, m.start_us, m.end_us, m.label) for m in proposal.markers.all()]


def test_the_second_approval_makes_the_sheet(
    two: None, proposal: Proposal, reviewer: Membership, lead: Membership
) -> None:
    assert give_approval(member=reviewer, proposal=proposal, seen_revision=1, note="Good.", heard=[4]) is None
    assert (proposal.state, proposal.first_approved_by) == (ProposalState.OPEN, reviewer.user)
    assert not SheetVersion.objects.exists()

    sheet = give_approval(member=lead, proposal=proposal, seen_revision=1)
    assert sheet is not None
    assert (proposal.state, sheet.approved_by) == (ProposalState.APPROVED, lead.user)
    verdicts = Verdict.objects.order_by("created_at")
    assert [(one.by, one.kind, one.note, one.heard) for one in verdicts] == [
        (reviewer.user, "approved", "Good.", [4]), (lead.user, "approved", "", []),
    ]  # fmt: skip
    assert len({one.digest for one in verdicts}) == 1
    verbs = Activity.objects.filter(subject_id=proposal.pk).order_by("created_at").values_list("verb", flat=True)
    assert list(verbs) == ["proposed", "approved once", "approved"]


def test_nobody_approves_twice_and_no_author_at_all(
    two: None, proposal: Proposal, author: Membership, reviewer: Membership
) -> None:
    with pytest.raises(Refused):
        give_approval(member=author, proposal=proposal, seen_revision=1)
    give_approval(member=reviewer, proposal=proposal, seen_revision=1)
    for verdict in (give_approval, return_proposal):
        with pytest.raises(Refused) as refused:
            verdict(member=reviewer, proposal=proposal, seen_revision=1, note="again")
        assert refused.value.code == "proposal:approved-by-you"
    assert not may_review(reviewer, proposal)


def test_a_change_makes_the_first_approval_void(
    two: None, proposal: Proposal, author: Membership, reviewer: Membership, lead: Membership
) -> None:
    give_approval(member=reviewer, proposal=proposal, seen_revision=1)
    amend_proposal(member=author, proposal=proposal, markers=same(proposal), seen_revision=1)
    assert proposal.first_approved_by is None
    assert give_approval(member=lead, proposal=proposal, seen_revision=2) is None
    assert give_approval(member=reviewer, proposal=proposal, seen_revision=2) is not None


def test_the_second_reviewer_may_return_it(
    two: None, proposal: Proposal, reviewer: Membership, lead: Membership
) -> None:
    give_approval(member=reviewer, proposal=proposal, seen_revision=1)
    return_proposal(member=lead, proposal=proposal, seen_revision=1, note="Slot 4 is late.")
    assert proposal.state == ProposalState.RETURNED


def test_a_sheet_cannot_be_made_past_the_rule(two: None, proposal: Proposal, reviewer: Membership) -> None:
    with pytest.raises(Conflict) as refused:
        approve_proposal(member=reviewer, proposal=proposal, seen_revision=1)
    assert refused.value.code == "proposal:first-missing"
    with pytest.raises(IntegrityError), transaction.atomic():
        Proposal.objects.filter(pk=proposal.pk).update(
            state="approved", two_reviewers=True, reviewed_by=reviewer.user, reviewed_at=proposal.changed_at
        )


@pytest.mark.parametrize("who", ["author", "reviewer"])
def test_the_database_itself_wants_two_others(
    who: str, proposal: Proposal, author: Membership, reviewer: Membership
) -> None:
    member = {"author": author, "reviewer": reviewer}[who]
    stamps = {"reviewed_by": reviewer.user, "reviewed_at": proposal.changed_at, "first_approved_by": member.user}
    with pytest.raises(IntegrityError), transaction.atomic():
        Proposal.objects.filter(pk=proposal.pk).update(**stamps)


def test_the_database_holds_one_verdict_a_reviewer_and_revision_and_none_of_an_author(
    proposal: Proposal, author: Membership, reviewer: Membership
) -> None:
    def verdict(member: Membership) -> Verdict:
        return Verdict.objects.create(
            proposal=proposal, revision=1, kind="approved", by=member.user, proposed_by=author.user,
            changed_by=author.user, digest="0" * 64,
        )  # fmt: skip

    verdict(reviewer)
    for member in (reviewer, author):
        with pytest.raises(IntegrityError), transaction.atomic():
            verdict(member)


def test_leads_alone_switch_it_and_one_row_is_written(lead: Membership, reviewer: Membership) -> None:
    with pytest.raises(Refused):
        set_options(member=reviewer, two_reviewers=True, bulk_confidence=None)
    for wrong in (-0.1, 1.1, float("nan"), float("inf")):
        with pytest.raises(Invalid):
            set_options(member=lead, two_reviewers=True, bulk_confidence=wrong)
    assert not options_of(lead.crew).two_reviewers
    for _ in range(2):
        set_options(member=lead, two_reviewers=True, bulk_confidence=0.9)
    assert (options_of(lead.crew).two_reviewers, options_of(lead.crew).bulk_confidence) == (True, 0.9)
    assert Activity.objects.filter(verb="review options set").count() == 1
    assert ReviewOptions.objects.count() == 1
    other = factories.crew_with()
    assert not options_of(other.crew).two_reviewers


def test_switched_off_again_one_approval_is_enough(
    two: None, proposal: Proposal, reviewer: Membership, lead: Membership
) -> None:
    give_approval(member=reviewer, proposal=proposal, seen_revision=1)
    set_options(member=lead, two_reviewers=False, bulk_confidence=None)
    assert give_approval(member=lead, proposal=proposal, seen_revision=1) is not None
