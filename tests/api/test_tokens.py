"""Tokens: hashed, expiring, counted; guesses are counted too."""

from __future__ import annotations

import datetime as dt

import pytest
from axes.models import AccessAttempt
from django.conf import settings
from django.utils import timezone
from knox.models import AuthToken
from knox.settings import knox_settings

from crewprep.api.auth import GuessThrottle
from crewprep.crews.models import User
from tests import factories
from tests.api.contract import Caller
from tests.factories.people import PASSWORD

pytestmark = pytest.mark.django_db
URL = "/api/v1/tokens/"


@pytest.fixture
def user() -> User:
    return factories.crew_with().user


def test_a_token_is_shown_once_and_stored_hashed(user: User) -> None:
    answer = Caller().post(URL, {"username": user.username, "password": PASSWORD})
    assert answer.status_code == 201
    token = answer.json()["token"]
    assert token.startswith("crewprep_")
    row = AuthToken.objects.get(user=user)
    assert token not in (row.digest, row.token_key)
    assert len(row.token_key) < len(token) / 2
    assert Caller(token).get("/api/v1/crews/").status_code == 200


def test_a_token_expires(user: User) -> None:
    token = Caller().post(URL, {"username": user.username, "password": PASSWORD}).json()["token"]
    row = AuthToken.objects.get(user=user)
    assert row.expiry is not None
    assert dt.timedelta(days=29) < row.expiry - timezone.now() < dt.timedelta(days=31)
    AuthToken.objects.update(expiry=timezone.now() - dt.timedelta(seconds=1))
    assert Caller(token).get("/api/v1/crews/").json()["code"] == "token:unknown"


def test_deleting_the_token_of_the_request(user: User) -> None:
    token, other = (
        Caller().post(URL, {"username": user.username, "password": PASSWORD}).json()["token"] for _ in range(2)
    )
    assert Caller(token).call("DELETE", f"{URL}current/").status_code == 204
    assert Caller(token).get("/api/v1/crews/").status_code == 401
    assert Caller(other).get("/api/v1/crews/").status_code == 200


def test_a_session_has_no_token_to_delete(user: User) -> None:
    caller = Caller()
    caller.client.force_login(user)
    assert caller.call("DELETE", f"{URL}current/").json()["code"] == "token:none"


def test_wrong_names_and_wrong_passwords_answer_alike(user: User) -> None:
    unknown = Caller().post(URL, {"username": "nobody at all", "password": PASSWORD})
    wrong = Caller().post(URL, {"username": user.username, "password": "wrong"})
    User.objects.filter(pk=user.pk).update(is_active=False)
    inactive = Caller().post(URL, {"username": user.username, "password": PASSWORD})
    assert unknown.status_code == 401
    assert unknown.json() == wrong.json() == inactive.json()


def test_guesses_are_counted_and_then_refused_even_when_right(user: User) -> None:
    answers = [
        Caller().post(URL, {"username": user.username, "password": f"guess {number}"})
        for number in range(settings.AXES_FAILURE_LIMIT + 2)
    ]
    assert [answer.status_code for answer in answers[: settings.AXES_FAILURE_LIMIT - 1]] == [401] * 9
    assert answers[-1].json()["code"] == "sign-in:locked"
    right = Caller().post(URL, {"username": user.username, "password": PASSWORD})
    assert (right.status_code, right.json()["code"]) == (429, "sign-in:locked")
    assert not AuthToken.objects.exists()
    somebody_else = factories.user()
    assert Caller().post(URL, {"username": somebody_else.username, "password": PASSWORD}).status_code == 201


def test_a_right_password_forgets_the_wrong_ones(user: User) -> None:
    Caller().post(URL, {"username": user.username, "password": "wrong"})
    assert AccessAttempt.objects.count() == 1
    Caller().post(URL, {"username": user.username, "password": PASSWORD})
    assert AccessAttempt.objects.count() == 0


def test_one_address_is_braked(user: User, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(GuessThrottle, "rate", "3/min")
    answers = [Caller().post(URL, {"username": f"name {number}", "password": "x"}).status_code for number in range(4)]
    assert answers == [401, 401, 401, 429]
    braked = Caller().post(URL, {"username": user.username, "password": PASSWORD})
    assert braked.json()["code"] == "throttled"
    assert int(braked.headers["Retry-After"]) > 0


def test_only_so_many_tokens(user: User) -> None:
    limit: int = knox_settings.TOKEN_LIMIT_PER_USER
    for _ in range(limit):
        AuthToken.objects.create(user=user)
    answer = Caller().post(URL, {"username": user.username, "password": PASSWORD})
    assert (answer.status_code, answer.json()["code"]) == (409, "token:too-many")


def test_a_member_who_is_removed_or_switched_off_is_out_at_once(user: User) -> None:
    token = AuthToken.objects.create(user=user)[1]
    (membership,) = user.memberships.all()
    base = f"/api/v1/crews/{membership.crew.slug}/"
    assert Caller(token).get(base).status_code == 200
    membership.delete()
    assert Caller(token).get(base).status_code == 404
    User.objects.filter(pk=user.pk).update(is_active=False)
    assert Caller(token).get("/api/v1/crews/").status_code == 401
