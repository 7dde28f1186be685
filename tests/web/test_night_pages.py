"""Nights as pages: planned, looked at, changed; the calendar address and what a program gets there."""

from __future__ import annotations

import datetime as dt
import re

import pytest
from django.db import connection
from django.test import Client
from django.test.utils import CaptureQueriesContext
from django.urls import reverse

from crewprep.accounts.departing import leave_crew
from crewprep.crates.models import Crate, Night
from crewprep.crews.models import Membership
from crewprep.readiness.burn_down import BurnDown, Day
from crewprep.readiness.standing import STATES
from crewprep.web.nights_drawing import draw
from crewprep.web.words import days_words, minutes_words
from tests import factories
from tests.readiness.scene import every_state, night_of
from tests.web.test_pages import at, signed_in

pytestmark = pytest.mark.django_db

SOON = dt.datetime.now(dt.UTC).date() + dt.timedelta(days=20)


def plan(**changes: str) -> dict[str, str]:
    values = {
        "name": "Harbour Shed", "date": f"{SOON}", "doors_at": "22:00", "time_zone": "Europe/Lisbon",
        "ready_by": f"{SOON - dt.timedelta(days=1)}T18:00",
    }  # fmt: skip
    return values | changes


def test_a_night_is_planned_and_changed(lead: Membership, resident: Membership) -> None:
    client = signed_in(resident)
    assert client.post(at("nights", lead), plan()).status_code == 302
    night = Night.objects.get()
    assert night.ready_by is not None
    assert night.ready_by.astimezone(night.zone).strftime("%H:%M") == "18:00"
    address = at("night", lead, night.pk)
    page = client.get(address).content.decode()
    assert "doors 22:00" in page
    assert "(Europe/Lisbon)" in page
    assert f'value="{SOON - dt.timedelta(days=1)}T18:00"' in page  # by the night's clocks, whatever the server's are
    assert client.post(address, plan(name="Harbour Hall", revision="1")).status_code == 302
    late = client.post(address, plan(name="Harbour Barn", revision="1"))
    assert late.status_code == 409
    assert "Somebody changed this night" in late.content.decode()
    assert 'value="Harbour Barn"' in late.content.decode()  # nothing typed is lost
    night.refresh_from_db()
    assert night.name == "Harbour Hall"


@pytest.mark.parametrize(
    ("wrong", "said"),
    [
        ({"name": " "}, "Give the night a name"),
        ({"time_zone": "Moon/Base"}, "There is no time zone “Moon/Base”"),
        ({"date": "soon"}, "Write the date as year-month-day"),
        ({"ready_by": f"{SOON}T23:00"}, "Tracks must be ready before the night begins"),
        ({"ready_by": "eve"}, "Write the deadline as year-month-day"),
        ({"date": "2027-03-28", "doors_at": "01:30", "ready_by": ""}, "The clocks in Europe/Lisbon skip 01:30"),
        ({"date": "2027-04-28", "doors_at": "", "ready_by": "2027-03-28T01:30"}, "skip 01:30 on that day"),
    ],
)
def test_what_is_wrong_is_said_at_its_field(wrong: dict[str, str], said: str, lead: Membership) -> None:
    answer = signed_in(lead).post(at("nights", lead), plan(**wrong))
    assert answer.status_code == 422
    page = answer.content.decode()
    assert re.search(
        rf'class="field__error"[^>]*>{re.escape(said)}|class="field__error"[^>]*>[^<]*{re.escape(said)}', page
    )
    assert not Night.objects.exists()


def test_newcomers_look_and_do_not_plan(lead: Membership, newcomer: Membership, crate: Crate) -> None:
    night = night_of(lead, crate)
    client = signed_in(newcomer)
    page = client.get(at("night", lead, night.pk)).content.decode()
    assert "Change the night" not in page
    assert client.post(at("night", lead, night.pk), plan(revision="1")).status_code == 403
    assert client.post(at("nights", lead), plan()).status_code == 403
    said = client.post(at("night-crates", lead, night.pk), {"crate": crate.pk, "do": "take"}, follow=True)
    assert "Only leads and residents may do this" in said.content.decode()
    crate.refresh_from_db()
    assert crate.night == night


def test_crates_come_under_a_night_and_leave_it(lead: Membership, crate: Crate) -> None:
    night = night_of(lead)
    client = signed_in(lead)
    address = at("night-crates", lead, night.pk)
    assert (
        "is for this night now" in client.post(address, {"crate": crate.pk, "do": "put"}, follow=True).content.decode()
    )
    assert f"{night.name}, <time" in client.get(at("crate", lead, crate.pk)).content.decode()
    taken = client.post(address, {"crate": crate.pk, "do": "take"}, follow=True).content.decode()
    assert "is for no night now" in taken
    assert (
        "is not under this night any more"
        in client.post(address, {"crate": crate.pk, "do": "take"}, follow=True).content.decode()
    )
    theirs = factories.crate(factories.crew_with())
    assert client.post(address, {"crate": theirs.pk, "do": "put"}).status_code == 404
    assert client.post(address, {"crate": "x"}).status_code == 404


def test_the_board_says_everything_in_words(lead: Membership, resident: Membership, crate: Crate) -> None:
    tracks = every_state(lead, resident, crate)
    night = night_of(lead, crate)
    page = signed_in(lead).get(at("night", lead, night.pk)).content.decode()
    for words in STATES.values():
        assert f"{words} <b>1</b>" in page
    assert "6 of 7 tracks" in page
    assert "of work in 5 days" in page
    assert "Nobody has begun" in page or "nobody has begun" in page
    assert f"{resident.user} <span" in page
    assert f"by {lead.user}, not changed yet" in page
    assert page.index(str(tracks["returned"])) < page.index(str(tracks["held"]))
    assert "<polyline" in page
    assert "The same as a table" in page
    home = signed_in(lead).get(at("crew-home", lead)).content.decode()
    assert "6 of 7 tracks open; due in 5 days." in " ".join(home.split())
    assert "6 of 7 tracks open" in signed_in(lead).get(at("nights", lead)).content.decode()


def test_pages_cost_the_same_for_many_nights_and_tracks(lead: Membership, resident: Membership, crate: Crate) -> None:
    client = signed_in(lead)
    night = night_of(lead, crate)
    every_state(lead, resident, crate)

    def cost(name: str, *args: object) -> int:
        with CaptureQueriesContext(connection) as asked:
            assert client.get(at(name, lead, *args)).status_code == 200
        return len(asked)

    few = [cost("nights"), cost("night", night.pk), cost("crew-home")]
    for number in range(3):
        every_state(lead, resident, crate)
        night_of(lead, factories.crate(lead), name=f"Night {number}", in_days=number + 6)
    assert [cost("nights"), cost("night", night.pk), cost("crew-home")] == few


def test_a_calendar_address_is_shown_once(lead: Membership, crate: Crate) -> None:
    night_of(lead, crate, name="Harbour Shed")
    client, program = signed_in(lead), Client()
    page = client.post(at("calendar", lead), {"do": "give"}).content.decode()
    found = re.search(r'value="http://testserver(/calendar/[\w-]+\.ics)"', page)
    assert found
    address = found[1]
    assert address not in client.get(at("calendar", lead)).content.decode()

    read = program.get(address)
    assert read.status_code == 200
    assert read.headers["Content-Type"] == "text/calendar; charset=utf-8"
    assert read.headers["Cache-Control"] == "private, no-cache"
    text = read.content.decode()
    assert "SUMMARY:Harbour Shed" in text
    assert f"URL:http://testserver{at('night', lead, Night.objects.get().pk)}" in text.replace("\r\n ", "")
    same = program.get(address, headers={"If-None-Match": read.headers["ETag"]})
    assert (same.status_code, same.content) == (304, b"")
    assert program.get(address, headers={"If-None-Match": '"other"'}).status_code == 200
    assert program.head(address).status_code == 200
    assert program.post(address).status_code == 405

    nothing = program.get(reverse("calendar-feed", args=["x" * 43]))
    client.post(at("calendar", lead), {"do": "give"})
    renewed = program.get(address)
    assert (renewed.status_code, renewed.content) == (404, nothing.content)
    client.post(at("calendar", lead), {"do": "withdraw"})
    assert "You have no address yet" in client.get(at("calendar", lead)).content.decode()
    said = client.post(at("calendar", lead), {"do": "withdraw"}, follow=True).content.decode()
    assert "You have no calendar address" in said


def test_leaving_stops_the_address_at_once(lead: Membership, crate: Crate) -> None:
    member = factories.member_of(lead.crew)
    page = signed_in(member).post(at("calendar", lead), {"do": "give"}).content.decode()
    address = re.findall(r"/calendar/[\w-]+\.ics", page)[0]
    assert Client().get(address).status_code == 200
    leave_crew(member=member)
    assert Client().get(address).status_code == 404


def test_the_drawing_and_its_table_hold_the_same_figures() -> None:
    first = dt.date(2027, 1, 1)
    opens = [3, 3, 5, 2, None, None]
    days = tuple(Day(first + dt.timedelta(days=n), one, 5.0 - n) for n, one in enumerate(opens))
    drawn = draw(BurnDown(days, first + dt.timedelta(days=3)))
    assert drawn is not None
    heights = [float(point.split(",")[1]) for point in drawn.open.split()]
    assert [drawn.top * (200 - y) / 200 for y in heights] == pytest.approx([3, 3, 5, 2], abs=0.01)
    assert [(line.date.day, line.open) for line in drawn.table] == [(1, 3), (3, 5), (4, 2)]
    assert drawn.today_x == pytest.approx(360)
    assert draw(BurnDown((), first)) is None


def test_numbers_read_well() -> None:
    assert [days_words(n) for n in (-3, -1, 0, 1, 4)] == ["3 days ago", "yesterday", "today", "tomorrow", "in 4 days"]
    assert [minutes_words(n) for n in (0, 7.4, 12, 61, 58, 94, 720)] == [
        "0 min", "7 min", "10 min", "1 h", "1 h", "1 h 35 min", "12 h",
    ]  # fmt: skip


def test_a_long_list_comes_in_pages_that_keep_the_rest_of_the_address(
    lead: Membership, crate: Crate, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("crewprep.web.nights.AT_RISK_A_PAGE", 2)
    for _ in range(3):
        factories.analysed_track(lead, crate)
    address = at("night", lead, night_of(lead, crate).pk)
    first = signed_in(lead).get(address + "?from=mail").content.decode()
    assert "Page 1 of 2" in first
    assert 'href="?from=mail&amp;page=2#risk-heading"' in first
    last = signed_in(lead).get(address + "?page=2").content.decode()
    assert 'href="?page=1#risk-heading"' in last
    assert "page=3" not in last
