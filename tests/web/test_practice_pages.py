"""Practice, drills and their results as pages: nothing given away before, every slip named after."""

from __future__ import annotations

import json
import re

import pytest
from django.test import Client
from django.urls import reverse

from crewprep.analysis.musical_time import MusicalTime, clock
from crewprep.crates.models import Crate
from crewprep.crews.models import Membership, Role
from crewprep.onboarding.drills import begin_drill, hand_in
from crewprep.onboarding.models import Drill
from crewprep.sheets.models import SheetVersion
from tests import factories
from tests.onboarding.scene import approved_sheet, right_markers

pytestmark = pytest.mark.django_db


@pytest.fixture
def sheet(lead: Membership, resident: Membership, crate: Crate) -> SheetVersion:
    return approved_sheet(lead, resident, crate)


@pytest.fixture
def drill(newcomer: Membership, sheet: SheetVersion) -> Drill:
    return begin_drill(member=newcomer, seed=1)


def browser(member: Membership) -> Client:
    client = Client()
    client.force_login(member.user)
    return client


def practice(member: Membership) -> str:
    return reverse("practice", args=[member.crew.slug])


def address(drill: Drill) -> str:
    return reverse("drill", args=[drill.crew.slug, drill.pk])


def keep(drill: Drill) -> str:
    return reverse("drill-keep", args=[drill.crew.slug, drill.pk])


def form(drill: Drill, **bars: float) -> dict[str, str]:
    """The table of a drill as typed: everything right except for slots moved by so many beats."""
    grid = MusicalTime.of(drill.sheet.analysis.result)
    typed = {"seen_kept": str(drill.revision)}
    for marker in drill.sheet.markers.all():
        late = bars.get(f"s{marker.slot}", 0.0)
        typed[f"start-{marker.slot}"] = clock(grid.time(grid.position(marker.start_us) + late), digits=6)
        if marker.end_us is not None:
            typed[f"end-{marker.slot}"] = clock(grid.time(grid.position(marker.end_us) + late), digits=6)
    return typed


def result(drill: Drill, member: Membership) -> dict[int, str]:
    html = browser(member).get(address(drill)).content.decode()
    found = re.findall(r'id="slot-(\d+)".*?change__what">(.*?)</p>', html, re.DOTALL)
    return {int(slot): re.sub(r"<[^>]+>", "", words).strip() for slot, words in found}


def test_practice_says_what_a_drill_is_and_begins_one(newcomer: Membership, sheet: SheetVersion) -> None:
    client = browser(newcomer)
    html = client.get(practice(newcomer)).content.decode()
    assert "with its markers hidden" in html
    assert "Begin a drill" in html
    assert 'aria-current="page">Practice' in html
    begun = client.post(practice(newcomer))
    drill = Drill.objects.get()
    assert (begun.status_code, begun["Location"]) == (302, address(drill))
    assert "Go on with the drill" in client.get(practice(newcomer)).content.decode()


def test_when_no_track_is_left_the_next_step_is_said(newcomer: Membership, resident: Membership, crate: Crate) -> None:
    html = browser(newcomer).get(practice(newcomer)).content.decode()
    assert "No track is left" in html
    assert "Ask your crew to approve more sheets" in html
    assert "Begin a drill" not in html
    assert reverse("queue", args=[crate.crew.slug]) in browser(resident).get(practice(resident)).content.decode()
    refused = browser(newcomer).post(practice(newcomer))
    assert refused.status_code == 409
    assert "no approved track left" in refused.content.decode()


def test_the_page_of_a_drill_gives_nothing_away(newcomer: Membership, drill: Drill) -> None:
    html = browser(newcomer).get(address(drill)).content.decode()
    grid = MusicalTime.of(drill.sheet.analysis.result)
    told, rows = re.sub(r'<script id="rows-data".*?</script>', "", html, flags=re.DOTALL), html
    (data,) = re.findall(r'<script id="rows-data" type="application/json">(.*?)</script>', rows, re.DOTALL)
    assert set(json.loads(data)) == {
        "duration_us", "timed", "beats_per_bar", "beats_us", "downbeats", "phrases", "rows",
    }, "the grid, which every track has, and nothing of this sheet"  # fmt: skip
    for marker in drill.sheet.markers.all():
        for time_us in filter(None, (marker.start_us, marker.end_us)):
            assert str(time_us) not in told
            assert f"{time_us / 1e6:.3f}" not in told
            assert clock(time_us) not in told
            assert f">{grid.address(time_us)}<" not in told
    assert "data-start-us" not in html
    assert "stanza__head" not in html
    for role in ("Breakdown", "Build-up", "Drop"):
        assert f">{role} <" not in html
    assert "How to find the first drop." in html, "the rule's words are beside the slot"


def test_a_drill_is_kept_as_one_works(newcomer: Membership, drill: Drill) -> None:
    client = browser(newcomer)
    markers = json.dumps([{"slot": 4, "start_us": 1_000_000, "end_us": None, "label": ""}])
    kept = client.post(keep(drill), {"markers": markers, "seen": "1"})
    assert kept.json() == {"revision": 2}
    other = json.dumps([{"slot": 5, "start_us": 2_000_000, "end_us": None, "label": ""}])
    overtaken = client.post(keep(drill), {"markers": other, "seen": "1"})
    assert overtaken.status_code == 409
    assert overtaken.json()["kept"]["markers"] == json.loads(markers)
    assert overtaken.json()["kept"]["revision"] == 2
    html = client.get(address(drill)).content.decode()
    assert 'value="0:01.000"' in html


def test_required_slots_that_are_empty_are_asked_about_once(newcomer: Membership, drill: Drill) -> None:
    client = browser(newcomer)
    typed = {name: text for name, text in form(drill).items() if name not in {"start-2", "start-4"}}
    asked = client.post(address(drill), typed)
    html = asked.content.decode()
    assert asked.status_code == 422
    assert "Every track needs slot 2 (First breakdown) and slot 4 (First drop), which are empty." in html
    assert f'value="{typed["start-3"]}"' in html
    assert "Hand in all the same" in html
    done = client.post(address(drill), {**typed, "sure": "1"})
    assert (done.status_code, done["Location"]) == (302, address(drill))
    assert result(drill, newcomer)[4] == "Missing Slot 4 is at 6.1.1"


def test_slots_that_no_track_needs_may_stay_empty(newcomer: Membership, drill: Drill) -> None:
    typed = {name: text for name, text in form(drill).items() if not name.endswith("-8")}
    assert browser(newcomer).post(address(drill), typed).status_code == 302


def test_what_cannot_be_read_keeps_every_field(newcomer: Membership, drill: Drill) -> None:
    refused = browser(newcomer).post(address(drill), {**form(drill), "start-3": "somewhere"})
    html = refused.content.decode()
    assert refused.status_code == 422
    assert 'value="somewhere"' in html
    assert "Not handed in." in html
    nothing = browser(newcomer).post(address(drill), {"seen_kept": "1"})
    assert "Mark at least one slot" in nothing.content.decode()


def test_a_window_that_was_overtaken_is_told_and_loses_nothing(newcomer: Membership, drill: Drill) -> None:
    client = browser(newcomer)
    markers = json.dumps([{"slot": 4, "start_us": 1_000_000, "end_us": None, "label": ""}])
    client.post(keep(drill), {"markers": markers, "seen": "1"})
    typed = form(drill)
    refused = client.post(address(drill), typed)
    html = refused.content.decode()
    assert refused.status_code == 409
    assert "in another window too" in html
    assert f'value="{typed["start-3"]}"' in html
    (desk,) = re.findall(r'<script id="desk-data" type="application/json">(.*?)</script>', html, re.DOTALL)
    assert json.loads(desk)["kept"]["revision"] == 1, "so that the scripts ask which markers to go on with"
    assert client.post(address(drill), {**typed, "seen_kept": "2"}).status_code == 302


def test_every_slip_is_named(newcomer: Membership, lead: Membership, drill: Drill) -> None:
    typed = form(drill, s1=1, s2=-32, s3=1.5, s4=-32, s5=2)
    del typed["start-6"]
    typed["start-7"] = typed["start-2"]
    typed["end-8"] = clock(drill.sheet.analysis.result.beats_us[94 * 4], digits=6)
    assert browser(newcomer).post(address(drill), {**typed, "sure": "1"}).status_code == 302
    said = {
        1: "Within a beat A beat late",
        2: "Whole phrases A whole phrase early",
        3: "Off the beat In the right bar, a beat and a half late",
        4: "Another place You marked the first build-up; the first drop is 8 bars on",
        5: "Half a bar Half a bar late",
        6: "Missing Slot 6 is at 10.1.1",
        7: "Extra The sheet leaves slot 7 empty",
        8: "Exact The loop is 2 bars too long",
    }
    assert result(drill, newcomer) == said
    assert result(drill, lead) == said, "a lead reads the same"
    html = browser(newcomer).get(address(drill)).content.decode()
    assert "2 of 7 slots within a beat." in html
    assert html.count("data-hear=") == 0, "without a listening copy there is nothing to hear"
    assert 'aria-label="Yours: Slot 2' in html
    assert "How to find the first drop." in html
    assert "Next drill" in html
    listed = browser(newcomer).get(practice(newcomer)).content.decode()
    assert "2 of 7 slots" in listed


def test_what_is_right_stands_once(newcomer: Membership, drill: Drill) -> None:
    hand_in(member=newcomer, drill=drill, markers=right_markers(drill), seen_revision=1)
    html = browser(newcomer).get(address(drill)).content.decode()
    assert "7 of 7 slots within a beat." in html
    assert "marker--old" not in html


def test_a_drill_can_be_left(newcomer: Membership, drill: Drill) -> None:
    left = browser(newcomer).post(address(drill), {"do": "drop"}, follow=True)
    assert "You left the drill" in left.content.decode()
    assert not Drill.objects.exists()


def test_others_drills_are_for_the_leads_alone(lead, resident, newcomer, drill: Drill) -> None:
    html = browser(lead).get(address(drill)).content.decode()
    assert "is still at it" in html
    assert "sheet-form" not in html
    other = factories.member_of(lead.crew, Role.NEWCOMER)
    for stranger in (resident, other):
        for url in (address(drill), keep(drill)):
            answer = browser(stranger).post(url, {"markers": "[]", "seen": "1"})
            assert answer.status_code == 403
            assert "another member" in answer.content.decode()


def test_pages_of_drills_ask_a_fixed_number_of_questions(
    django_assert_max_num_queries, lead, resident, newcomer, crate: Crate, drill: Drill
) -> None:
    client = browser(newcomer)
    hand_in(member=newcomer, drill=drill, markers=right_markers(drill), seen_revision=1)
    for _ in range(3):
        approved_sheet(lead, resident, crate)
        again = begin_drill(member=newcomer)
        hand_in(member=newcomer, drill=again, markers=right_markers(again), seen_revision=1)
    with django_assert_max_num_queries(16):
        client.get(practice(newcomer))
    with django_assert_max_num_queries(16):
        client.get(address(drill))
