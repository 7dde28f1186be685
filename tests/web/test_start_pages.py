"""The first hour: its page, one line on the crew's home, put away and brought back, and where a new member lands."""

from __future__ import annotations

import pytest
from django.test import Client

from crewprep.crews.invitations import invite
from crewprep.crews.models import Membership, Role
from crewprep.models import Crate
from crewprep.onboarding.start import start_of
from crewprep.review.services import approve_proposal
from tests import factories
from tests.web.test_pages import at, signed_in

pytestmark = pytest.mark.django_db


def home_of(member: Membership) -> str:
    return str(signed_in(member).get(at("crew-home", member)).content.decode())


def start_page(member: Membership) -> str:
    return str(signed_in(member).get(at("start", member)).content.decode())


@pytest.mark.parametrize("role", list(Role))
def test_every_role_has_its_steps(role: Role) -> None:
    lead = factories.crew_with()
    member = lead if role == Role.LEAD else factories.member_of(lead.crew, role)
    page = start_page(member)
    for step in start_of(member).steps:
        assert step.title in page
        assert step.sentence in page
    assert page.count('aria-current="step"') == 1


def test_the_home_shows_the_next_step_until_it_is_put_away(
    lead: Membership, newcomer: Membership, crate: Crate
) -> None:
    assert "Read what each slot is for" in home_of(newcomer)
    client = signed_in(newcomer)
    answer = client.post(at("start", newcomer), {"do": "away"})
    assert answer.headers["Location"] == at("crew-home", newcomer)
    page = home_of(newcomer)
    assert "Read what each slot is for" not in page
    assert at("start", newcomer) in signed_in(newcomer).get(at("crew-members", newcomer)).content.decode()
    client.post(at("start", newcomer), {"do": "back"})
    assert "Read what each slot is for" in home_of(newcomer)


def test_a_told_step_is_done_by_a_button_and_stays_done(newcomer: Membership, crate: Crate) -> None:
    client = signed_in(newcomer)
    page = client.post(at("start", newcomer), {"do": "take", "step": "slots"}, follow=True).content.decode()
    assert "1 of 6 done" in page
    assert "Know the usual slips" in home_of(newcomer), "nothing can be heard yet, so that comes later"
    said = client.post(at("start", newcomer), {"do": "take", "step": "sign-off"}, follow=True).content.decode()
    assert "This step shows by itself" in said
    assert "1 of 6 done" in said


def test_the_page_says_that_it_takes_two(lead: Membership) -> None:
    assert "It takes two of you" in start_page(lead)


def test_a_line_with_nothing_left_is_not_shown(lead: Membership, crate: Crate) -> None:
    resident = factories.member_of(lead.crew)
    assert "First steps" in home_of(resident)
    proposal = factories.proposal(resident, into=crate)
    another = factories.proposal(lead, into=crate)
    approve_proposal(member=lead, proposal=proposal, seen_revision=1)
    approve_proposal(member=resident, proposal=another, seen_revision=1)
    assert "All steps," not in home_of(resident)
    assert "All of it is done" in start_page(resident)


def test_a_new_member_lands_on_the_first_steps() -> None:
    lead = factories.crew_with()
    _, token = invite(member=lead, role=Role.NEWCOMER)
    client = Client()
    client.force_login(factories.user())
    answer = client.post(f"/join/{token}/", follow=True)
    assert answer.redirect_chain[-1][0] == at("start", lead)
    page = answer.content.decode()
    assert "Welcome: you are a newcomer" in page
    assert "Your leads publish the convention first" in page
