"""How far a token reaches: one crew or all, to read or to write; its owner sees and withdraws it."""

from __future__ import annotations

import datetime as dt
from typing import Any

import pytest
from django.test import Client
from django.utils import timezone
from knox.models import AuthToken

from crewprep.crews.models import Membership, TokenScope
from crewprep.crews.tokens import make_token
from tests import factories
from tests.api.contract import Caller
from tests.architecture.routes import Route, crew_routes, routes
from tests.architecture.test_policies import TAKING_PART
from tests.architecture.world import CrewWorld, absent, make_crew
from tests.factories.people import PASSWORD

pytestmark = pytest.mark.django_db
URL = "/api/v1/tokens/"


def asked(user: Any, **what: Any) -> Any:
    return Caller().post(URL, {"username": user.username, "password": PASSWORD, **what})


@pytest.fixture
def both() -> tuple[CrewWorld, CrewWorld]:
    """Two crews that one person leads."""
    first, second = make_crew("amber"), make_crew("cobalt")
    factories.member_of(second.crew, "lead", person=first.lead.user)
    return first, second


def api_routes() -> list[Route]:
    return [route for route in crew_routes() if route.pattern.startswith("api/")]


def test_a_token_is_made_for_what_was_asked() -> None:
    lead = factories.crew_with()
    answer = asked(lead.user, name="crate list", crew=lead.crew.slug, may_write=False, days=3)
    assert answer.status_code == 201
    scope = TokenScope.objects.get()
    assert (scope.name, scope.crew, scope.read_only) == ("crate list", lead.crew, True)
    assert scope.token.expiry is not None
    assert dt.timedelta(days=2.9) < scope.token.expiry - timezone.now() < dt.timedelta(days=3)
    plain = asked(lead.user)
    assert plain.status_code == 201
    assert TokenScope.objects.filter(crew=None, read_only=False, name="").count() == 1


def test_what_cannot_be_asked_for_makes_no_token() -> None:
    lead, stranger = factories.crew_with(), factories.crew_with()
    other = asked(lead.user, crew=stranger.crew.slug)
    none = asked(lead.user, crew="no-such-crew")
    assert (other.status_code, other.json()) == (none.status_code, none.json()) == (404, none.json())
    for days in (0, 366, "many"):
        assert asked(lead.user, days=days).status_code == 422
    assert not AuthToken.objects.exists()


def test_a_token_of_one_crew_finds_the_other_absent(both: tuple[CrewWorld, CrewWorld]) -> None:
    """Every route and method of the API: byte for byte what a crew that does not exist answers."""
    first, second = both
    _, text = make_token(user=first.lead.user, crew_slug=first.crew.slug)
    one, all_of_mine = Client(), make_token(user=first.lead.user)[1]

    def answer(route: Route, method: str, values: dict[str, Any], token: str) -> tuple[int, bytes]:
        headers = {"Authorization": f"Token {token}", "If-Match": '"1"'}
        response = one.generic(method, route.path(values), b"{}", content_type="application/json", headers=headers)
        body = response.getvalue()
        for name in route.arguments:
            body = body.replace(str(values[name]).encode(), name.encode())
        return response.status_code, body

    opened = 0
    for route in api_routes():
        for method in ("GET", "POST", "PUT", "DELETE"):
            there = answer(route, method, second.values(), text)
            assert there == answer(route, method, absent(second.values()), text), f"{method} {route.pattern}"
            assert there[0] in {404, 405}
        opened += answer(route, "GET", first.values(), text)[0] == 200
        # The control: without its scope a token of the same person opens the other crew too.
        opens = {404} if route.pattern in TAKING_PART else {200, 405}
        assert answer(route, "GET", second.values(), all_of_mine)[0] in opens, route.pattern
    assert opened >= 20


def test_a_token_of_one_crew_lists_that_crew_alone(both: tuple[CrewWorld, CrewWorld]) -> None:
    first, second = both
    user = first.lead.user
    _, text = make_token(user=user, crew_slug=second.crew.slug)
    assert [crew["slug"] for crew in Caller(text).get("/api/v1/crews/").json()] == [second.crew.slug]
    _, text = make_token(user=user)
    assert len(Caller(text).get("/api/v1/crews/").json()) == 2


def test_a_token_that_may_only_read_changes_nothing(both: tuple[CrewWorld, CrewWorld]) -> None:
    first, _ = both
    _, text = make_token(user=first.lead.user, read_only=True)
    caller = Caller(text)
    refused = 0
    for route in routes():
        if not route.pattern.startswith("api/v1/") or route.policy == "public":
            continue
        for method in ("POST", "PUT", "DELETE"):
            if route.pattern == "api/v1/tokens/current/":
                continue
            answer = caller.call(method, route.path(first.values()), {})
            assert answer.status_code in {403, 405}, f"{method} {route.pattern}"
            if answer.status_code == 403:
                assert answer.json()["code"] == "token:read-only"
                refused += 1
    assert refused >= 12
    assert caller.get(f"/api/v1/crews/{first.crew.slug}/tracks/").status_code == 200
    # It can make itself worthless all the same.
    assert caller.call("DELETE", f"{URL}current/").status_code == 204
    assert caller.get("/api/v1/crews/").status_code == 401


def test_its_owner_sees_tokens_again_and_withdraws_them() -> None:
    lead = factories.crew_with()
    scope, text = make_token(user=lead.user, name="crate list", crew_slug=lead.crew.slug, read_only=True)
    _, mine = make_token(user=lead.user, name="mine")
    _, theirs = make_token(user=factories.crew_with().user)
    old = AuthToken.objects.create(user=lead.user)[1]  # from before tokens had names
    AuthToken.objects.create(user=lead.user, expiry=dt.timedelta(seconds=-1))
    lines = Caller(mine).get(f"{URL}own/").json()
    assert [line["name"] for line in lines] == ["", "mine", "crate list"]
    assert (lines[2]["crew"], lines[2]["may_write"], lines[2]["last_used_at"]) == (lead.crew.slug, False, None)
    assert lines[1]["last_used_at"] is not None
    assert all(secret not in str(lines) for secret in (text, mine, old))

    assert Caller(theirs).call("DELETE", f"{URL}own/{scope.pk}/").status_code == 404
    assert Caller(text).get("/api/v1/crews/").status_code == 200
    assert Caller(mine).call("DELETE", f"{URL}own/{scope.pk}/").status_code == 204
    assert Caller(text).get("/api/v1/crews/").status_code == 401
    assert Caller(mine).call("DELETE", f"{URL}own/{scope.pk}/").status_code == 404


def test_a_token_of_one_crew_has_no_say_about_the_account() -> None:
    lead = factories.crew_with()
    scope, text = make_token(user=lead.user, crew_slug=lead.crew.slug)
    for method, path in (("GET", f"{URL}own/"), ("DELETE", f"{URL}own/{scope.pk}/"), ("POST", "/api/v1/join/")):
        answer = Caller(text).call(method, path, {"token": "x"} if method == "POST" else None)
        assert (answer.status_code, answer.json()["code"]) == (403, "token:one-crew")


def test_use_is_noted_once_a_minute() -> None:
    member: Membership = factories.crew_with()
    scope, text = make_token(user=member.user)
    Caller(text).get("/api/v1/crews/")
    scope.refresh_from_db()
    first = scope.last_used_at
    assert first is not None
    Caller(text).get("/api/v1/crews/")
    scope.refresh_from_db()
    assert scope.last_used_at == first
    TokenScope.objects.update(last_used_at=first - dt.timedelta(minutes=2))
    Caller(text).get("/api/v1/crews/")
    scope.refresh_from_db()
    assert scope.last_used_at is not None
    assert scope.last_used_at > first - dt.timedelta(minutes=1)
