"""The library by the API: searched and gone through by cursor, searches that are kept, changes of many tracks."""

from __future__ import annotations

import uuid
from collections.abc import Callable
from typing import Any

import pytest

from crewprep.crates.models import CrateTrack
from crewprep.crews.models import Membership
from crewprep.library.models import Stand, TrackStanding
from crewprep.library.search import SORT_CHOICES
from crewprep.preparation.services import claim_track
from crewprep.tracks.models import Track
from tests import factories
from tests.api.conftest import Crewed
from tests.api.contract import Caller

As = Callable[[Membership], Caller]


def stand(crewed: Crewed, number: int) -> None:
    track = Track.objects.create(crew=crewed.lead.crew, title=f"tune {number % 4}", artist="The Øre")
    TrackStanding.objects.create(
        crew=crewed.lead.crew, track=track, seen_revision=1, state=list(Stand)[number % 3], sort_title=track.title,
        sort_artist="the ore", added_at=track.created_at, tempo_bpm=[None, 99.5, 128.0][number % 3],
        loudness_lufs=[None, -9.1][number % 2], confidence=0.5, key_name="A minor", duration_us=[1, None][number % 2],
    )  # fmt: skip


@pytest.mark.parametrize("sort", SORT_CHOICES)
def test_a_cursor_goes_through_everything_once_in_order(crewed: Crewed, as_member: As, sort: str) -> None:
    for number in range(13):
        stand(crewed, number)
    caller, path = as_member(crewed.newcomer), f"{crewed.base}library/?sort={sort}&limit="
    whole = [row["id"] for row in caller.get(path + "200").json()["results"]]
    seen, cursor = [], ""
    while True:
        part = caller.get(path + "4" + (f"&cursor={cursor}" if cursor else "")).json()
        assert part["count"] == 13
        seen += [row["id"] for row in part["results"]]
        cursor = part["next"]
        if cursor is None:
            break
    assert seen == whole
    assert len(set(seen)) == 13


def test_filters_and_what_a_track_says_of_itself(crewed: Crewed, as_member: As) -> None:
    track = factories.analysed_track(crewed.author, crewed.crate)
    Track.objects.filter(pk=track.pk).update(title="Élan")
    factories.draft(track, crewed.convention)
    claim_track(member=crewed.author, track=track)
    caller, base = as_member(crewed.reviewer), f"{crewed.base}library/"

    def ids(query: str) -> list[str]:
        return [row["id"] for row in caller.get(base + query).json()["results"]]

    (row,) = caller.get(base).json()["results"]
    assert (row["title"], row["state"], row["tempo_bpm"], row["key"], row["confidence"], row["broken_checks"]) == (
        "Élan", "drafted", 128.0, "A minor", 0.8, [],
    )  # fmt: skip
    assert row["claim"]["holder"]["username"] == crewed.author.user.username
    mine = [str(track.pk)]
    holder = crewed.author.user.username
    for query in (
        "?q=elan", "?state=drafted&state=open", "?tempo_from=128&tempo_to=128", f"?holder={holder}", "?holder=anybody",
        f"?crate={crewed.crate.pk}", "?key=A minor&level_to=-9&confidence_from=0.8",
    ):  # fmt: skip
        assert ids(query) == mine, query
    for query in ("?q=other", "?state=open", "?holder=nobody", "?check=any", "?confidence_to=0.7"):
        assert ids(query) == [], query
    refusals: dict[str, int] = {
        f"?crate={uuid.uuid4()}": 404, "?holder=stranger": 404, "?key=H moll": 422, "?sort=luck": 422,
        "?cursor=nonsense": 422, "?cursor=W10": 422,
    }  # fmt: skip
    answers: dict[str, Any] = {query: caller.get(base + query).status_code for query in refusals}
    assert {query: 422 if status == 400 else status for query, status in answers.items()} == refusals


def test_searches_are_kept(crewed: Crewed, as_member: As) -> None:
    path = f"{crewed.base}library/searches/"
    made = as_member(crewed.author).post(path, {"name": "fast", "query": "tempo_from=170", "shared": True})
    assert made.status_code == 201
    assert as_member(crewed.author).post(path, {"name": "fast", "query": ""}).json()["code"] == "search:name-taken"
    assert [one["name"] for one in as_member(crewed.newcomer).get(path).json()] == ["fast"]
    one = f"{path}{made.json()['id']}/"
    assert as_member(crewed.newcomer).call("delete", one).status_code == 403
    assert as_member(crewed.lead).call("delete", one).status_code == 204


def test_many_tracks_are_changed_and_it_is_taken_back(crewed: Crewed, as_member: As) -> None:
    tracks = [str(factories.analysed_track(crewed.lead, crewed.crate).pk) for _ in range(2)]
    friday = factories.crate(crewed.lead, "Friday")
    path = f"{crewed.base}library/changes/"
    body = {"do": "put", "tracks": tracks, "crate": str(friday.pk)}
    assert as_member(crewed.newcomer).post(path, body).status_code == 403
    assert as_member(crewed.author).post(path, {**body, "tracks": [str(uuid.uuid4())]}).status_code == 404
    assert as_member(crewed.author).post(path, {"do": "put", "tracks": tracks}).json()["code"] == "bulk:crate-missing"
    done = as_member(crewed.author).post(path, body)
    assert (done.status_code, sorted(done.json()["changed"])) == (201, sorted(tracks))
    assert done.json()["words"] == "2 tracks put into “Friday”."
    undo = f"{path}{done.json()['id']}/undo/"
    assert as_member(crewed.lead).post(undo).status_code == 404
    assert as_member(crewed.author).post(undo).json() == {"back": 2, "left": 0}
    assert as_member(crewed.author).post(undo).json()["code"] == "bulk:undone"
    assert not CrateTrack.objects.filter(crate=friday).exists()
