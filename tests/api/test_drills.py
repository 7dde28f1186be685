"""Drills over the API: begun, kept, handed in; the sheet stays hidden until then."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import pytest

from crewprep.crews.models import Membership
from crewprep.onboarding.models import Drill, Sight
from tests.api.conftest import Crewed
from tests.api.contract import Caller
from tests.onboarding.scene import approved_sheet, right_markers

pytestmark = pytest.mark.django_db
AsMember = Callable[[Membership], Caller]


@pytest.fixture
def url(crewed: Crewed) -> str:
    approved_sheet(crewed.lead, crewed.author, crewed.crate)
    return f"{crewed.base}drills/"


@pytest.fixture
def newcomer(crewed: Crewed, as_member: AsMember) -> Caller:
    return as_member(crewed.newcomer)


def right(begun: dict[str, Any]) -> dict[str, Any]:
    markers = right_markers(Drill.objects.get(pk=begun["id"]))
    return {"markers": [{"slot": one.slot, "start_us": one.start_us, "end_us": one.end_us} for one in markers]}


def test_from_beginning_to_end(url: str, newcomer: Caller) -> None:
    answer = newcomer.post(url)
    begun = answer.json()
    assert (answer.status_code, begun["revision"], begun["markers"], begun["sheet"]) == (201, 1, [], None)
    assert newcomer.post(url).json()["id"] == begun["id"]
    one = f"{url}{begun['id']}/"
    kept = newcomer.put(f"{one}markers/", {"markers": [{"slot": 4, "start_us": 1000}]}, revision=1).json()
    assert (kept["revision"], kept["markers"]) == (2, [{"slot": 4, "start_us": 1000, "end_us": None}])
    assert newcomer.get(one).json() == kept
    assert not Sight.objects.exists()
    done = newcomer.post(f"{one}hand-in/", right(begun), revision=2).json()
    assert {score["miss"] for score in done["scores"]} == {"exact"}
    assert len(done["scores"]) == len(done["sheet"]["markers"]) == 7
    listed = newcomer.get(url).json()["results"]
    assert [(one["id"], len(one["scores"])) for one in listed] == [(begun["id"], 7)]
    none_left = newcomer.post(url)
    assert (none_left.status_code, none_left.json()["code"]) == (409, "drill:none-left")


def test_an_open_drill_gives_nothing_away(url: str, newcomer: Caller) -> None:
    begun = newcomer.post(url)
    for marker in right(begun.json())["markers"]:
        assert marker["start_us"] == 250_000 or str(marker["start_us"]) not in begun.content.decode()


def test_another_window_is_told(url: str, newcomer: Caller) -> None:
    one = f"{url}{newcomer.post(url).json()['id']}/"
    body = {"markers": [{"slot": 4, "start_us": 1000}]}
    assert newcomer.put(f"{one}markers/", body).status_code == 428
    newcomer.put(f"{one}markers/", body, revision=1)
    for answer in (
        newcomer.put(f"{one}markers/", {"markers": []}, revision=1),
        newcomer.post(f"{one}hand-in/", body, revision=1),
    ):
        assert (answer.status_code, answer.json()["code"]) == (412, "drill:other-revision")


def test_a_drill_is_its_members_and_the_leads(url: str, newcomer: Caller, crewed: Crewed, as_member: AsMember) -> None:
    one = f"{url}{newcomer.post(url).json()['id']}/"
    lead, resident = as_member(crewed.lead), as_member(crewed.reviewer)
    assert lead.get(one).status_code == 200
    assert lead.get(url).json()["results"] == []
    answer = resident.get(one)
    assert (answer.status_code, answer.json()["code"]) == (403, "drill:not-yours")
    assert lead.call("DELETE", one).json()["code"] == "drill:not-yours"


def test_a_drill_is_dropped_while_it_is_open(url: str, newcomer: Caller) -> None:
    one = f"{url}{newcomer.post(url).json()['id']}/"
    assert newcomer.call("DELETE", one).status_code == 204
    assert newcomer.get(one).status_code == 404
