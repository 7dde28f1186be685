"""Keeping what is not proposed yet: over what was seen, for its member alone, until it is proposed."""

from __future__ import annotations

import json

import pytest
from django.test import Client
from django.urls import reverse

from crewprep.common.errors import Conflict
from crewprep.crews.models import Membership, Role
from crewprep.models import Crate, KeptSheet, Track
from crewprep.sheets.keeping import Work, keep_sheet, kept_sheet
from crewprep.sheets.markers import MarkerInput
from tests import factories

pytestmark = pytest.mark.django_db


@pytest.fixture
def track(lead: Membership, crate: Crate) -> Track:
    return factories.analysed_track(lead, crate)


def keep(member: Membership, track: Track, crate: Crate, start_us: int, seen: int) -> KeptSheet:
    work = Work([MarkerInput(1, start_us)], "a note", "draft/0")
    return keep_sheet(member=member, track=track, version=crate.convention_version, work=work, seen_revision=seen)


def test_each_writing_counts_and_an_overtaken_window_is_refused(lead: Membership, track: Track, crate: Crate):
    assert keep(lead, track, crate, 1000, seen=0).revision == 1
    assert keep(lead, track, crate, 2000, seen=1).revision == 2
    for seen in (0, 1, 3):
        with pytest.raises(Conflict, match="kept:other-window"):
            keep(lead, track, crate, 9000, seen=seen)
    assert keep(lead, track, crate, 2000, seen=1).revision == 2, "the same again, as where an answer was lost"
    kept = kept_sheet(lead, track, crate.convention_version)
    assert kept is not None
    assert (kept.revision, kept.markers[0]["start_us"], kept.note) == (2, 2000, "a note")


def test_it_is_the_members_alone(lead: Membership, track: Track, crate: Crate):
    other = factories.member_of(lead.crew, Role.NEWCOMER)
    keep(lead, track, crate, 1000, seen=0)
    assert kept_sheet(other, track, crate.convention_version) is None
    assert keep(other, track, crate, 5000, seen=0).revision == 1
    mine = kept_sheet(lead, track, crate.convention_version)
    assert mine is not None
    assert mine.markers[0]["start_us"] == 1000


def test_a_proposal_and_its_change_let_it_go(lead: Membership, track: Track, crate: Crate):
    keep(lead, track, crate, 1000, seen=0)
    factories.proposal(lead, track, crate)
    assert kept_sheet(lead, track, crate.convention_version) is None


def test_the_page_answers_in_json_and_hands_over_what_the_other_window_has(
    client: Client, lead: Membership, track: Track, crate: Crate
):
    client.force_login(lead.user)
    url = reverse("track-keep", args=[lead.crew.slug, track.pk, crate.convention_version.pk])

    def send(seen: str, markers: str = json.dumps([{"slot": 1, "start_us": 7}])):
        return client.post(
            url, {"seen": seen, "markers": markers, "begun_from": "x"}, headers={"Accept": "application/json"}
        )

    first = send("0").json()
    assert first["revision"] == 1
    assert first["findings"][0]["severity"] == "blocker", "slot 1 alone is not enough"
    assert send("0").json() == first
    late = send("0", json.dumps([{"slot": 1, "start_us": 8}]))
    assert late.status_code == 409
    assert late.json()["kept"]["markers"] == [{"slot": 1, "start_us": 7, "end_us": None, "label": ""}]
    for seen, markers in [("", "[]"), ("x", "[]"), ("1", "{"), ("1", "{}"), ("1", '[{"slot": "a"}]'), ("1", "[1]")]:
        assert send(seen, markers).status_code == 422
