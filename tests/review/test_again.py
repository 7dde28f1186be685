"""Second lives: withdrawn proposals, approved sheets, and what a reviewer has seen before."""

from __future__ import annotations

import pytest

from crewprep.analysis.correction import half_a_beat_later
from crewprep.analysis.selectors import current_analysis
from crewprep.common.errors import Conflict, Invalid, Refused
from crewprep.crates.models import Crate
from crewprep.crews.models import Membership
from crewprep.preparation.services import claim_track
from crewprep.review.again import propose_sheet_again, reopen_proposal
from crewprep.review.corrections import correct_grid
from crewprep.review.models import Proposal, ProposalState
from crewprep.review.seen import changed_since, heard_before, last_verdict
from crewprep.review.services import amend_proposal, approve_proposal, propose, return_proposal, withdraw_proposal
from crewprep.sheets.checking import set_severities
from crewprep.sheets.markers import MarkerInput
from tests import factories

pytestmark = pytest.mark.django_db


def given(proposal: Proposal, **later: int) -> list[MarkerInput]:
    return [
        MarkerInput(m.slot, m.start_us + later.get(f"s{m.slot}", 0), m.end_us, m.label) for m in proposal.markers.all()
    ]


@pytest.fixture
def withdrawn(proposal: Proposal, author: Membership) -> Proposal:
    return withdraw_proposal(member=author, proposal=proposal, seen_revision=1)


def test_its_authors_open_a_withdrawn_proposal_again(
    withdrawn: Proposal, author: Membership, lead: Membership, reviewer: Membership
) -> None:
    with pytest.raises(Refused) as refused:
        reopen_proposal(member=lead, proposal=withdrawn, seen_revision=1)
    assert refused.value.code == "proposal:reopen-not-yours"
    before = given(withdrawn)
    reopen_proposal(member=author, proposal=withdrawn, seen_revision=1)
    assert (withdrawn.state, withdrawn.revision, given(withdrawn)) == (ProposalState.OPEN, 2, before)
    with pytest.raises(Conflict):
        reopen_proposal(member=author, proposal=withdrawn, seen_revision=2)
    assert approve_proposal(member=reviewer, proposal=withdrawn, seen_revision=2).number == 1


def test_not_while_another_is_pending(withdrawn: Proposal, author: Membership, reviewer: Membership, crate: Crate):
    factories.proposal(reviewer, withdrawn.track, crate)
    with pytest.raises(Conflict) as refused:
        reopen_proposal(member=author, proposal=withdrawn, seen_revision=1)
    assert refused.value.code == "proposal:pending"
    assert Proposal.objects.get(pk=withdrawn.pk).state == ProposalState.WITHDRAWN


def test_not_while_another_member_holds_the_track(withdrawn: Proposal, author: Membership, reviewer: Membership):
    claim_track(member=reviewer, track=withdrawn.track)
    with pytest.raises(Conflict) as refused:
        reopen_proposal(member=author, proposal=withdrawn, seen_revision=1)
    assert refused.value.code == "claim:held"


def test_it_stands_on_the_grid_and_the_checks_of_now(withdrawn: Proposal, author: Membership, lead: Membership) -> None:
    correct_grid(
        member=author, track=withdrawn.track, seen=str(withdrawn.analysis_id), change=half_a_beat_later, words="later"
    )
    set_severities(member=lead, severities={"grid": "blocker"})
    with pytest.raises(Invalid) as refused:
        reopen_proposal(member=author, proposal=withdrawn, seen_revision=1)
    assert refused.value.code == "proposal:blocked"
    reopen_proposal(member=author, proposal=withdrawn, seen_revision=1, override_reason="They are heard so.")
    assert withdrawn.analysis == current_analysis(withdrawn.track)
    assert withdrawn.override_reason == "They are heard so."


def test_an_approved_proposal_stays_and_its_sheet_is_put_forward_anew(
    proposal: Proposal, author: Membership, reviewer: Membership, lead: Membership, crate: Crate
) -> None:
    first = approve_proposal(member=reviewer, proposal=proposal, seen_revision=1)
    with pytest.raises(Conflict) as refused:
        reopen_proposal(member=author, proposal=proposal, seen_revision=1)
    assert refused.value.code == "proposal:wrong-state"
    second = propose(
        member=author, track=proposal.track, convention_version=crate.convention_version,
        markers=given(proposal, s4=1_000), override_reason="x",
    )  # fmt: skip
    latest = approve_proposal(member=reviewer, proposal=second, seen_revision=1)

    again = propose_sheet_again(member=reviewer, sheet=first)
    assert (again.base, again.proposed_by, given(again)) == (latest, reviewer.user, given(proposal))
    assert "version 1" in again.note
    assert approve_proposal(member=lead, proposal=again, seen_revision=1).number == 3


def test_only_what_changed_is_looked_at_again(proposal: Proposal, author: Membership, reviewer: Membership) -> None:
    assert last_verdict(reviewer, proposal) is None
    return_proposal(member=reviewer, proposal=proposal, seen_revision=1, note="Slots 4, 5.", heard=[1, 2, 4, 5])
    changed = [marker for marker in given(proposal, s4=30_000_000) if marker.slot != 5]
    amend_proposal(member=author, proposal=proposal, markers=changed, seen_revision=1, override_reason="one breakdown")
    seen = last_verdict(reviewer, proposal)
    assert seen is not None
    assert changed_since(seen, proposal) == {4, 5}
    assert heard_before(seen, proposal) == {1, 2}
    assert last_verdict(author, proposal) is None

    approve_proposal(member=reviewer, proposal=proposal, seen_revision=2, heard=[4])
    assert proposal.heard == [1, 2, 4], "what was heard and did not change need not be heard again"


def test_heard_by_one_is_not_heard_by_another(
    proposal: Proposal, author: Membership, reviewer: Membership, lead: Membership
) -> None:
    return_proposal(member=reviewer, proposal=proposal, seen_revision=1, note="x", heard=[1, 2])
    amend_proposal(member=author, proposal=proposal, markers=given(proposal), seen_revision=1)
    approve_proposal(member=lead, proposal=proposal, seen_revision=2, heard=[3])
    assert proposal.heard == [3]
