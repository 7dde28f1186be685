"""Nights over the API: planned, changed at a revision, read as board and burn-down; the calendar address."""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable
from urllib.parse import urlsplit

import pytest
from django.test import Client

from crewprep.crews.models import Membership
from tests.api.conftest import Crewed
from tests.api.contract import Caller
from tests.readiness.scene import every_state, night_of

pytestmark = pytest.mark.django_db
AsMember = Callable[[Membership], Caller]

DATE = dt.datetime.now(dt.UTC).date() + dt.timedelta(days=12)
PLAN = {
    "name": "Harbour Shed", "date": f"{DATE}", "doors_at": "22:00", "time_zone": "Europe/Lisbon",
    "ready_by": f"{DATE}T10:00:00Z",
}  # fmt: skip


def test_a_night_is_planned_and_changed_at_its_revision(crewed: Crewed, as_member: AsMember) -> None:
    caller = as_member(crewed.author)
    made = caller.post(f"{crewed.base}nights/", PLAN)
    assert made.status_code == 201
    night = made.json()
    assert (night["revision"], night["due_on"], night["days_left"] in (11, 12)) == (1, f"{DATE}", True)
    url = f"{crewed.base}nights/{night['id']}/"
    tag = caller.get(url).headers["ETag"]
    assert caller.put(url, PLAN | {"name": "Harbour Hall"}).status_code == 428
    changed = caller.put(url, PLAN | {"name": "Harbour Hall"}, If_Match=tag)
    assert (changed.status_code, changed.headers["ETag"]) == (200, '"2"')
    stale = caller.put(url, PLAN, If_Match=tag)
    assert (stale.status_code, stale.json()["code"]) == (412, "night:moved-on")
    late = caller.put(url, PLAN | {"ready_by": f"{DATE}T23:30:00Z"}, revision=2)
    assert (late.status_code, late.json()["code"]) == (422, "night:deadline-late")
    newcomer = as_member(crewed.newcomer)
    assert newcomer.post(f"{crewed.base}nights/", PLAN).status_code == 403
    assert [one["name"] for one in newcomer.get(f"{crewed.base}nights/").json()] == ["Harbour Hall"]


def test_a_crate_is_put_under_a_night(crewed: Crewed, as_member: AsMember) -> None:
    night = night_of(crewed.lead)
    caller = as_member(crewed.lead)
    url = f"{crewed.base}crates/{crewed.crate.pk}/night/"
    assert caller.put(url, {"night": str(night.pk)}).json()["night"] == f"{night.date}"
    assert caller.put(url, {"night": None}).json()["night"] is None
    nothing = "00000000-0000-4000-8000-000000000000"
    assert caller.put(url, {"night": nothing}).status_code == 404
    assert as_member(crewed.newcomer).put(url, {"night": str(night.pk)}).status_code == 403


def test_the_board_and_the_burn_down(crewed: Crewed, as_member: AsMember) -> None:
    tracks = every_state(crewed.lead, crewed.author, crewed.crate)
    night = night_of(crewed.lead, crewed.crate)
    caller = as_member(crewed.newcomer)
    url = f"{crewed.base}nights/{night.pk}/"
    board = caller.get(f"{url}board/").json()
    assert (board["tracks"], board["open"]) == (7, 6)
    assert board["crates"][0]["counts"] == dict.fromkeys(
        ("nothing", "analysing", "draft", "held", "review", "returned", "approved"), 1
    )
    assert [one["track"] for one in board["blocked"]] == [str(tracks["returned"].pk)]
    risky = caller.get(f"{url}at-risk/?page_size=2").json()
    assert risky["count"] == 6
    assert [one["standing"]["state"] for one in risky["results"]] == ["returned", "nothing"]
    assert risky["results"][0]["risks"][0] == {"code": "returned", "words": "returned and not changed yet"}
    every = caller.get(f"{url}at-risk/").json()["results"]
    holders = [one["standing"]["holder"]["username"] for one in every if one["standing"]["holder"]]
    assert holders == [crewed.author.user.username]
    burn = caller.get(f"{url}burn-down/").json()
    assert burn["days"][0]["open"] == 6
    assert burn["days"][-1] == {"date": f"{night.date}", "open": None, "even": 0.0}


def test_a_calendar_address_is_told_once(crewed: Crewed, as_member: AsMember) -> None:
    night_of(crewed.lead)
    caller = as_member(crewed.newcomer)
    url = f"{crewed.base}calendar-address/"
    assert caller.get(url).json() == {"given_at": None}
    given = caller.post(url)
    assert given.status_code == 201
    path = urlsplit(given.json()["address"]).path
    assert Client().get(path).status_code == 200
    assert set(caller.get(url).json()) == {"given_at"}
    assert caller.call("DELETE", url).status_code == 204
    assert Client().get(path).status_code == 404
    assert caller.call("DELETE", url).json()["code"] == "feed:none"
