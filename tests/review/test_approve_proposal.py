"""The heart of the product: a member proposes, another reviews, never one's own."""

from __future__ import annotations

import pytest
from django.db import IntegrityError, transaction

from crewprep.activity.models import Activity
from crewprep.common.errors import Conflict, Invalid, Refused
from crewprep.crates.models import Crate
from crewprep.crews.models import Membership, Role
from crewprep.review.models import Proposal, ProposalState
from crewprep.review.rules import may_review
from crewprep.review.selectors import changes_of, open_proposals
from crewprep.review.services import (
    RemarkInput,
    amend_proposal,
    approve_proposal,
    propose,
    return_proposal,
    withdraw_proposal,
)  # fmt: skip
from crewprep.sheets.markers import MarkerInput
from crewprep.sheets.models import SheetVersion
from crewprep.sheets.selectors import latest_sheet
from tests import factories

pytestmark = pytest.mark.django_db


def moved(proposal: Proposal) -> list[MarkerInput]:
    return [
        MarkerInput(marker.slot, marker.start_us + 1_875_000, marker.end_us and marker.end_us + 1_875_000)
        for marker in proposal.markers.all()
    ]


def test_approving_makes_the_next_sheet_version(proposal: Proposal, reviewer: Membership) -> None:
    sheet = approve_proposal(member=reviewer, proposal=proposal, seen_revision=1)

    assert sheet.number == 1
    assert [(m.slot, m.start_us, m.end_us) for m in sheet.markers.all()] == [
        (m.slot, m.start_us, m.end_us) for m in proposal.markers.all()
    ]
    assert proposal.state == ProposalState.APPROVED
    assert (sheet.proposed_by, sheet.approved_by) == (proposal.proposed_by, reviewer.user)
    assert latest_sheet(proposal.track) == sheet


def test_member_cannot_approve_own_proposal(proposal: Proposal, author: Membership, lead: Membership) -> None:
    with pytest.raises(Refused) as refusal:
        approve_proposal(member=author, proposal=proposal, seen_revision=1)

    assert refusal.value.code == "proposal:own"
    assert latest_sheet(proposal.track) is None
    assert may_review(lead, proposal)


def test_lead_cannot_approve_own_proposal_either(lead: Membership, crate: Crate) -> None:
    own = factories.proposal(lead, into=crate)
    with pytest.raises(Refused):
        approve_proposal(member=lead, proposal=own, seen_revision=1)


def test_newcomer_may_propose_but_not_review(proposal: Proposal, lead: Membership, crate: Crate) -> None:
    newcomer = factories.member_of(lead.crew, Role.NEWCOMER)
    with pytest.raises(Refused) as refusal:
        approve_proposal(member=newcomer, proposal=proposal, seen_revision=1)
    assert refusal.value.code == "crew:resident-only"

    track = factories.analysed_track(lead, crate)
    assert (
        propose(
            member=newcomer,
            track=track,
            convention_version=crate.convention_version,
            markers=factories.eight_markers(factories.analysis_result()),
        ).state
        == ProposalState.OPEN
    )


def test_whoever_changed_the_markers_counts_as_author(
    proposal: Proposal, author: Membership, reviewer: Membership, lead: Membership
) -> None:
    amend_proposal(member=reviewer, proposal=proposal, markers=moved(proposal), seen_revision=1)

    for hand in (author, reviewer):
        with pytest.raises(Refused):
            approve_proposal(member=hand, proposal=proposal, seen_revision=2)
    assert approve_proposal(member=lead, proposal=proposal, seen_revision=2).proposed_by == reviewer.user


def test_an_earlier_hand_stays_an_author(proposal: Proposal, reviewer: Membership, lead: Membership) -> None:
    amend_proposal(member=reviewer, proposal=proposal, markers=moved(proposal), seen_revision=1)
    amend_proposal(member=lead, proposal=proposal, markers=moved(proposal), seen_revision=2)

    with pytest.raises(Refused):
        approve_proposal(member=reviewer, proposal=proposal, seen_revision=3)


@pytest.mark.parametrize("stamp", ["proposed_by", "changed_by"])
def test_the_database_itself_refuses_a_review_of_ones_own(proposal: Proposal, stamp: str, reviewer: Membership) -> None:
    Proposal.objects.filter(pk=proposal.pk).update(**{stamp: reviewer.user})
    with pytest.raises(IntegrityError), transaction.atomic():
        Proposal.objects.filter(pk=proposal.pk).update(state="approved", reviewed_by=reviewer.user)


def test_the_database_refuses_a_sheet_approved_by_its_author(proposal: Proposal, author: Membership) -> None:
    with pytest.raises(IntegrityError), transaction.atomic():
        SheetVersion.objects.create(
            crew=author.crew, track=proposal.track, number=1, convention_version=proposal.convention_version,
            analysis=proposal.analysis, proposed_by=author.user, approved_by=author.user,
        )  # fmt: skip


def test_second_verdict_gets_a_conflict(proposal: Proposal, reviewer: Membership, lead: Membership) -> None:
    rival = Proposal.objects.get(pk=proposal.pk)
    approve_proposal(member=reviewer, proposal=proposal, seen_revision=1)

    with pytest.raises(Conflict) as conflict:
        return_proposal(member=lead, proposal=rival, seen_revision=1, note="too late")
    assert conflict.value.code == "proposal:moved-on"
    assert Proposal.objects.get(pk=proposal.pk).state == ProposalState.APPROVED


def test_a_verdict_on_an_older_revision_gets_a_conflict(
    proposal: Proposal, author: Membership, reviewer: Membership
) -> None:
    amend_proposal(member=author, proposal=proposal, markers=moved(proposal), seen_revision=1)
    with pytest.raises(Conflict):
        approve_proposal(member=reviewer, proposal=proposal, seen_revision=1)
    assert latest_sheet(proposal.track) is None


def test_returning_needs_words_and_keeps_them(proposal: Proposal, author: Membership, reviewer: Membership) -> None:
    with pytest.raises(Invalid):
        return_proposal(member=reviewer, proposal=proposal, seen_revision=1, remarks=[RemarkInput(4, "  ")])

    return_proposal(member=reviewer, proposal=proposal, seen_revision=1, remarks=[RemarkInput(4, "One phrase late.")])
    assert proposal.state == ProposalState.RETURNED
    assert [(remark.slot, remark.text) for remark in proposal.remarks.all()] == [(4, "One phrase late.")]

    amend_proposal(member=author, proposal=proposal, markers=moved(proposal), seen_revision=1)
    assert (proposal.state, proposal.reviewed_by) == (ProposalState.OPEN, None)
    assert approve_proposal(member=reviewer, proposal=proposal, seen_revision=2).number == 1


def test_a_second_sheet_builds_on_the_first(
    proposal: Proposal, author: Membership, reviewer: Membership, crate: Crate
) -> None:
    first = approve_proposal(member=reviewer, proposal=proposal, seen_revision=1)
    second = propose(
        member=author,
        track=proposal.track,
        convention_version=crate.convention_version,
        markers=[marker for marker in moved(proposal) if marker.slot != 5],
        override_reason="there is no second breakdown",
    )

    assert second.base == first
    assert {change.slot: change.kind for change in changes_of(second)} == {
        1: "moved", 2: "moved", 3: "moved", 4: "moved", 5: "dropped", 6: "moved", 8: "moved",
    }  # fmt: skip
    assert approve_proposal(member=reviewer, proposal=second, seen_revision=1).number == 2
    assert first.markers.count() == 7


def test_one_pending_proposal_a_track(proposal: Proposal, reviewer: Membership, crate: Crate) -> None:
    with pytest.raises(Conflict) as conflict:
        propose(
            member=reviewer,
            track=proposal.track,
            convention_version=crate.convention_version,
            markers=factories.eight_markers(proposal.analysis),
        )
    assert conflict.value.code == "proposal:pending"
    assert str(proposal.proposed_by) in conflict.value.sentence


def test_withdrawing_is_for_authors_and_leads(proposal: Proposal, author: Membership, reviewer: Membership) -> None:
    with pytest.raises(Refused):
        withdraw_proposal(member=reviewer, proposal=proposal, seen_revision=1)
    withdraw_proposal(member=author, proposal=proposal, seen_revision=1)
    assert proposal.state == ProposalState.WITHDRAWN
    with pytest.raises(Conflict) as conflict:
        withdraw_proposal(member=author, proposal=proposal, seen_revision=1)
    assert conflict.value.code == "proposal:wrong-state"


def test_the_queue_shows_the_oldest_first(author: Membership, reviewer: Membership, crate: Crate) -> None:
    made = [factories.proposal(author, into=crate) for _ in range(3)]
    approve_proposal(member=reviewer, proposal=made[1], seen_revision=1)
    assert list(open_proposals(reviewer)) == [made[0], made[2]]


def test_each_move_writes_one_activity_row(proposal: Proposal, author: Membership, reviewer: Membership) -> None:
    amend_proposal(member=author, proposal=proposal, markers=moved(proposal), seen_revision=1)
    return_proposal(member=reviewer, proposal=proposal, seen_revision=2, note="Listen again.")
    amend_proposal(member=author, proposal=proposal, markers=moved(proposal), seen_revision=2)
    approve_proposal(member=reviewer, proposal=proposal, seen_revision=3)

    verbs = Activity.objects.filter(subject_id=proposal.pk).order_by("created_at").values_list("verb", flat=True)
    assert list(verbs) == ["proposed", "proposal changed", "returned", "proposal changed", "approved"]


def test_a_refused_move_writes_nothing(proposal: Proposal, author: Membership) -> None:
    before = Activity.objects.count()
    with pytest.raises(Refused):
        approve_proposal(member=author, proposal=proposal, seen_revision=1)
    assert Activity.objects.count() == before


def test_approved_sheets_are_frozen(proposal: Proposal, reviewer: Membership) -> None:
    sheet = approve_proposal(member=reviewer, proposal=proposal, seen_revision=1)
    sheet.number = 7
    with pytest.raises(TypeError):
        sheet.save()
    marker = sheet.markers.first()
    assert marker is not None
    marker.start_us += 1
    with pytest.raises(TypeError):
        marker.save()
