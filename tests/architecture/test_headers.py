"""Every answer carries the headers that keep a browser safe (goal A4), errors included.

Sources: W3C Content Security Policy Level 3; OWASP Secure Headers Project; RFC 6797 (HSTS); RFC 9111 (no-store).
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import pytest
from django.http import HttpResponseBase
from django.test import Client, override_settings

from crewprep.common import headers
from crewprep.common.policy import Policy
from tests import factories
from tests.architecture.routes import routes
from tests.architecture.world import CrewWorld, absent

KEPT = {"calendar/<str:token>.ics"}
"""What the program that reads it may keep, to ask whether it has changed."""


def missing(response: HttpResponseBase, *, private: bool = True) -> list[str]:
    """What a response lacks."""
    found = response.headers
    parts = [part.split() for part in found.get("Content-Security-Policy", "").split(";") if part.strip()]
    policy = {name: values for name, *values in parts}
    lacks = []
    if "default-src" not in policy or any("unsafe" in value for values in policy.values() for value in values):
        lacks.append("a content security policy without unsafe sources")
    for directive in ("frame-ancestors", "object-src", "base-uri"):
        fallback = policy.get("default-src") if directive == "object-src" else None  # a fetch directive falls back
        if policy.get(directive, fallback) != ["'none'"]:
            lacks.append(f"{directive} 'none'")
    if any(value.startswith(("http", "*")) for values in policy.values() for value in values):
        lacks.append("a policy of our own files alone")
    for name, value in (
        ("X-Content-Type-Options", "nosniff"), ("X-Frame-Options", "DENY"), ("Referrer-Policy", "same-origin"),
    ):  # fmt: skip
        if found.get(name) != value:
            lacks.append(f"{name}: {value}")
    if private and "no-store" not in found.get("Cache-Control", ""):
        lacks.append("Cache-Control: no-store")
    return lacks


def test_every_route_answers_with_all_headers(ours: CrewWorld, client: Client) -> None:
    client.force_login(ours.lead.user)
    seen = set()
    for route in routes():
        if route.policy == Policy.STAFF:
            continue
        for values in (ours.values(), absent(ours.values())):
            for method in ("GET", "POST", "DELETE"):
                response = client.generic(method, route.path(values))
                private = route.pattern not in KEPT
                assert missing(response, private=private) == [], f"{method} {route.pattern} {response.status_code}"
                seen.add(response.status_code)
                response.getvalue()  # streamed files are closed at their end
                if route.pattern == "sign-out/":
                    client.force_login(ours.lead.user)
    assert seen >= {200, 302, 404, 405, 422, 428}


def test_the_administration_answers_with_all_headers(client: Client, db: None) -> None:
    boss = factories.user()
    boss.is_staff = boss.is_superuser = True
    boss.save()
    client.force_login(boss)
    for path in ("/admin/", "/admin/crewprep/track/", "/admin/crewprep/user/add/", "/admin/nowhere/"):
        assert missing(client.get(path)) == [], path


def broken(*args: Any, **kwargs: Any) -> None:
    raise ZeroDivisionError


def test_errors_before_and_beside_a_view(client: Client, ours: CrewWorld, monkeypatch: pytest.MonkeyPatch) -> None:
    client.raise_request_exception = False
    answers = {
        "host": client.get("/", headers={"Host": "elsewhere.invalid"}),
        "nowhere": client.get("/nowhere/"),
        "csrf": Client(enforce_csrf_checks=True).post("/sign-in/", {"username": "x"}),
        "not signed in": Client().get(f"/api/v1/crews/{ours.crew.slug}/"),
    }
    client.force_login(ours.lead.user)
    monkeypatch.setattr("crewprep.web.home.crates_with_sheets", broken)
    answers["bug on a page"] = client.get(f"/c/{ours.crew.slug}/")
    monkeypatch.setattr("crewprep.api.v1.crates.crates_with_sheets", broken)
    answers["bug in the API"] = client.get(f"/api/v1/crews/{ours.crew.slug}/crates/")
    assert [answer.status_code for answer in answers.values()] == [400, 404, 403, 401, 500, 500]
    for what, answer in answers.items():
        assert missing(answer) == [], what


def test_files_and_sound_answer_with_all_headers(client: Client, ours: CrewWorld) -> None:
    client.force_login(ours.lead.user)
    audio = f"/c/{ours.crew.slug}/tracks/{ours.track.pk}/audio/"
    for status, asked in ((200, {}), (206, {"Range": "bytes=0-3"}), (416, {"Range": "bytes=9999-"})):
        answer = client.get(audio, headers=asked)
        assert answer.status_code == status
        assert missing(answer) == []
        answer.getvalue()
    static = client.get("/static/drf_spectacular_sidecar/swagger-ui-dist/swagger-ui.css")
    assert static.getvalue()
    assert static.status_code == 200
    assert static.headers["X-Content-Type-Options"] == "nosniff"


@override_settings(SECURE_HSTS_SECONDS=31_536_000, SECURE_SSL_REDIRECT=True, SESSION_COOKIE_SECURE=True)
def test_with_https_browsers_are_told_to_stay_there(db: None) -> None:
    client = Client()
    assert client.get("/sign-in/").headers["Location"].startswith("https://")
    for path in ("/sign-in/", "/nowhere/", "/api/v1/crews/"):
        assert client.get(path, secure=True).headers["Strict-Transport-Security"] == "max-age=31536000"


@pytest.mark.parametrize(
    "weaken",
    [
        lambda policy: policy.replace("default-src 'self'", "default-src 'self' 'unsafe-inline'"),
        lambda policy: policy.replace("frame-ancestors 'none'", "frame-ancestors 'self'"),
        lambda policy: policy.replace("default-src 'self'", "default-src https://elsewhere.invalid"),
    ],
)
def test_a_weaker_policy_is_found(
    weaken: Callable[[str], str], client: Client, db: None, monkeypatch: pytest.MonkeyPatch
) -> None:
    assert missing(client.get("/sign-in/")) == []
    monkeypatch.setattr(headers, "CONTENT_SECURITY_POLICY", weaken(headers.CONTENT_SECURITY_POLICY))
    assert missing(client.get("/sign-in/")) != []
