"""The Tracks page: the search lives in the address and is kept by name; what is found is changed many at a time."""

from __future__ import annotations

import re
from urllib.parse import quote

import pytest
from django.db import connection
from django.test import Client
from django.test.utils import CaptureQueriesContext
from django.urls import reverse

from crewprep.crates.models import Crate, CrateTrack
from crewprep.crews.models import Membership
from crewprep.library.models import BulkChange, SavedSearch
from crewprep.preparation.models import Claim
from crewprep.preparation.services import claim_track
from crewprep.tracks.models import Track
from tests import factories
from tests.web.test_pages import at, signed_in

pytestmark = pytest.mark.django_db


@pytest.fixture
def tracks(lead: Membership, crate: Crate) -> list[Track]:
    made = []
    for title, bpm in (("Élan", 120.0), ("Borealis", 128.0), ("Cinder", 174.0)):
        track = factories.analysed_track(lead, crate, factories.analysis_result(bpm=bpm))
        Track.objects.filter(pk=track.pk).update(title=title, artist="The Øre")
        track.refresh_from_db()
        factories.draft(track, crate.convention_version)
        made.append(track)
    return made


def shown(client: Client, member: Membership, query: str = "", status: int = 200) -> str:
    answer = client.get(at("tracks", member) + query)
    assert answer.status_code == status
    return str(answer.content.decode())


def names(html: str) -> list[str]:
    return re.findall(r'class="finding__title"[^>]*>([^<]+)<', html)


def test_the_library_is_listed_searched_and_sorted(lead: Membership, tracks: list[Track]) -> None:
    client = signed_in(lead)
    assert names(shown(client, lead)) == ["Borealis", "Cinder", "Élan"]
    assert "3 tracks in the library" in shown(client, lead)
    assert names(shown(client, lead, "?sort=-tempo")) == ["Cinder", "Borealis", "Élan"]
    assert names(shown(client, lead, "?q=ELAN+ore")) == ["Élan"]
    assert names(shown(client, lead, "?tempo_from=121&tempo_to=130")) == ["Borealis"]
    assert names(shown(client, lead, "?sure_from=81")) == []
    assert "No track is like that." in shown(client, lead, "?sure_from=81")
    assert names(shown(client, lead, "?state=drafted&state=approved&key=A+minor&level_to=-9")) == [
        "Borealis", "Cinder", "Élan",
    ]  # fmt: skip
    assert names(shown(client, lead, "?holder=anybody")) == []
    claim_track(member=lead, track=tracks[1])
    assert names(shown(client, lead, f"?holder={lead.user_id}")) == ["Borealis"]
    assert "0 tracks in the library" in shown(signed_in(factories.crew_with(factories.user("far"))), _crew("far"))


def _crew(name: str) -> Membership:
    return Membership.objects.get(user__username=name)


def test_the_address_is_made_short_and_a_wrong_one_says_where(lead: Membership, tracks: list[Track]) -> None:
    client = signed_in(lead)
    answer = client.get(at("tracks", lead) + "?q=elan&holder=&crate=&tempo_from=&state=drafted&sort=")
    assert (answer.status_code, answer["Location"]) == (302, at("tracks", lead) + "?q=elan&state=drafted")
    html = shown(client, lead, "?q=elan&tempo_from=fast", 422)
    assert "Write a number" in html
    assert 'value="fast"' in html
    assert 'value="elan"' in html
    assert names(html) == []
    assert "ends below where it begins" in shown(client, lead, "?level_from=-5&level_to=-9", 422)
    other = factories.crate(factories.crew_with(), "Theirs")
    for crate in (other.pk, "00000000-0000-4000-8000-000000000000"):
        assert "Choose one of the list." in shown(client, lead, f"?crate={crate}", 422)


def test_long_lists_come_in_pages_at_a_fixed_cost(lead: Membership, tracks: list[Track]) -> None:
    client = signed_in(lead)

    def questions() -> int:
        with CaptureQueriesContext(connection) as asked:
            shown(client, lead, "?sort=-level")
        return len(asked)

    shown(client, lead)
    few = questions()
    Track.objects.bulk_create(Track(crew=lead.crew, title=f"tune {number:03}") for number in range(60))
    from crewprep.library.upkeep import mark_all

    mark_all()
    assert len(names(shown(client, lead))) == 50
    assert names(shown(client, lead, "?page=2"))[-2:] == ["tune 059", "Élan"] or len(
        names(shown(client, lead, "?page=2"))
    ) == 13  # fmt: skip
    assert "Page 2 of 2" in shown(client, lead, "?page=2")
    assert "Page 2 of 2" in shown(client, lead, "?page=99")
    for page, told in (("1", 1), ("2", 2), ("99", 2), ("0", 1), ("-1", 1), ("x", 1)):
        for query in ("?q=t", "?q=t&holder=nobody&sort=-tempo"):
            html = shown(client, lead, f"{query}&page={page}")
            assert f"Page {told} of 2" in html
            assert len(names(html)) == (50 if told == 1 else 13)
    assert questions() == few


def test_a_search_is_kept_for_oneself_or_the_crew(
    lead: Membership, resident: Membership, newcomer: Membership, tracks: list[Track]
) -> None:
    client, url = signed_in(resident), at("tracks-save", resident)
    html = client.post(url, {"query": "q=elan&page=3", "name": "the lifted ones"}, follow=True).content.decode()
    assert f'href="/c/{resident.crew.slug}/tracks/?q=elan"' in html  # fmt: skip
    refused = client.post(url, {"query": "q=other", "name": "the lifted ones", "shared": "1"})
    assert refused.status_code == 409
    assert "Choose another name" in refused.content.decode()
    assert 'value="the lifted ones"' in refused.content.decode()
    assert client.post(url, {"query": "q=other", "name": " "}).status_code == 422
    client.post(url, {"query": "tempo_from=170", "name": "fast", "shared": "1"})
    seen = shown(signed_in(newcomer), newcomer)
    assert "fast" in seen
    assert "the lifted ones" not in seen
    own, shared = SavedSearch.objects.get(shared=False), SavedSearch.objects.get(shared=True)
    assert signed_in(lead).post(at("tracks-drop", lead, own.pk)).status_code == 404
    assert signed_in(newcomer).post(at("tracks-drop", newcomer, shared.pk)).status_code == 403
    assert signed_in(lead).post(at("tracks-drop", lead, shared.pk)).status_code == 302
    client.post(at("tracks-drop", resident, own.pk))
    assert not SavedSearch.objects.exists()


def test_tracks_are_put_into_a_crate_and_it_is_taken_back(lead: Membership, tracks: list[Track]) -> None:
    friday = factories.crate(lead, "Friday")
    client = signed_in(lead)
    form = {"query": "q=ore", "page": "1", "track": [str(track.pk) for track in tracks[:2]], "into": str(friday.pk)}
    answer = client.post(at("tracks-change", lead), {**form, "do": "put"})
    assert answer["Location"] == at("tracks", lead) + "?q=ore&page=1"
    html = client.get(answer["Location"]).content.decode()
    assert "2 tracks put into “Friday”." in html
    undo = reverse("tracks-undo", args=[lead.crew.slug, BulkChange.objects.get().pk])
    assert undo in html
    html = client.post(undo, {"query": "q=ore"}, follow=True).content.decode()
    assert "Undone: 2 tracks as before." in html
    assert undo not in html
    assert not CrateTrack.objects.filter(crate=friday).exists()
    assert "taken back already" in client.post(undo, follow=True).content.decode()
    client.post(at("tracks-change", lead), {**form, "do": "put", "every": "1"})
    assert CrateTrack.objects.filter(crate=friday).count() == 3


def test_a_refusal_keeps_the_ticks_and_says_why(
    lead: Membership, resident: Membership, newcomer: Membership, tracks: list[Track]
) -> None:
    form = {"track": [str(tracks[0].pk)], "do": "put", "into": ""}
    answer = signed_in(lead).post(at("tracks-change", lead), form)
    assert answer.status_code == 422
    html = answer.content.decode()
    assert "It does not say which crate." in html
    assert len(re.findall(r'name="track" value="[^"]+" checked', html)) == 1
    assert "No track is chosen" in signed_in(lead).post(at("tracks-change", lead), {"do": "release"}).content.decode()
    assert signed_in(newcomer).post(at("tracks-change", newcomer), form).status_code == 403
    give = {"track": form["track"], "do": "assign", "to": str(newcomer.pk)}
    assert signed_in(resident).post(at("tracks-change", resident), give).status_code == 403
    assert not Claim.objects.exists()
    signed_in(lead).post(at("tracks-change", lead), give)
    assert Claim.objects.get().holder_id == newcomer.user_id
    for odd in (
        {"do": "burn", "track": form["track"]},
        {"do": "put", "track": ["x"], "query": "tempo_from=" + quote("☃")},
    ):
        assert signed_in(lead).post(at("tracks-change", lead), odd).status_code == 422
