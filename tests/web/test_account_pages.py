"""One's own account in a browser without scripts."""

from __future__ import annotations

import json
import re

import pytest
from django.conf import settings
from django.test import Client
from django.urls import reverse

from crewprep.crews.models import Membership, TokenScope, User
from crewprep.crews.tokens import make_token
from tests import factories
from tests.api.contract import Caller
from tests.factories.people import PASSWORD
from tests.web.test_crew_pages import said
from tests.web.test_pages import at, signed_in

pytestmark = pytest.mark.django_db


def test_names_and_address_are_changed(resident: Membership) -> None:
    client = signed_in(resident)
    wrong = client.post(reverse("account"), {"display_name": "Wim Saltmarsh", "email": "no address"})
    assert wrong.status_code == 422
    assert "Write an address such as" in wrong.content.decode()
    assert "Wim Saltmarsh" in wrong.content.decode()
    client.post(reverse("account"), {"display_name": "Wim Saltmarsh", "email": "wim@example.org"})
    page = client.get(reverse("account")).content.decode()
    for words in ("Your account is changed.", "Wim Saltmarsh", "wim@example.org", resident.user.username):
        assert words in page
    assert "wim@example.org" not in client.get(at("crew-members", resident)).content.decode()


def test_a_changed_password_ends_other_sessions(resident: Membership) -> None:
    here, there = signed_in(resident), signed_in(resident)
    url = reverse("account-password")
    new = "another long phrase"
    for wrong, sentence in (
        ({"old_password": "not it"}, "That is not your password"),
        ({"new_password2": "different"}, "differ"),
        ({"new_password1": "short", "new_password2": "short"}, "too short"),
    ):
        given = {"old_password": PASSWORD, "new_password1": new, "new_password2": new, **wrong}
        assert sentence in here.post(url, given).content.decode()
    page = here.get(url).content.decode()
    for name in ("username", "current-password", "new-password"):
        assert f'autocomplete="{name}"' in page
    assert here.post(url, {"old_password": PASSWORD, "new_password1": new, "new_password2": new}).status_code == 302
    assert here.get(at("crew-home", resident)).status_code == 200
    assert there.get(at("crew-home", resident)).status_code == 302
    assert User.objects.get(pk=resident.user_id).check_password(new)


def test_other_sessions_end_at_once_and_this_one_stays(resident: Membership) -> None:
    here, there = signed_in(resident), signed_in(resident)
    somebody = signed_in(factories.member_of(resident.crew))
    assert here.post(reverse("account-sessions")).status_code == 302
    assert here.get(reverse("account")).status_code == 200
    assert there.get(reverse("account")).status_code == 302
    assert somebody.get(reverse("account")).status_code == 200
    # Again, since each round ends the one before.
    there = signed_in(resident)
    here.post(reverse("account-sessions"))
    assert (here.get(reverse("account")).status_code, there.get(reverse("account")).status_code) == (200, 302)


def test_a_token_is_shown_once_listed_and_withdrawn(resident: Membership) -> None:
    client, url = signed_in(resident), reverse("account-tokens")
    made = client.post(
        url, {"name": "crate list", "crew": resident.crew.slug, "access": "read", "days": "7"}
    ).content.decode()
    (text,) = re.findall(r'value="(crewprep_[^"]+)"', made)
    assert Caller(text).get(f"/api/v1/crews/{resident.crew.slug}/").status_code == 200
    page = client.get(url).content.decode()
    assert text not in page
    for words in ("crate list", resident.crew.name, "to read"):
        assert words in page
    scope = TokenScope.objects.get()
    other = signed_in(factories.crew_with())
    withdraw = reverse("account-token-withdraw", args=[scope.pk])
    assert other.post(withdraw).status_code == 404
    assert client.post(withdraw).status_code == 302
    assert Caller(text).get("/api/v1/crews/").status_code == 401


def test_a_token_for_a_crew_that_is_not_ones_own_is_not_made(resident: Membership) -> None:
    stranger = factories.crew_with()
    client = signed_in(resident)
    given = {"name": "crate list", "access": "read", "days": "7"}
    for slug in (stranger.crew.slug, "no-such-crew"):
        answer = client.post(reverse("account-tokens"), {**given, "crew": slug})
        assert answer.status_code == 422
        assert "Choose one of your crews" in answer.content.decode()
        assert "crate list" in answer.content.decode()
    assert stranger.crew.name not in answer.content.decode()
    for _ in range(20):
        make_token(user=resident.user)
    full = client.post(reverse("account-tokens"), {**given, "crew": ""})
    assert full.status_code == 409
    assert "20 tokens already" in full.content.decode()


def test_ones_data_comes_as_a_file(resident: Membership) -> None:
    answer = signed_in(resident).get(reverse("account-export"))
    assert answer.headers["Content-Disposition"] == 'attachment; filename="crewprep-account.json"'
    assert json.loads(answer.content)["account"]["username"] == resident.user.username


def test_closing_asks_for_the_password(lead: Membership, resident: Membership) -> None:
    client, url = signed_in(resident), reverse("account-close")
    assert 'autocomplete="current-password"' in client.get(url).content.decode()
    for given, sentence in (({}, "Type your password"), ({"password": "not it"}, "That is not your password")):
        answer = client.post(url, given)
        assert answer.status_code == 422
        assert sentence in answer.content.decode()
    assert User.objects.get(pk=resident.user_id).is_active
    done = client.post(url, {"password": PASSWORD}, follow=True)
    assert "Your account is closed." in done.content.decode()
    assert client.get(reverse("account")).status_code == 302
    refused = Client().post(reverse("sign-in"), {"username": resident.user.username, "password": PASSWORD})
    assert "do not belong together" in refused.content.decode()
    assert "former member" not in signed_in(lead).get(at("crew-members", lead)).content.decode()


def test_the_last_lead_reads_what_to_do_first(lead: Membership, resident: Membership) -> None:
    client = signed_in(lead)
    assert "Hand the lead over" in client.get(reverse("account-close")).content.decode()
    assert client.post(reverse("account-close"), {"password": PASSWORD}).status_code == 409
    assert User.objects.get(pk=lead.user_id).is_active


def test_guesses_at_the_password_are_counted(resident: Membership) -> None:
    client = signed_in(resident)
    answers = [
        client.post(reverse("account-close"), {"password": f"guess {number}"})
        for number in range(settings.AXES_FAILURE_LIMIT + 1)
    ]
    assert answers[-1].status_code == 429
    assert client.post(reverse("account-close"), {"password": PASSWORD}).status_code == 429
    assert User.objects.get(pk=resident.user_id).is_active


def test_ones_name_leads_to_the_account(resident: Membership) -> None:
    page = signed_in(resident).get(at("crew-home", resident)).content.decode()
    assert f'<a href="{reverse("account")}">{resident.user}</a>' in page
    assert said(signed_in(resident).post(reverse("account-sessions"))) == ["In every other browser you are signed out."]
