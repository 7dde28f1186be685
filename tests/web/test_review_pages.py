"""The queue and the proposal page: every move with its words, its refusals and its cost."""

from __future__ import annotations

import pytest
from django.db import connection
from django.test.utils import CaptureQueriesContext

from crewprep.crates.models import Crate
from crewprep.crews.models import Membership, Role
from crewprep.models import Proposal, ProposalState, Remark
from crewprep.review.content import digest_of
from crewprep.review.services import RemarkInput, amend_proposal, approve_proposal, return_proposal
from crewprep.sheets.markers import MarkerInput
from tests import factories
from tests.web.test_pages import at, signed_in

pytestmark = pytest.mark.django_db


@pytest.fixture
def changed(resident: Membership, crate: Crate) -> Proposal:
    """A proposal that moves slot 4 four bars on from the approved sheet, drops slot 5 and adds slot 7."""
    first = factories.proposal(resident, into=crate)
    other = factories.member_of(crate.crew)
    approve_proposal(member=other, proposal=first, seen_revision=1)
    beats = first.analysis.result.beats_us
    markers = [marker for marker in factories.eight_markers(first.analysis) if marker.slot not in (4, 5)]
    proposal = factories.proposal(resident, first.track, crate)
    return amend_proposal(
        member=resident,
        proposal=proposal,
        seen_revision=1,
        markers=[*markers, MarkerInput(4, beats[44 * 4]), MarkerInput(7, beats[50], label="the bell")],
        note="four bars on",
        override_reason="only the second drop is played",
    )


def verdict(member: Membership, proposal: Proposal, do: str, **more: str):
    seen = {"seen_revision": str(proposal.revision), "seen_digest": digest_of(proposal, proposal.markers.all())}
    return signed_in(member).post(at("proposal-verdict", member, proposal.pk), {"do": do, **seen, **more})


def test_old_and_new_stand_side_by_side(lead: Membership, changed: Proposal) -> None:
    page = signed_in(lead).get(at("proposal", lead, changed.pk)).content.decode()
    for words in ("moved 4 bars later", "dropped", "added", "kept", "“the bell”", "four bars on", "sheet version 1"):
        assert words in page
    queue = signed_in(lead).get(at("queue", lead)).content.decode()
    assert "3 slots changed from version 1" in queue


def test_only_what_moved_has_a_ghost(lead: Membership, changed: Proposal) -> None:
    page = signed_in(lead).get(at("proposal", lead, changed.pk)).content.decode()
    assert page.count("marker marker--old") == 2
    # Slots 4 and 7 are news, five stand where they stood.
    assert page.count("marker marker--new") == 2
    assert page.count("marker marker--kept") == 5
    for note in ("4 bars later", "added", "dropped"):
        assert f'<span class="marker__note">{note}</span>' in page, "what happened stands beside the marker"


def test_what_the_reviewer_heard_goes_with_the_verdict(lead: Membership, changed: Proposal) -> None:
    page = signed_in(lead).get(at("proposal", lead, changed.pk)).content.decode()
    assert '<input type="hidden" name="heard" value="">' in page
    verdict(lead, changed, "approve", heard="4,1,4,99,x,7")
    changed.refresh_from_db()
    assert changed.heard == [1, 4, 7]
    page = signed_in(lead).get(at("proposal", lead, changed.pk)).content.decode()
    assert "who heard 3 of 7 markers" in page


def test_a_changed_proposal_has_not_been_heard(lead: Membership, resident: Membership, changed: Proposal) -> None:
    verdict(lead, changed, "return", heard="4", note="Nearly.")
    changed.refresh_from_db()
    assert changed.heard == [4]
    markers = [MarkerInput(m.slot, m.start_us, m.end_us, m.label) for m in changed.markers.all()]
    amend_proposal(
        member=resident, proposal=changed, seen_revision=changed.revision, markers=markers, override_reason="as before"
    )
    changed.refresh_from_db()
    assert changed.heard == []


def test_returning_stores_a_remark_for_each_slot_that_has_words(lead: Membership, changed: Proposal) -> None:
    answer = verdict(lead, changed, "return", **{"remark-4": "A phrase late.", "remark-5": "  ", "note": "Nearly."})
    assert answer.url == at("queue", lead)
    assert list(Remark.objects.values_list("slot", "text")) == [(4, "A phrase late.")]
    page = signed_in(lead).get(at("proposal", lead, changed.pk)).content.decode()
    assert "A phrase late." in page
    assert "Nearly." in page
    assert 'value="approve"' not in page


def test_returning_without_a_word_is_refused_at_once(lead: Membership, changed: Proposal) -> None:
    answer = verdict(lead, changed, "return")
    assert answer.status_code == 422
    assert "Say what should change" in answer.content.decode()


def test_approving_with_remarks_typed_is_asked_back(lead: Membership, changed: Proposal) -> None:
    answer = verdict(lead, changed, "approve", **{"remark-4": "A phrase late."})
    body = answer.content.decode()
    assert answer.status_code == 422
    assert "clear the remarks" in body
    assert "A phrase late." in body
    changed.refresh_from_db()
    assert changed.state == ProposalState.OPEN


def test_markers_changed_meanwhile_make_a_conflict_that_shows_them(lead: Membership, changed: Proposal) -> None:
    seen = str(changed.revision)
    amend_proposal(
        member=factories.member_of(lead.crew),
        proposal=changed,
        seen_revision=changed.revision,
        markers=factories.eight_markers(changed.analysis)[:3],
        override_reason="the rest is to come",
    )
    answer = signed_in(lead).post(
        at("proposal-verdict", lead, changed.pk),
        {"do": "approve", "seen_revision": seen, "note": "Good ears."},
    )
    body = answer.content.decode()
    assert answer.status_code == 409
    assert "Good ears." in body
    assert f'name="seen_revision" value="{changed.revision}"' in body
    assert Proposal.objects.get(pk=changed.pk).state == ProposalState.OPEN


def test_authors_and_leads_withdraw_and_others_may_not(
    lead: Membership, resident: Membership, changed: Proposal
) -> None:
    stranger = factories.member_of(lead.crew)
    refused = verdict(stranger, changed, "withdraw")
    assert refused.status_code == 403
    assert 'value="withdraw"' not in signed_in(stranger).get(at("proposal", stranger, changed.pk)).content.decode()
    assert verdict(resident, changed, "withdraw").url == at("queue", resident)
    assert Proposal.objects.get(pk=changed.pk).state == ProposalState.WITHDRAWN


def test_a_newcomer_sees_why_there_is_no_verdict(lead: Membership, changed: Proposal) -> None:
    newcomer = factories.member_of(lead.crew, Role.NEWCOMER)
    page = signed_in(newcomer).get(at("proposal", newcomer, changed.pk)).content.decode()
    assert "Only leads and residents" in page
    assert 'value="approve"' not in page
    assert verdict(newcomer, changed, "approve").status_code == 403


def test_after_a_verdict_ones_own_proposals_are_passed_over(
    lead: Membership, resident: Membership, crate: Crate
) -> None:
    first = factories.proposal(resident, into=crate)
    factories.proposal(lead, into=crate)
    third = factories.proposal(resident, into=crate)
    assert verdict(lead, first, "approve").url == at("proposal", lead, third.pk)
    assert verdict(lead, third, "approve").url == at("queue", lead)


def test_the_queue_asks_as_often_for_many_proposals_as_for_two(
    lead: Membership, resident: Membership, crate: Crate
) -> None:
    client = signed_in(lead)

    def queries() -> int:
        with CaptureQueriesContext(connection) as asked:
            assert client.get(at("queue", lead)).status_code == 200
        return len(asked)

    def fill() -> None:
        again = factories.proposal(resident, into=crate)
        approve_proposal(member=lead, proposal=again, seen_revision=1)
        factories.proposal(resident, again.track, crate)
        fresh = factories.analysed_track(lead, crate)
        factories.draft(fresh, crate.convention_version)
        factories.proposal(resident, fresh, crate)

    fill()
    few = queries()
    for _ in range(3):
        fill()
    assert queries() == few
    assert few <= 21


def test_remarks_of_an_earlier_revision_stay_in_sight(lead: Membership, changed: Proposal) -> None:
    return_proposal(
        member=lead, proposal=changed, seen_revision=changed.revision, remarks=[RemarkInput(4, "A phrase late.")]
    )
    amend_proposal(
        member=factories.member_of(lead.crew),
        proposal=changed,
        seen_revision=changed.revision,
        markers=factories.eight_markers(changed.analysis),
    )
    page = signed_in(lead).get(at("proposal", lead, changed.pk)).content.decode()
    assert "A phrase late." in page
    assert f"on revision {changed.revision - 1}" in page
