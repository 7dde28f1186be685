"""The review's pages: merging, threads, findings as remarks, what changed since, two reviewers, bulk and versions."""

from __future__ import annotations

import re
from typing import Any

import pytest
from django.db import connection
from django.test.utils import CaptureQueriesContext

from crewprep.crates.models import Crate
from crewprep.crews.models import Membership, Role
from crewprep.review.again import reopen_proposal
from crewprep.review.content import digest_of
from crewprep.review.models import Proposal, ProposalState, Remark
from crewprep.review.options import options_of, set_options
from crewprep.review.services import (
    RemarkInput,
    amend_proposal,
    approve_proposal,
    give_approval,
    propose,
    return_proposal,
    withdraw_proposal,
)  # fmt: skip
from crewprep.sheets.markers import MarkerInput
from crewprep.sheets.models import SheetVersion
from tests import factories
from tests.web.test_pages import at, signed_in

pytestmark = pytest.mark.django_db


def given(proposal: Proposal, **later: int) -> list[MarkerInput]:
    return [
        MarkerInput(m.slot, m.start_us + later.get(f"s{m.slot}", 0), m.end_us, m.label) for m in proposal.markers.all()
    ]


@pytest.fixture
def proposal(resident: Membership, crate: Crate) -> Proposal:
    return factories.proposal(resident, into=crate)


def page_of(member: Membership, proposal: Proposal) -> str:
    return signed_in(member).get(at("proposal", member, proposal.pk)).content.decode()


def post(member: Membership, name: str, *where: Any, **fields: Any) -> Any:
    return signed_in(member).post(at(name, member, *where), fields)


def fragment_of(member: Membership, *where: Any, **fields: str) -> str:
    """What a thread's form gets where scripts run."""
    answer = signed_in(member).post(at("remark", member, *where), fields, headers={"HX-Request": "true"})
    return answer.content.decode()


@pytest.fixture
def stale(resident: Membership, lead: Membership, crate: Crate, proposal: Proposal) -> Proposal:
    """Moves slots 3 and 4 of sheet 1, while sheet 2 moved slots 2 and 4."""
    approve_proposal(member=lead, proposal=proposal, seen_revision=1)

    def another(**later: int) -> Proposal:
        return propose(
            member=resident, track=proposal.track, convention_version=crate.convention_version,
            markers=given(proposal, **later), override_reason="off the grid on purpose",
        )  # fmt: skip

    mine = withdraw_proposal(member=resident, proposal=another(s3=30_000_000, s4=30_000_000), seen_revision=1)
    approve_proposal(member=lead, proposal=another(s2=10_000_000, s4=10_000_000), seen_revision=1)
    return reopen_proposal(member=resident, proposal=mine, seen_revision=1)


def test_a_newer_sheet_is_merged_slot_by_slot(stale: Proposal, lead: Membership) -> None:
    page = page_of(lead, stale)
    assert "A newer sheet was approved" in page
    assert page.count('type="radio"') == 2, "one slot waits for a choice"
    for words in ("Taken from the newer sheet", "Kept from this proposal", "same on both sides"):
        assert words in page
    assert "Version 2 is newer" in signed_in(lead).get(at("queue", lead)).content.decode()

    refused = post(lead, "proposal-merge", stale.pk, seen_revision="2", seen_sheet="2", override_reason="x")
    assert refused.status_code == 422
    assert "Both sides changed slot 4" in refused.content.decode()
    wrong = post(lead, "proposal-merge", stale.pk, seen_revision="1", seen_sheet="2", **{"take-4": "theirs"})
    assert wrong.status_code == 409
    assert re.search(r'name="take-4" value="theirs" checked', wrong.content.decode()), "what was chosen stays"
    done = post(
        lead, "proposal-merge", stale.pk, seen_revision="2", seen_sheet="2", override_reason="x", **{"take-4": "yours"}
    )
    assert done.url == at("proposal", lead, stale.pk)
    stale.refresh_from_db()
    assert (stale.revision, stale.base and stale.base.number) == (3, 2)
    assert "A newer sheet" not in page_of(lead, stale)


def test_threads_are_replied_to_and_settled(proposal: Proposal, resident: Membership, lead: Membership) -> None:
    return_proposal(member=lead, proposal=proposal, seen_revision=1, remarks=[RemarkInput(4, "A phrase late.")])
    remark = Remark.objects.get()
    plain = post(resident, "remark", proposal.pk, remark.pk, do="reply", text="The pick-up belongs to it.")
    assert plain.url == f"{at('proposal', resident, proposal.pk)}#thread-{remark.pk}"
    fragment = fragment_of(lead, proposal.pk, remark.pk, do="settle")
    assert fragment.lstrip().startswith('<div class="thread thread--settled')
    assert "The pick-up belongs to it." in fragment
    assert "Settled" in fragment
    page = page_of(resident, proposal)
    assert "thread--settled" in page
    assert "open remark" not in page
    post(resident, "remark", proposal.pk, remark.pk, do="open")
    assert "1 open remark" in page_of(resident, proposal)


def test_a_reply_without_words_is_told_in_the_thread(proposal: Proposal, lead: Membership) -> None:
    return_proposal(member=lead, proposal=proposal, seen_revision=1, remarks=[RemarkInput(4, "A phrase late.")])
    remark = Remark.objects.get()
    fragment = fragment_of(lead, proposal.pk, remark.pk, do="reply", text=" ")
    assert "Write a word first" in fragment
    answer = signed_in(lead).post(at("remark", lead, proposal.pk, remark.pk), {"text": " "}, follow=True)
    assert "Write a word first" in answer.content.decode()
    newcomer = factories.member_of(lead.crew, Role.NEWCOMER)
    assert 'value="settle"' not in page_of(newcomer, proposal)
    refused = fragment_of(newcomer, proposal.pk, remark.pk, do="settle")
    assert "Only whoever wrote the remark" in refused


def test_a_finding_becomes_a_remark_without_scripts(resident: Membership, lead: Membership, crate: Crate) -> None:
    track = factories.analysed_track(resident, crate)
    markers = factories.eight_markers(factories.analysis_result())
    markers[3] = MarkerInput(4, markers[3].start_us + 100_000)
    proposal = propose(member=resident, track=track, convention_version=crate.convention_version, markers=markers)
    page = page_of(lead, proposal)
    found = re.search(r'name="finding-4" value="([^"]+)"', page)
    assert found is not None
    seen = {"seen_revision": "1", "seen_digest": digest_of(proposal, proposal.markers.all())}
    asked = post(lead, "proposal-verdict", proposal.pk, do="approve", **seen, **{"finding-4": found[1]})
    assert asked.status_code == 422, "a ticked finding is a remark, and remarks go with a return"
    post(
        lead, "proposal-verdict", proposal.pk, do="return", **seen,
        **{"finding-4": found[1], "remark-4": "I hear it too."},
    )  # fmt: skip
    assert [(one.slot, one.text) for one in Remark.objects.all()] == [(4, f"I hear it too. {found[1]}")]


def test_only_what_changed_is_marked_for_the_same_reviewer(
    proposal: Proposal, resident: Membership, lead: Membership
) -> None:
    return_proposal(member=lead, proposal=proposal, seen_revision=1, note="Slot 4.", heard=[1, 2, 4])
    amend_proposal(
        member=resident, proposal=proposal, seen_revision=1, markers=given(proposal, s4=1_875_000), override_reason="x"
    )
    page = page_of(lead, proposal)
    assert "You returned revision 1" in page
    assert page.count("Changed since you saw it") == 1
    assert page.count("As you saw it") == 6
    assert 'name="heard" value="1,2"' in page
    assert "Changed since you saw it" not in page_of(factories.member_of(lead.crew), proposal)


def test_the_first_of_two_approvals_is_shown(proposal: Proposal, resident: Membership, lead: Membership) -> None:
    set_options(member=lead, two_reviewers=True, bulk_confidence=None)
    assert "Approve as the first of two" in page_of(lead, proposal)
    seen = {"seen_revision": "1", "seen_digest": digest_of(proposal, proposal.markers.all())}
    post(lead, "proposal-verdict", proposal.pk, do="approve", **seen)
    assert not SheetVersion.objects.exists()
    page = page_of(lead, proposal)
    assert f"Approved once, by {lead.user}" in page
    assert 'value="approve"' not in page
    second = factories.member_of(lead.crew)
    assert "Approved once" in signed_in(second).get(at("queue", second)).content.decode()
    post(second, "proposal-verdict", proposal.pk, do="approve", **seen)
    assert SheetVersion.objects.get().approved_by == second.user


def test_a_digest_of_something_else_is_refused(proposal: Proposal, lead: Membership) -> None:
    for seen in ("", "0" * 64):
        answer = post(lead, "proposal-verdict", proposal.pk, do="approve", seen_revision="1", seen_digest=seen)
        assert answer.status_code == 409
    assert not SheetVersion.objects.exists()


def test_a_review_is_put_to_another_member(proposal: Proposal, resident: Membership, lead: Membership) -> None:
    late = factories.member_of(lead.crew)
    assert f"Review put to {lead.user}" in page_of(resident, proposal)
    post(resident, "proposal-ask", proposal.pk, reviewer=late.pk, seen_asked=lead.user_id)
    proposal.refresh_from_db()
    assert proposal.asked == late.user
    assert "put to you" in signed_in(late).get(at("queue", late)).content.decode()
    for fields in ({"reviewer": "x"}, {"reviewer": lead.pk, "seen_asked": "x"}, {"reviewer": lead.pk}):
        answer = post(resident, "proposal-ask", proposal.pk, **fields)
        assert answer.status_code == 302
    proposal.refresh_from_db()
    assert proposal.asked == late.user


def test_a_withdrawn_proposal_is_opened_again_on_its_page(
    proposal: Proposal, resident: Membership, lead: Membership
) -> None:
    withdraw_proposal(member=resident, proposal=proposal, seen_revision=1)
    assert 'value="reopen"' not in page_of(lead, proposal)
    assert 'value="reopen"' in page_of(resident, proposal)
    assert post(lead, "proposal-verdict", proposal.pk, do="reopen", seen_revision="1").status_code == 403
    post(resident, "proposal-verdict", proposal.pk, do="reopen", seen_revision="1")
    proposal.refresh_from_db()
    assert (proposal.state, proposal.revision) == (ProposalState.OPEN, 2)


def test_leads_set_how_the_crew_reviews(resident: Membership, lead: Membership) -> None:
    assert "Approve first" in signed_in(resident).get(at("review-options", resident)).content.decode()
    assert post(resident, "review-options", two_reviewers="on").status_code == 403
    for wrong in ("x", "101", "-1", "nan"):
        answer = post(lead, "review-options", two_reviewers="on", bulk_confidence=wrong)
        assert answer.status_code == 422
        assert f'value="{wrong}"' in answer.content.decode(), "what was typed stays"
    post(lead, "review-options", two_reviewers="on", bulk_confidence="92,5")
    options = options_of(lead.crew)
    assert (options.two_reviewers, options.bulk_confidence) == (True, 0.925)
    assert 'value="92.5"' in signed_in(lead).get(at("review-options", lead)).content.decode()
    post(lead, "review-options", bulk_confidence="")
    assert options_of(lead.crew).bulk_confidence is None


def test_sure_drafts_are_approved_in_bulk(resident: Membership, lead: Membership, crate: Crate) -> None:
    track = factories.analysed_track(resident, crate)
    draft = factories.draft(track, crate.convention_version)
    sure = propose(
        member=resident, track=track, convention_version=crate.convention_version,
        markers=[MarkerInput(m.slot, m.start_us, m.end_us) for m in draft.markers.all()],
    )  # fmt: skip
    own = factories.proposal(lead, into=crate)
    assert "switched off" in signed_in(lead).get(at("bulk", lead)).content.decode()
    set_options(member=lead, two_reviewers=False, bulk_confidence=0.8)
    page = signed_in(lead).get(at("bulk", lead)).content.decode()
    (value,) = re.findall(r'name="pick" value="([^"]+)"', page)
    assert value.startswith(f"{sure.pk}:1:")
    assert "another member must review" in page
    nothing = signed_in(lead).post(at("bulk", lead), {"pick": ["x", "a:b:c"]}, follow=True)
    assert "Nothing was ticked" in nothing.content.decode()
    picked = [value, value.replace(str(sure.pk), str(own.pk))]
    answer = signed_in(lead).post(at("bulk", lead), {"pick": picked}, follow=True).content.decode()
    assert "1 proposal approved, each in your name." in answer
    assert "was not approved" in answer
    assert SheetVersion.objects.get().track == track


def test_versions_show_the_sheet_of_any_date(proposal: Proposal, resident: Membership, lead: Membership) -> None:
    where = at("sheet-versions", lead, proposal.track_id)
    client = signed_in(lead)
    assert "No sheet of this track" in client.get(where).content.decode()
    approve_proposal(member=lead, proposal=proposal, seen_revision=1)
    assert post(lead, "sheet-versions", proposal.track_id, version="9").status_code == 404
    post(resident, "sheet-versions", proposal.track_id, version="1")
    again = Proposal.objects.get(state=ProposalState.OPEN)
    assert given(again) == given(proposal)
    give_approval(member=lead, proposal=again, seen_revision=1)
    page = client.get(where).content.decode()
    assert "Version 2, the latest" in page
    assert "The record of what was done gives the same sheet." in page
    assert "had no approved sheet yet" in client.get(where, {"at": "2001-01-01"}).content.decode()
    first = SheetVersion.objects.get(number=1).created_at.isoformat()
    assert "version 1</h2>" in client.get(where, {"at": first}).content.decode()
    assert "version 2</h2>" in client.get(where, {"at": "2099-12-31T23:59"}).content.decode()
    for wrong in ("soon", "2001-13-01", "9999-12-31T25:00"):
        assert "is not a date" in client.get(where, {"at": wrong}).content.decode()


def test_a_page_with_many_threads_asks_no_oftener(proposal: Proposal, resident: Membership, lead: Membership) -> None:
    def queries() -> int:
        with CaptureQueriesContext(connection) as asked:
            page_of(lead, proposal)
        return len(asked)

    return_proposal(member=lead, proposal=proposal, seen_revision=1, remarks=[RemarkInput(4, "A.")])
    for slot in (1, 2):
        post(resident, "remark", proposal.pk, Remark.objects.get(slot=4).pk, do="reply", text=f"Reply {slot}.")
    few = queries()
    amend_proposal(member=resident, proposal=proposal, seen_revision=1, markers=given(proposal))
    more = [RemarkInput(slot, "B.") for slot in (1, 2, 3, 4, 5, 6)]
    return_proposal(member=lead, proposal=proposal, seen_revision=2, remarks=more)
    assert queries() <= few + 1
