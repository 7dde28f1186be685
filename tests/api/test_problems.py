"""Every error is a problem document (RFC 9457) with a code and a sentence, never a page."""

from __future__ import annotations

from collections.abc import Callable
from http import HTTPStatus
from typing import Any

import pytest
from django.db import OperationalError
from django.test import Client

from crewprep.crews.models import Membership
from crewprep.jobs.models import Job, JobState
from tests import factories
from tests.api.conftest import Crewed
from tests.api.contract import Caller, check

pytestmark = pytest.mark.django_db
AsMember = Callable[[Membership], Caller]


def test_members_of_a_problem_document(crewed: Crewed, as_member: AsMember) -> None:
    answer = as_member(crewed.author).get(f"{crewed.base}tracks/{crewed.crate.pk}/")
    assert answer.json() == {
        "type": "about:blank",
        "title": "Not Found",
        "status": 404,
        "code": "not-found",
        "detail": "There is nothing here, or it is not yours to see. Go back to your crew's home page.",
        "instance": f"{crewed.base}tracks/{crewed.crate.pk}/",
    }


@pytest.mark.parametrize(
    "path",
    ["/api/", "/api/v1/", "/api/v2/crews/", "/api/v1/crews", "/api/v1/crews/x/tracks/not-an-id/", "/api/v1/%00/"],
)
@pytest.mark.parametrize("method", ["GET", "HEAD", "POST", "PUT", "PATCH", "DELETE", "OPTIONS", "TRACE"])
def test_unknown_addresses(path: str, method: str) -> None:
    answer = Client().generic(method, path)
    assert (answer.status_code, answer.headers["Content-Type"]) == (404, "application/problem+json")


def test_methods_that_an_address_does_not_take(crewed: Crewed, as_member: AsMember) -> None:
    answer = as_member(crewed.author).call("DELETE", f"{crewed.base}tracks/")
    assert (answer.status_code, answer.json()["code"]) == (405, "method")
    assert answer.headers["Allow"] == "GET, HEAD"
    assert as_member(crewed.author).call("OPTIONS", f"{crewed.base}tracks/").status_code == 405


def test_without_a_token(crewed: Crewed) -> None:
    answer = Caller().get(f"{crewed.base}tracks/")
    assert (answer.status_code, answer.json()["code"]) == (401, "not-signed-in")
    assert answer.headers["WWW-Authenticate"] == "Token"


@pytest.mark.parametrize("token", ["Token", "Token a b", "Token nonsense", "Token \xff\xfe", "Token é", "Basic eDp5"])
def test_tokens_that_are_none(token: str, crewed: Crewed) -> None:
    answer = Caller().get(f"{crewed.base}tracks/", Authorization=token)
    assert answer.status_code == 401


@pytest.mark.parametrize(
    "body", [b"", b"{", b"\xff\xfe", b"[" * 400_000, b'{"name": NaN}', b'{"name": "\\ud800"}', b"1", b"null", b"[]"]
)
def test_bodies_that_are_not_what_is_asked_for(body: bytes, crewed: Crewed, as_member: AsMember) -> None:
    caller = as_member(crewed.lead)
    path = f"{crewed.base}crates/"
    answer = caller.client.generic("POST", path, body, content_type="application/json", headers=caller.headers)
    check("POST", path, answer)
    assert answer.status_code in {400, 422}


def test_a_body_beyond_the_limit(crewed: Crewed, as_member: AsMember) -> None:
    caller = as_member(crewed.lead)
    path = f"{crewed.base}crates/"
    answer = caller.client.generic(
        "POST", path, b'{"name": "' + b"x" * 1_100_000 + b'"}', content_type="application/json", headers=caller.headers
    )
    check("POST", path, answer)
    assert (answer.status_code, answer.json()["code"]) == (413, "request:too-large")


def test_another_media_type(crewed: Crewed, as_member: AsMember) -> None:
    caller = as_member(crewed.lead)
    path = f"{crewed.base}crates/"
    answer = caller.client.generic("POST", path, b"name=x", content_type="text/plain", headers=caller.headers)
    check("POST", path, answer)
    assert (answer.status_code, answer.json()["code"]) == (415, "request:media-type")
    assert "application/json" in answer.json()["detail"]


def test_another_form_of_answer(crewed: Crewed, as_member: AsMember) -> None:
    caller = as_member(crewed.lead)
    for path, wanted in ((f"{crewed.base}crates/", "text/html"), ("/api/v1/schema/", "image/png")):
        answer = caller.get(path, Accept=wanted)
        assert (answer.status_code, answer.json()["code"]) == (406, "request:not-acceptable")


def test_an_error_of_a_table_or_a_page_is_a_problem_too(crewed: Crewed, as_member: AsMember) -> None:
    track = factories.track(crewed.author, crewed.crate)
    answer = as_member(crewed.lead).get(f"{crewed.base}tracks/{track.pk}/sheet.csv", Accept="text/csv")
    assert (answer.status_code, answer.json()["code"]) == (404, "sheet:none")
    answer = Caller().post("/api/docs/", Accept="text/html")
    assert (answer.status_code, answer.json()["code"]) == (405, "method")


@pytest.mark.parametrize("version", ["0", "-1", "x", "99999999999999999999", "1.5", ""])
def test_versions_of_a_sheet_that_are_none(version: str, crewed: Crewed, as_member: AsMember) -> None:
    track = factories.track(crewed.author, crewed.crate)
    for name in ("sheet/", "sheet.csv"):
        answer = as_member(crewed.lead).get(f"{crewed.base}tracks/{track.pk}/{name}?version={version}")
        assert answer.status_code in {404, 422}


def test_all_wrong_fields_are_named(crewed: Crewed, as_member: AsMember) -> None:
    answer = as_member(crewed.lead).post(f"{crewed.base}crates/", {"convention": "x", "night": "soon"})
    assert answer.status_code == 422
    assert {error["pointer"] for error in answer.json()["errors"]} == {"/name", "/convention", "/night"}


def test_a_bug_is_noted_and_answered_as_a_problem(
    crewed: Crewed, as_member: AsMember, monkeypatch: pytest.MonkeyPatch, caplog: pytest.LogCaptureFixture
) -> None:
    def broken(*args: Any, **kwargs: Any) -> None:
        raise ZeroDivisionError("a secret detail")

    monkeypatch.setattr("crewprep.api.v1.crates.crates_with_sheets", broken)
    caller = as_member(crewed.lead)
    caller.client.raise_request_exception = False
    answer = caller.get(f"{crewed.base}crates/")
    assert (answer.status_code, answer.json()["code"]) == (500, "service:broken")
    assert "secret" not in answer.content.decode()
    assert "ZeroDivisionError" in caplog.text

    caller.client.raise_request_exception = True
    with pytest.raises(ZeroDivisionError):  # the framework's own signal is sent, so reporters hear of it
        caller.get(f"{crewed.base}crates/")


def test_a_taken_database_is_said_to_be_busy(
    crewed: Crewed, as_member: AsMember, monkeypatch: pytest.MonkeyPatch
) -> None:
    def locked(*args: Any, **kwargs: Any) -> None:
        raise OperationalError("database is locked")

    monkeypatch.setattr("crewprep.api.v1.crates.make_crate", locked)
    answer = as_member(crewed.lead).post(f"{crewed.base}crates/", {"name": "Friday"})
    assert (answer.status_code, answer.headers["Retry-After"]) == (503, "5")


def test_a_session_needs_its_csrf_token(crewed: Crewed) -> None:
    client = Client(enforce_csrf_checks=True)
    client.force_login(crewed.lead.user)
    by_page = Caller(client=client)
    assert by_page.get(f"{crewed.base}crates/").status_code == 200
    answer = by_page.post(f"{crewed.base}crates/", {"name": "Friday"})
    assert (answer.status_code, answer.json()["code"]) == (403, "csrf")

    client.cookies["csrftoken"] = "a" * 32
    assert by_page.post(f"{crewed.base}crates/", {"name": "Friday"}, X_CSRFToken="a" * 32).status_code == 201


def test_retrying_work(crewed: Crewed, as_member: AsMember) -> None:
    track = factories.track(crewed.author, crewed.crate)
    job = Job.objects.get(track=track)
    url = f"{crewed.base}jobs/{job.pk}/"
    answer = as_member(crewed.author).post(f"{url}retry/")
    assert (answer.status_code, answer.json()["code"]) == (409, "job:not-dead")

    Job.objects.filter(pk=job.pk).update(state=JobState.DEAD, error_code="job:gave-up", error_detail="Gave up.")
    assert as_member(crewed.newcomer).post(f"{url}retry/").status_code == 403
    assert as_member(crewed.newcomer).get(url).json()["error_code"] == "job:gave-up"
    again = as_member(crewed.author).post(f"{url}retry/")
    assert (again.status_code, again.json()["state"]) == (202, "queued")


def test_titles_are_those_of_the_status(crewed: Crewed, as_member: AsMember) -> None:
    for path in ("tracks/?state=x", "nowhere/"):
        answer = as_member(crewed.lead).get(crewed.base + path)
        assert answer.json()["title"] == HTTPStatus(answer.status_code).phrase
