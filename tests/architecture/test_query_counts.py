"""How many questions each page of a crew asks the database: as many for many tracks as for few, no more than written.

``query_counts.json`` holds the number for each route that answers a GET. Where a page needs another question, write the
file anew and let the review see it: ``CREWPREP_WRITE_QUERY_COUNTS=1 pytest tests/architecture/test_query_counts.py``.
"""

from __future__ import annotations

import json
import os
from collections.abc import Iterable
from pathlib import Path

import pytest
from django.db import connection, transaction
from django.test import Client
from django.test.utils import CaptureQueriesContext

from crewprep.preparation.services import claim_track
from crewprep.review.services import RemarkInput, approve_proposal, return_proposal
from crewprep.tracks.models import Track
from tests import factories
from tests.architecture.routes import Route, crew_routes
from tests.architecture.world import CrewWorld
from tests.bench import library_seed
from tests.bench.library_bench import pages

FILE = Path(__file__).with_name("query_counts.json")
HOW = "CREWPREP_WRITE_QUERY_COUNTS=1 pytest tests/architecture/test_query_counts.py"
FEW, MANY = 6, 40


def grow(world: CrewWorld, tracks: int) -> None:
    """More tracks for a crew's crate, in every state, until it has so many."""
    lead, resident, crate = world.lead, world.resident, world.crate
    for number in range(tracks - Track.objects.filter(crew=world.crew).count()):
        if number % 6 == 0:
            factories.track(resident, crate)
            continue
        track = factories.analysed_track(resident, crate)
        if number % 6 == 1:
            continue
        factories.draft(track, crate.convention_version)
        if number % 6 == 2:
            claim_track(member=resident, track=track)
            continue
        proposal = factories.proposal(resident, made=track, into=crate)
        if number % 6 == 4:
            approve_proposal(member=lead, proposal=proposal, seen_revision=1)
        if number % 6 == 5:
            return_proposal(member=lead, proposal=proposal, seen_revision=1, remarks=[RemarkInput(2, "a bar later")])


def counted(client: Client, routes: Iterable[Route], world: CrewWorld) -> dict[str, int]:
    """Questions of each route that answers a GET with 200. The first look brings up to date what has changed, and
    fills what a process keeps; the second is what every further one costs."""
    found = {}
    for route in routes:
        path = route.path(world.values())
        first = client.get(path)
        first.getvalue()  # a file is closed once it is read
        if first.status_code != 200:
            continue
        with CaptureQueriesContext(connection) as asked:
            client.get(path).getvalue()
        found[route.pattern] = len(asked)
    return found


def differing(few: dict[str, int], many: dict[str, int]) -> dict[str, tuple[int, int]]:
    """Routes whose number of questions follows the number of tracks."""
    return {pattern: (few[pattern], many[pattern]) for pattern in few if few[pattern] != many[pattern]}


@pytest.fixture
def client(ours: CrewWorld) -> Client:
    signed_in = Client()
    signed_in.force_login(ours.lead.user)
    return signed_in


def test_pages_ask_a_fixed_number_of_questions(client: Client, ours: CrewWorld) -> None:
    grow(ours, FEW)
    few = counted(client, crew_routes(), ours)
    grow(ours, MANY)
    many = counted(client, crew_routes(), ours)
    assert differing(few, many) == {}, f"These ask more often for {MANY} tracks than for {FEW}."
    if os.environ.get("CREWPREP_WRITE_QUERY_COUNTS"):
        FILE.write_text(json.dumps(dict(sorted(few.items())), indent=1) + "\n", encoding="utf-8")
    written = json.loads(FILE.read_text(encoding="utf-8"))
    assert few.keys() == written.keys(), f"Routes have come or gone. Write the file anew: {HOW}"
    over = {pattern: (written[pattern], count) for pattern, count in few.items() if count > written[pattern]}
    assert over == {}, f"These ask more than is written. Ask less, or write the file anew: {HOW}"


def test_a_page_that_asks_for_each_track_is_found(
    client: Client, ours: CrewWorld, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The control."""
    home = [route for route in crew_routes() if route.pattern == "c/<slug:crew>/"]

    def careless(member: object) -> list[object]:
        return [copy for track in Track.objects.filter(crew=ours.crew) for copy in track.copies.filter(format="")]

    monkeypatch.setattr("crewprep.web.home.recent", careless)
    few = counted(client, home, ours)
    grow(ours, 3)
    assert differing(few, counted(client, home, ours)) != {}


@pytest.mark.embedded_only
def test_lists_ask_as_often_at_ten_thousand_tracks(db: None) -> None:
    """The pages and the data of ``tests/bench``: crate, queue, boards, search, checks. With the two
    hundred tracks no list is empty; an empty one asks less."""

    def asked(tracks: int) -> dict[str, int]:
        with transaction.atomic():
            made = library_seed.seed(tracks)
            client, found = Client(), {}
            client.cookies["sessionid"] = made["session"]
            for name, path in pages(made).items():
                assert client.get(path).status_code == 200, name
                with CaptureQueriesContext(connection) as questions:
                    client.get(path)
                found[name] = len(questions)
            transaction.set_rollback(True)
        return found

    few, many = asked(200), asked(library_seed.TRACKS)
    assert {name: (few[name], many[name]) for name in few if many[name] != few[name]} == {}
