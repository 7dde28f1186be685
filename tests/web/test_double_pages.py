"""The pages of a double marking: opened, marked by ear, handed in, read; and nothing shown too early."""

from __future__ import annotations

import csv
import io
import json
import re
from typing import Any

import pytest
from django.test import Client
from django.urls import reverse

from crewprep.conventions.selectors import convention_draft_for
from crewprep.conventions.services import save_draft
from crewprep.crews.models import Membership
from crewprep.models import Copy, Crate, Track
from crewprep.onboarding.double import blind_sheet_for, hand_in_blind, open_double_marking
from crewprep.onboarding.models import DoubleMarking, Sight
from crewprep.sheets.markers import MarkerInput
from tests import factories
from tests.factories.music import convention_document

pytestmark = pytest.mark.django_db

BAR_US = 1_875_000
"""Of the made-up tracks, at 128 BPM."""
THEIRS = [MarkerInput(1, 250_007), MarkerInput(4, 75_250_007), MarkerInput(5, 105_250_007)]
"""At odd microseconds, so that a leak shows wherever it is written."""


@pytest.fixture
def other(lead: Membership) -> Membership:
    return factories.member_of(lead.crew)


@pytest.fixture
def tracks(lead: Membership, crate: Crate) -> list[Track]:
    made = [factories.analysed_track(lead, crate) for _ in range(2)]
    for one in made:
        factories.draft(one, crate.convention_version)
    return made


@pytest.fixture
def marking(
    lead: Membership, resident: Membership, other: Membership, crate: Crate, tracks: list[Track]
) -> DoubleMarking:
    return open_double_marking(
        member=lead, name="November", version=crate.convention_version, tracks=tracks, members=[resident, other]
    )


def browser(member: Membership) -> Client:
    client = Client()
    client.force_login(member.user)
    return client


def address(name: str, member: Membership, *rest: object) -> str:
    return reverse(name, args=[member.crew.slug, *rest])


def hand_in(member: Membership, marking: DoubleMarking, track: Track, markers: list[MarkerInput]) -> None:
    sheet = blind_sheet_for(member, marking, track.pk)
    hand_in_blind(member=member, sheet=sheet, markers=markers, seen_revision=sheet.revision)


def test_a_lead_chooses_members_then_tracks(
    lead: Membership, resident: Membership, other: Membership, newcomer: Membership, tracks: list[Track]
):
    client, where = browser(lead), address("double-marking-open", lead)
    page = client.get(where).content.decode()
    assert str(resident.user) in page
    assert f'value="{newcomer.pk}"' not in page
    page = client.get(where, {"member": str(resident.pk)}).content.decode()
    assert "Tick another one" in page
    asked: dict[str, Any] = {"member": [resident.pk, other.pk]}
    page = client.get(where, asked).content.decode()
    assert "2 analysed tracks are new to all of them" in page
    asked |= {"do": "open", "how": "draw", "name": "Rain", "size": "9", "seed": "4"}
    refused = client.post(where, asked)
    assert refused.status_code == 422
    assert "Only 2 analysed tracks" in refused.content.decode()
    assert 'value="Rain"' in refused.content.decode(), "nothing that was typed is lost"
    looked = client.post(where, {**asked, "do": "look", "how": "choose", "track": [tracks[1].pk], "q": "zzz"})
    assert f'value="{tracks[1].pk}" checked' in looked.content.decode(), "what was ticked stays"
    assert not DoubleMarking.objects.exists()
    opened = client.post(where, {**asked, "how": "choose", "track": [tracks[1].pk]}, follow=True)
    assert "0 of 2 sheets" in opened.content.decode()
    assert list(DoubleMarking.objects.get().tracks.all()) == [tracks[1]]
    assert browser(resident).get(where).status_code == 403
    assert client.post(where, {**asked, "how": "choose", "track": ["x"]}).status_code == 404


def test_the_list_says_what_waits_for_whom(lead: Membership, resident: Membership, marking: DoubleMarking):
    assert "2 tracks wait for you" in browser(resident).get(address("double-markings", resident)).content.decode()
    page = browser(lead).get(address("double-markings", lead)).content.decode()
    assert "wait for you" not in page
    assert "0 of 4 sheets handed in" in page
    assert "Double markings" in browser(lead).get(address("convention", lead)).content.decode()


def test_a_track_is_marked_without_scripts_kept_and_handed_in(
    resident: Membership, marking: DoubleMarking, tracks: list[Track]
):
    client, where = browser(resident), address("blind-track", resident, marking.pk, tracks[0].pk)
    page = client.get(where).content.decode()
    assert "stanza__head" not in page, "sections give places away"
    assert "Draft" not in page.replace("the draft", "")
    drafted = {str(marker.start_us) for marker in factories.eight_markers(factories.analysis_result())[1:]}
    assert not drafted & set(re.findall(r'data-start-us="(\d+)"', page))
    kept = client.post(
        address("blind-keep", resident, marking.pk, tracks[0].pk),
        {"markers": json.dumps([{"slot": 1, "start_us": 250_000, "end_us": None, "label": ""}]), "seen": "1"},
    )
    assert kept.json() == {"revision": 2}
    behind = client.post(address("blind-keep", resident, marking.pk, tracks[0].pk), {"markers": "[]", "seen": "1"})
    assert (behind.status_code, behind.json()["kept"]["revision"]) == (409, 2)
    assert "1 marker kept" in client.get(address("double-marking", resident, marking.pk)).content.decode()
    typed = {"start-1": "0:00.250", "start-4": "x", "seen_kept": "2"}
    refused = client.post(where, typed)
    assert refused.status_code == 422
    assert 'value="x"' in refused.content.decode()
    asked = client.post(where, {**typed, "start-4": "6.1.1"})
    assert asked.status_code == 422
    assert "slot 2, First breakdown" in asked.content.decode()
    done = client.post(where, {**typed, "start-4": "6.1.1", "sure": "1"}, follow=True)
    assert "is handed in" in done.content.decode()
    sheet = blind_sheet_for(resident, marking, tracks[0].pk)
    assert [marker["slot"] for marker in sheet.markers] == [1, 4]
    assert "You have handed in this track" in client.get(where).content.decode()
    late = client.post(where, {**typed, "start-4": "", "sure": "1"})
    assert late.status_code == 409


def test_anothers_markers_are_nowhere_before_one_has_handed_in(
    lead: Membership, resident: Membership, other: Membership, marking: DoubleMarking, tracks: list[Track]
):
    for track in tracks:
        hand_in(other, marking, track, THEIRS)
    hand_in(resident, marking, tracks[0], [])
    pages: list[tuple[Any, ...]] = [
        ("double-markings",), ("double-marking", marking.pk), ("double-marking-json", marking.pk),
        ("double-marking-csv", marking.pk), ("convention",), ("crew-home",),
        *(("blind-track", marking.pk, track.pk) for track in tracks),
    ]  # fmt: skip
    places = [str(marker.start_us) for marker in THEIRS] + ["0:00.250", "1:15.250", "1:45.250"]
    for member in (resident, lead):
        client = browser(member)
        for name, *rest in pages:
            answer = client.get(address(name, member, *rest))
            text = answer.content.decode()
            assert not [place for place in places if place in text], (str(member), name)
            if name in ("double-marking-json", "double-marking-csv"):
                assert answer.status_code == 403
        assert "Slot by slot" not in client.get(address("double-marking", member, marking.pk)).content.decode()
    for track in tracks:
        assert browser(lead).get(address("blind-track", lead, marking.pk, track.pk)).status_code == 404
    hand_in(resident, marking, tracks[1], [])
    assert "75250007" in browser(resident).get(address("double-marking-json", resident, marking.pk)).content.decode()


def test_the_report_names_the_slots_to_reword_with_places_to_hear(
    lead: Membership,
    resident: Membership,
    other: Membership,
    newcomer: Membership,
    marking: DoubleMarking,
    tracks: list[Track],
):
    late = [MarkerInput(1, 250_007), MarkerInput(4, 75_250_007 + 8 * BAR_US)]
    for track in tracks:
        hand_in(other, marking, track, THEIRS)
        hand_in(resident, marking, track, late)
    page = browser(lead).get(address("double-marking", lead, marking.pk)).content.decode()
    assert "data-clips" not in page, "there is nothing to hear before the worker has made the listening copy"
    Copy.objects.filter(track__in=tracks).update(proxy_key="listening.flac")
    page = browser(lead).get(address("double-marking", lead, marking.pk)).content.decode()
    assert page.index("Reword slot 4") < page.index("Reword slot 5"), "of equals the lower number comes first"
    assert "Reword slot 1<" not in page
    assert "2 of 2 pairs" in page
    assert "100 %, 95 % interval 34 % to 100 %" in page
    assert "How to find the first drop." in page
    assert "1 whole phrase apart" in page
    assert "one of them set no marker" in page
    assert "8 of 20 items" in page, "no coefficient below twenty"
    clips = re.findall(r'data-clips="([^" ]+) ([^" ]+)"', page)
    assert len(clips) == 2
    assert all(re.search(r"/clip/\d+-\d+\.wav$", clip) for pair in clips for clip in pair)
    assert "Reword slot" not in browser(resident).get(address("double-marking", resident, marking.pk)).content.decode()
    assert not Sight.objects.exists()
    browser(newcomer).get(address("double-marking", newcomer, marking.pk))
    assert Sight.objects.filter(membership=newcomer).count() == 2, "a drill on these would prove nothing"
    table = browser(lead).get(address("double-marking-csv", lead, marking.pk))
    rows = list(csv.DictReader(io.StringIO(table.content.decode())))
    assert (rows[3]["phrase"], rows[3]["apart"], rows[3]["share_apart"], rows[3]["alpha_positions"]) == (
        "2", "2", "1.0000", "",
    )  # fmt: skip
    values = browser(lead).get(address("double-marking-json", lead, marking.pk)).json()
    assert values["reword_first"] == [4, 5]
    assert values["slots"][3]["apart"][0]["phrases"] in (1, -1)


def test_rewording_opens_the_draft_at_the_slot_with_the_guidance_in_focus(
    lead: Membership, marking: DoubleMarking, crate: Crate
):
    client, where = browser(lead), address("convention-draft", lead)
    query = {"reword": "5", "of": str(crate.convention_version_id)}
    page = client.get(where, query).content.decode()
    assert re.search(r'id="slot-5" open', page)
    assert re.search(r'name="slots-4-guidance"[^>]*autofocus', page)
    assert page.count("autofocus") == 1
    document = convention_document()
    del document["slots"][1]
    for number, slot in enumerate(document["slots"], start=1):
        slot["number"] = number
    save_draft(member=lead, document=document, seen_revision=0)
    page = client.get(where, query).content.decode()
    assert re.search(r'id="slot-4" open', page), "the draft calls it slot 4 now"
    assert "autofocus" not in client.get(where, {**query, "reword": "2"}).content.decode(), "it is retired"
    save_draft(member=lead, document={"name": "", "slots": document["slots"]}, seen_revision=1)
    assert client.get(where, query).status_code == 200
    assert convention_draft_for(lead).revision == 2, "looking changes nothing"


def test_a_lead_closes_it_and_others_may_not(
    lead: Membership, resident: Membership, marking: DoubleMarking, tracks: list[Track]
):
    where = address("double-marking", resident, marking.pk)
    assert browser(resident).post(where).status_code == 403
    assert "Close with what is there" in browser(lead).get(where).content.decode()
    page = browser(lead).post(where, follow=True).content.decode()
    assert "there is nothing to compare" in page
    assert "is closed already" not in page
    again = browser(lead).post(where, follow=True).content.decode()
    assert "This double marking is closed" in again
    closed = browser(resident).get(address("blind-track", resident, marking.pk, tracks[0].pk)).content.decode()
    assert "was not handed in" in closed


def test_the_report_asks_as_often_for_many_tracks(
    lead: Membership, resident: Membership, other: Membership, crate: Crate, django_assert_max_num_queries
):
    tracks = [factories.analysed_track(lead, crate) for _ in range(5)]
    marking = open_double_marking(
        member=lead, name="Five", version=crate.convention_version, tracks=tracks, members=[resident, other]
    )
    for track in tracks:
        hand_in(other, marking, track, THEIRS)
        hand_in(resident, marking, track, [])
    client = browser(lead)
    with django_assert_max_num_queries(25):
        client.get(address("double-marking", lead, marking.pk))
