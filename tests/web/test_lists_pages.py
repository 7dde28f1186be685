"""Lists on pages: brought in, mapped, looked at, applied."""

from __future__ import annotations

import re
from typing import Any

import pytest
from django.core.files.uploadedfile import SimpleUploadedFile
from django.test import Client
from django.urls import reverse

from crewprep.crews.models import Membership
from crewprep.exchange.models import ListImport, ListState
from crewprep.sheets.models import KeptSheet
from crewprep.tracks.models import Track
from tests import factories

pytestmark = pytest.mark.django_db

TEXT = "title,a,b\nWarm Rain,1.5,2\nNo Such,1,2\n"


def signed_in(member: Membership) -> Client:
    client = Client()
    client.force_login(member.user)
    return client


def at(name: str, member: Membership, *more: Any) -> str:
    return reverse(name, args=[member.crew.slug, *more])


def brought(member: Membership, text: str = TEXT) -> str:
    """The page of a list that was brought in."""
    file = SimpleUploadedFile("old <list>.csv", text.encode())
    answer = signed_in(member).post(at("lists", member), {"list": file})
    assert answer.status_code == 302
    return answer.headers["Location"]


@pytest.fixture
def track(lead: Membership) -> Track:
    made = factories.analysed_track(lead, factories.crate(lead))
    Track.objects.filter(pk=made.pk).update(title="Warm Rain")
    made.refresh_from_db()
    return made


def digest(page: str) -> str:
    found = re.search(r'name="seen" value="([0-9a-f]{64})"', page)
    assert found
    return found[1]


def test_from_the_file_to_the_desk(lead: Membership, track: Track) -> None:
    client, page = signed_in(lead), brought(lead)
    text = client.get(page).content.decode()
    assert "old &lt;list&gt;.csv" in text
    assert "1.5, 1" in text
    form = {"do": "map", "unit": "s", "shift_ms": "−10", "write_tags": "on", "version": "x"}
    done = client.post(page, {**form, "column-0": "title", "column-1": "start:1", "column-2": "start:2"}, follow=True)
    text = done.content.decode()
    assert "The list is read so now. Nothing is applied yet." in text
    assert "Slot 1 at 0:01.490, slot 2 at 0:01.990" in text
    assert "No track of the library fits “No Such”" in text
    assert "1 line that cannot be used" in text
    assert not KeptSheet.objects.exists()

    seen = digest(text)
    refused = client.post(page, {"do": "apply", "seen": seen}, follow=True).content.decode()
    assert "say that they may be left out" in refused
    applied = client.post(page, {"do": "apply", "seen": seen, "leave_out": "on"}, follow=True).content.decode()
    assert "Applied: tags of 0 tracks, 2 old markers on 1 track, 1 line left out." in applied
    assert KeptSheet.objects.get().track == track
    crate = track.crates.get()
    assert at("track-page", lead, crate.pk, track.pk) in applied
    desk = client.get(at("track-page", lead, crate.pk, track.pk)).content.decode()
    assert "From the list" in desk
    assert "Applied" in client.get(at("lists", lead)).content.decode()


def test_what_cannot_be_read_is_told(lead: Membership, track: Track) -> None:
    client = signed_in(lead)
    for files, sentence in (
        ({}, "carries no list"),
        ({"list": SimpleUploadedFile("a.csv", b"")}, "no lines"),
        ({"list": SimpleUploadedFile("a.csv", b'title\n"x')}, "Line 2 cannot be read"),
    ):
        assert sentence in client.post(at("lists", lead), files, follow=True).content.decode()
    assert not ListImport.objects.exists()
    page = brought(lead, "a,b\n1,2\n")
    assert "No column tells which track a line is of" in client.get(page).content.decode()
    wrong = client.post(page, {"do": "map", "unit": "s", "shift_ms": "many"}, follow=True)
    assert "at most 5000 milliseconds" in wrong.content.decode()


def test_others_look_and_do_not_apply(lead: Membership, track: Track) -> None:
    page = brought(lead, "title,slot 1\nWarm Rain,1\n")
    other = signed_in(factories.member_of(lead.crew))
    text = other.get(page).content.decode()
    assert f"Only {lead.user}, who brought this list in" in text
    assert "Apply the list" not in text
    other.post(page, {"do": "apply", "seen": "x"})
    other.post(page, {"do": "discard"})
    assert ListImport.objects.get().state == ListState.OPEN
    assert "Discarded" in signed_in(lead).post(page, {"do": "discard"}, follow=True).content.decode()


def test_the_wrong_lines_as_a_file(lead: Membership, track: Track) -> None:
    page = brought(lead, "title,slot 1\n=1+1,1\n")
    answer = signed_in(lead).get(f"{page}wrong.csv")
    assert answer.headers["Content-Disposition"].startswith("attachment")
    lines = answer.content.decode().splitlines()
    assert lines[0] == "line,problem,title,slot 1"
    assert lines[1].endswith(",'=1+1,1")
