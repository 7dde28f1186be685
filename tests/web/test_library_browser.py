"""Tags, copies and lists in a real browser, in both schemes and widths, with nothing for axe to say."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest
from django.urls import reverse

from crewprep.crews.models import Membership
from crewprep.exchange.lists import bring_list
from crewprep.jobs.models import Job, JobKind, JobState
from crewprep.sheets.models import KeptSheet
from crewprep.tracks.copies import offer_copy
from crewprep.tracks.models import Copy, Track
from crewprep.tracks.tags import Tags, edit_tags
from crewprep.tracks.upload import quarantine
from tests import factories
from tests.web.browser import axe, cookie, opened

pytestmark = [pytest.mark.browser, pytest.mark.django_db(transaction=True)]

LIST = """File;Title;Artist;First drop;Slot 8;Slot 8 beats;BPM
0.wav;Warm Rain (Long Version);Lamp Post;1:01.250;2:00;16;128
1.wav;Cold Rain;Ünal;0:58.5;;;127,5
2.wav;=Nothing;Nobody;soon;;;1
"""


@pytest.fixture
def lead() -> Membership:
    return factories.crew_with()


@pytest.fixture
def track(lead: Membership) -> Track:
    crate = factories.crate(lead)
    tracks = [factories.analysed_track(lead, crate) for _ in range(2)]
    for number, track in enumerate(tracks):
        Copy.objects.filter(track=track).update(
            original_name=f"{number}.wav", proxy_key="x", pcm_sha256=f"{number}" * 64
        )
        edit_tags(member=lead, track=track, seen=Tags(track.title, ""), new=Tags(f"Rain {number}", "Lamp Post"))
    upload = quarantine(factories.wav_bytes(), name="a rather long name of a better copy, remastered 2030 (final).wav")
    job = offer_copy(member=lead, track=tracks[0], upload=upload)
    Job.objects.filter(pk=job.pk).update(state=JobState.FAILED, error_detail="This is another edit of the track.")
    Copy.objects.filter(pk=job.params["copy"]).update(
        proxy_key="y", pcm_sha256="9" * 64, sample_rate=96_000, channels=2, offset_us=-25_057, gain_db=1.5
    )
    Job.objects.exclude(kind=JobKind.COMPARE).update(state=JobState.DONE)
    return tracks[0]


def pictures(page: Any, folder: Path, name: str) -> list[str]:
    """Screenshots of a page; what axe finds in each."""
    found = []
    for width in (1440, 360):
        for scheme in ("light", "dark"):
            page.set_viewport_size({"width": width, "height": 900})
            page.emulate_media(color_scheme=scheme)
            found += [f"{name} {width} {scheme}: {line}" for line in axe(page)]
            assert page.evaluate("document.documentElement.scrollWidth <= innerWidth")
            page.screenshot(path=folder / f"{name}-{width}-{scheme}.png", full_page=True)
    return found


def test_pages_of_the_library(live_server, lead: Membership, track: Track, chromium: str, tmp_path: Path) -> None:
    session, slug = cookie(lead), lead.crew.slug
    about = live_server.url + reverse("track-about", args=[slug, track.pk])
    lists = live_server.url + reverse("lists", args=[slug])
    bring_list(member=lead, name="earlier.csv", content=b"title\nx\n")
    found: list[str] = []
    with opened(chromium, about, session) as page:
        found += pictures(page, tmp_path, "about")
        page.get_by_label("Title").fill("Warmer Rain")
        page.get_by_role("button", name="Write these tags").click()
        page.get_by_text("The tags are changed.").wait_for()
        page.get_by_role("button", name="Hear this one").click()
        page.get_by_text("is the reference copy now").wait_for()
        page.goto(lists)
        found += pictures(page, tmp_path, "lists")
        page.get_by_label("CSV file").set_input_files(
            {"name": "old markers.csv", "mimeType": "text/csv", "buffer": LIST.encode("latin-1")}
        )
        page.get_by_role("button", name="Look at it").click()
        page.get_by_role("heading", name="What it would do").wait_for()
        found += pictures(page, tmp_path, "list")
        page.get_by_label("Leave the lines out").check()
        page.get_by_role("button", name="Apply the list").click()
        page.get_by_text("Applied: tags of 2 tracks, 3 old markers on 2 tracks, 1 line left out.").wait_for()
        found += pictures(page, tmp_path, "applied")
    assert found == []
    track.refresh_from_db()
    assert track.title == "Warm Rain (Long Version)"
    assert KeptSheet.objects.count() == 2
