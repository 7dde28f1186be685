"""A long crate comes in pages, counted as a whole; the library is searched, not listed, to put tracks into it."""

from __future__ import annotations

import re

import pytest

from crewprep.crates.models import Crate, CrateTrack
from crewprep.crews.models import Membership
from crewprep.library.upkeep import mark_all
from crewprep.tracks.models import Track
from tests import factories
from tests.web.test_pages import at, signed_in

pytestmark = pytest.mark.django_db


@pytest.fixture
def long_crate(lead: Membership, crate: Crate) -> Crate:
    tracks = Track.objects.bulk_create(Track(crew=lead.crew, title=f"tune {number:03}") for number in range(79))
    CrateTrack.objects.bulk_create(
        CrateTrack(crate=crate, track=track, position=place) for place, track in enumerate(tracks, 1)
    )
    mark_all()
    factories.analysed_track(lead, crate)
    return crate


def test_a_long_crate_comes_in_pages(lead: Membership, long_crate: Crate) -> None:
    client = signed_in(lead)

    def rows(query: str) -> list[tuple[str, str]]:
        html = client.get(at("crate", lead, long_crate.pk) + query).content.decode()
        assert "80 tracks: 79 with the workers" in html
        found = re.findall(r'track__number" aria-hidden="true">(\d+)<.*?class="track__name"[^>]*>([^<]+)<', html, re.S)
        return [(number, title) for number, title in found]

    first, second = rows(""), rows("?page=2")
    assert (first[0], first[-1], len(first)) == (("1", "tune 000"), ("50", "tune 049"), 50)
    assert (second[0], second[-1][0], len(second)) == (("51", "tune 050"), "80", 30)
    for page in ("0", "-1", "x", "9" * 10):
        assert rows(f"?page={page}") == first
    assert rows("?page=77") == second
    part = client.get(at("crate-tracks", lead, long_crate.pk) + "?page=2")
    html = part.content.decode()
    assert "tune 050" in html
    assert "tune 049" not in html
    again = re.search(r'hx-get="([^"]+)"', html)
    assert again is not None
    assert client.get(again[1].replace("&amp;", "&")).status_code == 204, "nothing has changed on that page"


def test_a_track_of_a_later_page_opens(lead: Membership, long_crate: Crate) -> None:
    last = CrateTrack.objects.filter(crate=long_crate).order_by("-position").first()
    assert last is not None
    page = signed_in(lead).get(at("track-page", lead, long_crate.pk, last.track_id))
    assert page.status_code == 200
    other = factories.analysed_track(lead, factories.crate(lead, "Other"))
    assert signed_in(lead).get(at("track-page", lead, long_crate.pk, other.pk)).status_code == 404


def test_the_library_is_searched_for_tracks_to_put_in(lead: Membership, crate: Crate, newcomer: Membership) -> None:
    other = factories.crate(lead, "Other")
    for title in ("Élan", "Elan again", "Cinder"):
        track = factories.analysed_track(lead, other)
        Track.objects.filter(pk=track.pk).update(title=title)
    mark_all()
    client, url = signed_in(lead), at("crate", lead, crate.pk)
    assert "Élan" not in client.get(url).content.decode()
    html = client.get(url + "?find=elan").content.decode()
    assert ("Élan" in html, "Elan again" in html, "Cinder" in html) == (True, True, False)
    track = Track.objects.get(title="Élan")
    client.post(at("crate-add", lead, crate.pk), {"track": str(track.pk)})
    html = client.get(url + "?find=elan").content.decode()
    assert html.count("Put in<") == 1
    assert "No track outside this crate is called “zzz”." in client.get(url + "?find=zzz").content.decode()
    assert "From the library" not in signed_in(newcomer).get(at("crate", newcomer, crate.pk)).content.decode()


def test_a_long_queue_comes_in_pages(
    lead: Membership, resident: Membership, crate: Crate, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("crewprep.web.review_lines.PROPOSALS_A_PAGE", 2)
    made = [factories.proposal(resident if number else lead, into=crate) for number in range(3)]
    client, url = signed_in(lead), at("queue", lead)

    def shown(query: str) -> list[str]:
        html = client.get(url + query).content.decode()
        assert "3 open proposals, oldest first. You may review 2" in html
        return re.findall(r"/proposals/([0-9a-f-]{36})/", html)

    assert shown("") == [str(one.pk) for one in made[:2]]
    assert shown("?page=2") == shown("?page=9") == [str(made[2].pk)]
