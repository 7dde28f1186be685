"""One's own account over the API."""

from __future__ import annotations

import pytest
from django.conf import settings

from crewprep.crews.models import User
from crewprep.crews.tokens import make_token
from tests import factories
from tests.api.conftest import Crewed, caller
from tests.api.contract import Caller
from tests.factories.people import PASSWORD

pytestmark = pytest.mark.django_db
URL = "/api/v1/account/"


def test_names_are_seen_and_changed() -> None:
    user = factories.user()
    mine = caller(user)
    changed = mine.put(URL, {"display_name": "Wim Saltmarsh", "email": "wim@example.org"})
    assert changed.json() == {
        "username": user.username, "display_name": "Wim Saltmarsh", "email": "wim@example.org",
        "email_confirmed": False, "mails_go_to": "",
    }  # fmt: skip
    assert mine.get(URL).json() == changed.json()
    assert mine.put(URL, {"display_name": "", "email": "no address"}).status_code == 422
    assert mine.get(URL).json() == changed.json()


def test_everything_tied_to_oneself(crewed: Crewed) -> None:
    factories.proposal(crewed.author, into=crewed.crate)
    export = caller(crewed.author.user).get(f"{URL}export/").json()
    assert export["account"]["username"] == crewed.author.user.username
    assert len(export["sections"]["Proposal"]) == 1


def test_closing_asks_for_the_password_and_counts_guesses(crewed: Crewed) -> None:
    mine = caller(crewed.author.user)
    wrong = mine.post(f"{URL}close/", {"password": "not it"})
    assert (wrong.status_code, wrong.json()["code"]) == (422, "account:password-wrong")
    stuck = caller(crewed.lead.user).post(f"{URL}close/", {"password": PASSWORD})
    assert (stuck.status_code, stuck.json()["code"]) == (409, "crew:last-lead")
    assert mine.post(f"{URL}close/", {"password": PASSWORD}).status_code == 204
    assert mine.get(URL).status_code == 401
    assert str(User.objects.get(pk=crewed.author.user_id)) == "former member 1"

    guesser = caller(crewed.reviewer.user)
    answers = [guesser.post(f"{URL}close/", {"password": "guess"}) for _ in range(settings.AXES_FAILURE_LIMIT + 1)]
    assert answers[-1].json()["code"] == "sign-in:locked"
    assert guesser.post(f"{URL}close/", {"password": PASSWORD}).status_code == 429


def test_a_token_of_one_crew_has_no_say(crewed: Crewed) -> None:
    text = make_token(user=crewed.author.user, crew_slug=crewed.author.crew.slug)[1]
    scoped = Caller(text)
    for method, path in (("GET", ""), ("PUT", ""), ("GET", "export/"), ("POST", "close/"), ("POST", "address-link/")):
        answer = scoped.call(method, f"{URL}{path}", {"password": PASSWORD} if method == "POST" else None)
        assert (answer.status_code, answer.json()["code"]) == (403, "token:one-crew")
