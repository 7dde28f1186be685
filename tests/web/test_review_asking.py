"""Asking without a verdict, beside a slot on the proposal's page: with scripts and without, nothing typed is lost."""

from __future__ import annotations

from typing import Any

import pytest

from crewprep.crates.models import Crate
from crewprep.crews.models import Membership, Role
from crewprep.review.models import Proposal, ProposalState, Remark
from crewprep.review.services import amend_proposal, approve_proposal, return_proposal
from tests import factories
from tests.web.test_pages import at, signed_in
from tests.web.test_review_talk import fragment_of, given, page_of, post

pytestmark = pytest.mark.django_db


@pytest.fixture
def proposal(resident: Membership, crate: Crate) -> Proposal:
    return factories.proposal(resident, into=crate)


def ask(member: Membership, proposal: Proposal, slot: int, **fields: str) -> Any:
    """What the button beside a slot sends: everything of the form that it stands in."""
    given = {"seen_revision": str(proposal.revision), "slot": str(slot), **fields}
    return post(member, "proposal-remarks", proposal.pk, **given)


def ask_by_script(member: Membership, proposal: Proposal, slot: int, **fields: str) -> str:
    """What the same press gets where scripts run."""
    given = {"seen_revision": str(proposal.revision), "slot": str(slot), **fields}
    where = at("proposal-remarks", member, proposal.pk)
    return signed_in(member).post(where, given, headers={"HX-Request": "true"}).content.decode()


@pytest.mark.parametrize("who", ["lead", "resident", "newcomer"])
def test_anybody_begins_a_remark_beside_a_slot(
    who: str, proposal: Proposal, resident: Membership, lead: Membership
) -> None:
    """A reviewer, the author and a newcomer."""
    newcomer = factories.member_of(lead.crew, Role.NEWCOMER)
    member = {"lead": lead, "resident": resident, "newcomer": newcomer}[who]
    page = page_of(member, proposal)
    assert page.count(f'formaction="{at("proposal-remarks", member, proposal.pk)}"') == 8, "beside each slot"
    assert page.count("Send without a verdict") == (8 if who == "lead" else 0)
    answer = ask(member, proposal, 4, **{"remark-4": "Why here, and not a phrase later?"})
    remark = Remark.objects.get()
    assert answer.url == f"{at('proposal', member, proposal.pk)}#thread-{remark.pk}"
    page = page_of(newcomer, proposal)
    assert "Why here, and not a phrase later?" in page
    assert "1 open remark" in page
    proposal.refresh_from_db()
    assert (proposal.state, proposal.revision) == (ProposalState.OPEN, 1)
    assert "1 open remark" in signed_in(lead).get(at("queue", lead)).content.decode()
    assert "wrote a remark on “" in signed_in(lead).get(at("crew-home", lead)).content.decode()
    settled = fragment_of(member, proposal.pk, remark.pk, do="settle")
    assert "thread--settled" in settled


def test_what_else_was_typed_heard_and_ticked_stays(proposal: Proposal, lead: Membership) -> None:
    typed = {"remark-4": "Why here?", "remark-2": "A bar late, I think.", "note": "Nearly there.", "heard": "1,3"}
    answer = ask(lead, proposal, 4, **typed, **{"finding-3": "It is off the grid."})
    page = answer.content.decode()
    assert answer.status_code == 200
    assert "Your remark on slot 4 stands; the proposal stays open." in page
    for kept in (">A bar late, I think.</textarea>", ">Nearly there.</textarea>", ">It is off the grid.</textarea>"):
        assert kept in page
    assert 'name="heard" value="1,3"' in page
    assert ">Why here?</textarea>" not in page
    assert [(one.slot, one.text) for one in Remark.objects.all()] == [(4, "Why here?")]
    again = ask(lead, proposal, 4, **typed)
    assert again.status_code == 409, "sent again by a reload, it is not said twice"
    assert "You wrote just that on this slot already" in again.content.decode()
    assert Remark.objects.count() == 1


@pytest.mark.parametrize(("text", "sentence"), [(" ", "Write a word first"), ("x" * 501, "holds 500 characters")])
def test_a_refused_remark_is_told_once_at_its_slot(
    text: str, sentence: str, proposal: Proposal, lead: Membership
) -> None:
    typed = {"remark-4": text, "remark-2": "A bar late.", "note": "Nearly there."}
    answer = ask(lead, proposal, 4, **typed)
    page = answer.content.decode()
    assert answer.status_code == 422
    assert page.count(sentence) == 1
    slot = page[page.index('id="slot-4"') : page.index('id="slot-5"')]
    assert sentence in slot
    assert 'aria-describedby="refused-4" autofocus' in slot
    for kept in (f">{text}</textarea>", ">A bar late.</textarea>", ">Nearly there.</textarea>"):
        assert kept in page
    fragment = ask_by_script(lead, proposal, 4, **typed)
    assert fragment.count(sentence) == 1
    assert f">{text}</textarea>" in fragment
    assert "thread" not in fragment
    assert not Remark.objects.exists()


def test_with_scripts_the_thread_and_an_empty_field_come(proposal: Proposal, lead: Membership) -> None:
    fragment = ask_by_script(lead, proposal, 4, **{"remark-4": "Why here?", "remark-2": "x"})
    remark = Remark.objects.get()
    assert fragment.lstrip().startswith(f'<div class="thread stack stack--tight" id="thread-{remark.pk}"')
    assert 'data-begun="4"' in fragment
    assert 'id="say-4"' in fragment
    assert ">Why here?</textarea>" not in fragment
    assert 'id="say-2"' not in fragment, "the other fields are left as they are"


def test_a_remark_on_what_moved_on_keeps_its_words(proposal: Proposal, resident: Membership, lead: Membership) -> None:
    stale = Proposal.objects.get(pk=proposal.pk)
    amend_proposal(
        member=resident, proposal=proposal, seen_revision=1, markers=given(proposal, s4=1_875_000), override_reason="x"
    )
    fragment = ask_by_script(lead, stale, 4, **{"remark-4": "Why here?"})
    assert "Show it as it stands now, with your words" in fragment
    assert "hx-post" not in fragment, "the next press brings the whole page"
    answer = ask(lead, stale, 4, **{"remark-4": "Why here?"})
    assert answer.status_code == 409
    page = answer.content.decode()
    assert ">Why here?</textarea>" in page
    assert 'name="seen_revision" value="2"' in page
    approve_proposal(member=lead, proposal=proposal, seen_revision=2)
    page = ask(lead, proposal, 4, **{"remark-4": "Why here?"}).content.decode()
    assert "cannot be remarked on" in page
    assert "Slot 4: Why here?" in page
    assert 'name="remark-4"' not in page
    assert ask(lead, proposal, 9, **{"remark-4": "Why here?"}).status_code == 404


def test_a_returned_proposal_is_talked_about_too(proposal: Proposal, resident: Membership, lead: Membership) -> None:
    return_proposal(member=lead, proposal=proposal, seen_revision=1, note="Slot 4.")
    page = page_of(resident, proposal)
    assert page.count("Send the remark") == 8
    assert ask(resident, proposal, 4, **{"remark-4": "What of it?"}).status_code == 302
    proposal.refresh_from_db()
    assert proposal.state == ProposalState.RETURNED


def test_how_the_crew_reviews_tells_who_may_say_what(lead: Membership) -> None:
    page = signed_in(lead).get(at("review-options", lead)).content.decode()
    table = page[page.index('id="sayings-heading"') :]
    for words in ("Remark", "open or returned", "any member", "stands in the way of bulk approval alone"):
        assert words in table
