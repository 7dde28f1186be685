"""The crew's page and joining by link, as a browser without scripts meets them."""

from __future__ import annotations

import re
from typing import Any

import pytest
from django.contrib.messages import get_messages
from django.test import Client
from django.urls import reverse
from django.utils.html import escape

from crewprep.accounts.permissions import permission_table
from crewprep.common.access import Denied
from crewprep.crews.invitations import invite, join, withdraw_invitation
from crewprep.crews.models import Invitation, Membership, Role, User
from crewprep.web.recent import recent
from tests import factories
from tests.factories.people import PASSWORD
from tests.web.test_pages import at, signed_in

pytestmark = pytest.mark.django_db


def link_on(page: Any) -> str:
    found = re.search(r'value="(http://testserver/join/[^"]+)"', page.content.decode())
    assert found, "no link on the page"
    return found[1].removeprefix("http://testserver")


def said(response: Any) -> list[str]:
    return [str(message) for message in get_messages(response.wsgi_request)]


def test_members_and_what_roles_may_do(lead: Membership, resident: Membership, newcomer: Membership) -> None:
    for member in (lead, resident, newcomer):
        page = signed_in(member).get(at("crew-members", member)).content.decode()
        for person in (lead, resident, newcomer):
            assert str(person.user) in page
        for row in permission_table(lead.crew):
            assert escape(row.permission.words) in page
            for answer in row.answers:
                assert not isinstance(answer, Denied) or escape(answer.sentence) in page
        assert ("Make a link" in page) == (member is lead)


def test_a_link_is_shown_once_and_withdrawn(lead: Membership, resident: Membership) -> None:
    client = signed_in(lead)
    made = client.post(at("crew-members", lead), {"role": "resident", "note": "Wim"})
    link = link_on(made)
    assert Client().get(link).status_code == 200
    page = client.get(at("crew-members", lead)).content.decode()
    assert "Wim" in page
    assert link not in page
    invitation = Invitation.objects.get()
    withdraw = at("invitation-withdraw", lead, invitation.pk)
    assert signed_in(resident).post(withdraw).status_code == 403
    assert client.post(withdraw).status_code == 302
    assert Client().get(link).status_code == 404
    assert "Wim" not in client.get(at("crew-members", lead)).content.decode()
    assert said(client.post(withdraw))[-1].startswith("This invitation has been used or withdrawn")


def test_a_wrong_form_makes_no_invitation_and_keeps_what_was_typed(lead: Membership, resident: Membership) -> None:
    answer = signed_in(lead).post(at("crew-members", lead), {"role": "king", "note": "Wim"})
    assert answer.status_code == 422
    assert "Choose one of the three roles." in answer.content.decode()
    assert 'value="Wim"' in answer.content.decode()
    assert signed_in(resident).post(at("crew-members", lead), {"role": "lead"}).status_code == 403
    assert not Invitation.objects.exists()


def test_a_stranger_makes_an_account_and_is_in(lead: Membership) -> None:
    _, token = invite(member=lead, role=Role.RESIDENT)
    url, client = reverse("join", args=[token]), Client()
    page = client.get(url).content.decode()
    for words in (
        lead.crew.name,
        str(lead.user),
        "as a resident",
        'autocomplete="username"',
        'autocomplete="new-password"',
    ):
        assert words in page
    given = {"username": "wim", "display_name": "Wim Saltmarsh", "password": PASSWORD, "password_again": PASSWORD}
    for wrong, sentence in (
        ({"password": "short", "password_again": "short"}, "too short"),
        ({"password": "Wim Saltmarsh!", "password_again": "Wim Saltmarsh!"}, "too similar"),
        ({"password_again": "another phrase"}, "differ"),
        ({"username": "not a name"}, "letters, digits"),
        ({"username": lead.user.username}, "signs in by this name"),
        ({"username": ""}, "Choose a name"),
    ):
        answer = client.post(url, {**given, **wrong})
        assert answer.status_code in {409, 422}, wrong
        assert sentence in answer.content.decode(), wrong
        assert "Wim Saltmarsh" in answer.content.decode()
        assert PASSWORD not in answer.content.decode()
    assert User.objects.count() == 1

    answer = client.post(url, given)
    assert (answer.status_code, answer.headers["Location"]) == (302, at("start", lead))
    assert "Welcome: you are a resident" in client.get(at("start", lead)).content.decode()
    member = Membership.objects.get(user__username="wim")
    assert next(happening.what for happening in recent(member)) == "joined as resident by invitation"
    assert Client().post(reverse("sign-in"), {"username": "wim", "password": PASSWORD}).status_code == 302


def test_whoever_has_signed_in_joins_by_a_button(lead: Membership) -> None:
    stranger = factories.crew_with()
    _, token = invite(member=lead, role=Role.NEWCOMER)
    url, client = reverse("join", args=[token]), signed_in(stranger)
    page = client.get(url).content.decode()
    assert "Join the crew" in page
    assert "password" not in page
    assert Membership.objects.filter(user=stranger.user).count() == 1, "looking joins nobody"
    assert client.post(url).status_code == 302
    assert client.get(at("crew-home", lead)).status_code == 200
    assert client.get(url).status_code == 404


def test_signing_in_on_the_way_comes_back_to_the_link(lead: Membership) -> None:
    user = factories.user()
    _, token = invite(member=lead, role=Role.NEWCOMER)
    url, client = reverse("join", args=[token]), Client()
    (way,) = re.findall(r'href="(/sign-in/[^"]+)"', client.get(url).content.decode())
    page = client.get(way)
    answer = client.post(way, {"username": user.username, "password": PASSWORD, "next": page.context["next"]})
    assert answer.headers["Location"] == url


def test_a_member_who_opens_a_link_leaves_it_unused(lead: Membership, resident: Membership) -> None:
    _, token = invite(member=lead, role=Role.NEWCOMER)
    url = reverse("join", args=[token])
    for answer in (signed_in(resident).get(url), signed_in(resident).post(url)):
        assert "You are in this crew already" in answer.content.decode()
    assert join(token=token, user=factories.user()).role == Role.NEWCOMER


def test_links_that_do_not_work_look_alike_to_everybody(lead: Membership) -> None:
    (_, used_token), (withdrawn, withdrawn_token) = (invite(member=lead, role=Role.RESIDENT) for _ in range(2))
    join(token=used_token, user=factories.user())
    withdraw_invitation(member=lead, invitation=withdrawn)
    seen = {
        client.generic(method, reverse("join", args=[token])).content
        for token in (used_token, withdrawn_token, "never-there")
        for client in (Client(), signed_in(lead), signed_in(factories.crew_with()))
        for method in ("GET", "POST")
    }
    assert len(seen) == 1
    (page,) = seen
    assert "a link works once, for seven days" in page.decode()
    assert lead.crew.name not in page.decode()


def test_a_lead_changes_a_role_hands_over_and_removes(
    lead: Membership, resident: Membership, newcomer: Membership
) -> None:
    client = signed_in(lead)
    page = at("crew-member", lead, newcomer.pk)
    client.post(page, {"do": "role", "role": "resident", "seen_role": "newcomer"})
    newcomer.refresh_from_db()
    assert newcomer.role == Role.RESIDENT
    late = client.post(page, {"do": "role", "role": "lead", "seen_role": "newcomer"})
    assert said(late)[-1].startswith("The membership changed while you looked at it")
    for member in (resident, newcomer):
        assert signed_in(member).post(page, {"do": "remove"}).status_code == (403 if member is resident else 302)
    assert not Membership.objects.filter(pk=newcomer.pk).exists(), "one's own membership may be ended there too"
    client.post(at("crew-member", lead, resident.pk), {"do": "hand-over", "stay_as": "resident"})
    resident.refresh_from_db()
    assert resident.role == Role.LEAD
    assert client.post(at("crew-member", lead, resident.pk), {"do": "remove"}).status_code == 403
    nonsense = signed_in(resident).post(at("crew-member", lead, lead.pk), {"do": "dance"})
    assert "choose what to do" in said(nonsense)[-1]


def test_forms_are_for_leads(lead: Membership, resident: Membership) -> None:
    theirs = at("crew-member", lead, lead.pk)
    assert "Change the role" not in signed_in(resident).get(theirs).content.decode()
    own = signed_in(lead).get(theirs).content.decode()
    assert "Change the role" in own
    assert "Remove from the crew" not in own


def test_leaving(lead: Membership, resident: Membership) -> None:
    page = signed_in(lead).get(at("crew-leave", lead)).content.decode()
    assert "Hand the lead over" in page
    assert '<form method="post">' not in page
    stuck = signed_in(lead).post(at("crew-leave", lead))
    assert "without a lead" in said(stuck)[-1]
    client = signed_in(resident)
    assert "Leave the crew" in client.get(at("crew-leave", lead)).content.decode()
    assert client.post(at("crew-leave", lead)).headers["Location"] == reverse("home")
    assert client.get(at("crew-home", lead)).status_code == 404
    assert next(happening.what for happening in recent(lead)) == "left the crew"


def test_the_record_names_people_as_they_are_called_now(lead: Membership, resident: Membership) -> None:
    User.objects.filter(pk=resident.user_id).update(display_name="Quite Another")
    assert "added Quite Another as resident" in [happening.what for happening in recent(lead)]
