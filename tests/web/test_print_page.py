"""The printed sheet: what it says of approved and other markers, who may see it, one A4 page in a real browser."""

from __future__ import annotations

import re
from pathlib import Path

import pytest
from django.test import Client
from django.urls import reverse

from crewprep.crews.models import Membership, Role
from crewprep.models import Crate, Track
from crewprep.review.services import approve_proposal
from crewprep.web.printing import square_code
from tests import factories
from tests.web.browser import axe, cookie, opened

A4_POINTS = (595, 842)
"""210 by 297 mm (ISO 216) in points."""


def address(crate: Crate, track: Track) -> str:
    return reverse("track-print", args=[crate.crew.slug, crate.pk, track.pk])


def page(member: Membership, crate: Crate, track: Track, status: int = 200) -> str:
    client = Client()
    client.force_login(member.user)
    answer = client.get(address(crate, track))
    assert answer.status_code == status
    return answer.content.decode()


@pytest.mark.django_db
def test_an_approved_sheet_says_who_approved_it_and_lists_every_slot(
    lead: Membership, resident: Membership, crate: Crate
) -> None:
    track = factories.analysed_track(lead, crate)
    proposal = factories.proposal(lead, track, crate)
    proposal.markers.filter(slot=4).update(label="bells over the drop")
    approve_proposal(member=resident, proposal=proposal, seen_revision=proposal.revision)
    html = page(lead, crate, track)
    assert f"approved by {resident.user}" in html
    assert "Nobody has approved" not in html
    assert "“bells over the drop”" in html
    listed = re.findall(r"paper__place\">(.*?)</span></li>", html)
    assert len(listed) == crate.convention_version.slots.count()
    assert "<strong>1.1.1</strong> 0:00.250" in listed[0]
    assert square_code("http://testserver" + reverse("track-page", args=[lead.crew.slug, crate.pk, track.pk])) in html


@pytest.mark.django_db
def test_a_draft_is_printed_as_what_it_is(lead: Membership, crate: Crate) -> None:
    track = factories.analysed_track(lead, crate)
    factories.draft(track, crate.convention_version)
    assert "Nobody has approved these markers yet." in page(lead, crate, track)


@pytest.mark.django_db
def test_there_is_nothing_to_print_of_what_is_not_there(lead: Membership, crate: Crate) -> None:
    waiting, elsewhere = factories.track(lead, crate), factories.analysed_track(lead, factories.crate(lead))
    stranger = factories.crew_with()
    page(lead, crate, waiting, status=404)
    page(lead, crate, elsewhere, status=404)
    page(stranger, crate, waiting, status=404)


@pytest.mark.browser
@pytest.mark.django_db(transaction=True)
def test_a_typical_track_is_one_sheet_of_a4_and_nothing_but_vectors(live_server, chromium: str, tmp_path: Path) -> None:
    lead = factories.crew_with()
    resident = factories.member_of(lead.crew, Role.RESIDENT)
    crate = factories.crate(lead)
    track = factories.analysed_track(lead, crate, factories.analysis_result(bars=224))  # 7 minutes at 128 BPM
    proposal = factories.proposal(lead, track, crate)
    approve_proposal(member=resident, proposal=proposal, seen_revision=proposal.revision)
    with opened(chromium, live_server.url + address(crate, track), cookie(lead)) as shown:
        assert axe(shown) == []
        shown.pdf(path=tmp_path / "sheet.pdf", prefer_css_page_size=True)
        shown.set_viewport_size({"width": 320, "height": 700})
        assert shown.evaluate("document.documentElement.scrollWidth") <= 320
    printed = (tmp_path / "sheet.pdf").read_bytes()
    assert len(re.findall(rb"/Type /Page\b", printed)) == 1
    width, height = map(float, re.search(rb"/MediaBox \[0 0 ([\d.]+) ([\d.]+)\]", printed).groups())  # type: ignore[union-attr]  # every PDF has one
    assert (width, height) == pytest.approx(A4_POINTS, abs=2)
    assert b"/Subtype /Image" not in printed
