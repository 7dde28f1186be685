"""Whatever shows a newcomer markers of a track is noted, so that no drill is on what they have seen."""

from __future__ import annotations

import pytest
from django.db import connection
from django.test import Client
from django.test.utils import CaptureQueriesContext
from django.utils import timezone

from crewprep.crews.models import Membership
from crewprep.onboarding.models import BlindSheet, DoubleMarking, Sight
from crewprep.onboarding.sights import note_sight
from tests import factories
from tests.architecture.routes import Route, crew_routes
from tests.architecture.world import CrewWorld, make_crew

pytestmark = pytest.mark.django_db

_CREW, _API = "c/<slug:crew>/", "api/v1/crews/<slug:crew>/"
_PLACE = f"{_CREW}crates/<uuid:crate_id>/tracks/<uuid:track_id>/"
_TRACK, _OUR_TRACK = f"{_API}tracks/<uuid:track>/", f"{_CREW}tracks/<uuid:track_id>/"

SHOWS_MARKERS = {
    _PLACE,
    f"{_PLACE}print/",
    f"{_OUR_TRACK}sheets/",
    f"{_OUR_TRACK}sheet.json",
    f"{_OUR_TRACK}sheet.csv",
    f"{_CREW}proposals/<uuid:proposal_id>/",
    f"{_TRACK}draft/",
    f"{_TRACK}sheet/",
    f"{_TRACK}sheet.csv",
    f"{_API}proposals/<uuid:proposal>/",
    f"{_API}proposals/<uuid:proposal>/merge/",
}
"""Routes that answer a GET with markers of the track that their address names, or whose proposal it names."""

SHOWS_NONE = {
    f"{_PLACE}state/",
    f"{_OUR_TRACK}about/",
    f"{_OUR_TRACK}copies/",
    f"{_OUR_TRACK}audio/",
    f"{_OUR_TRACK}peaks/",
    f"{_OUR_TRACK}clip/<int:start_us>-<int:end_us>.wav",
    _TRACK,
    f"{_TRACK}analysis/",
    f"{_TRACK}claim/",
    f"{_TRACK}copies/",
    f"{_TRACK}sheets/",
}

_NAMES_A_TRACK = {"track", "track_id", "proposal", "proposal_id"}


@pytest.fixture
def world() -> CrewWorld:
    return make_crew("amber")


def signed_in(member: Membership) -> Client:
    client = Client()
    client.force_login(member.user)
    return client


def look(client: Client, route: Route, world: CrewWorld) -> int:
    """GET a route of the crew's own things to the end; the status."""
    response = client.get(route.path(world.values()))
    response.getvalue()  # a file is closed once it is read
    return response.status_code


def readable(world: CrewWorld) -> list[Route]:
    """The routes whose address names a track or a proposal and that answer a GET."""
    client = signed_in(world.newcomer)
    named = [route for route in crew_routes() if _NAMES_A_TRACK & set(route.arguments)]
    return [route for route in named if look(client, route, world) == 200]


def test_every_route_about_a_track_is_known_to_show_markers_or_not(world: CrewWorld) -> None:
    assert {route.pattern for route in readable(world)} == SHOWS_MARKERS | SHOWS_NONE, (
        "A new route about a track: if it shows markers, call see_markers in it; then name it here."
    )


def test_a_newcomer_who_looks_has_seen_the_track(world: CrewWorld) -> None:
    client = signed_in(world.newcomer)
    for route in readable(world):
        Sight.objects.all().delete()
        look(client, route, world)
        seen = list(Sight.objects.values_list("membership", "track"))
        assert seen == ([(world.newcomer.pk, world.track.pk)] if route.pattern in SHOWS_MARKERS else []), route.pattern


def test_what_leads_and_residents_see_is_nobodys_business(world: CrewWorld) -> None:
    for member in (world.lead, world.resident):
        client = signed_in(member)
        for route in readable(world):
            look(client, route, world)
    assert not Sight.objects.exclude(membership=world.newcomer).exists()


def test_a_sight_is_one_statement_and_none_for_others(lead: Membership, newcomer: Membership) -> None:
    tracks = [factories.track(lead).pk for _ in range(3)]
    with CaptureQueriesContext(connection) as asked:
        note_sight(newcomer, [*tracks, *tracks])
    assert len(asked) == 1
    assert Sight.objects.filter(membership=newcomer).count() == 3
    with CaptureQueriesContext(connection) as asked:
        note_sight(lead, tracks)
        note_sight(newcomer, [])
    assert len(asked) == 0


def test_seeing_a_track_again_changes_nothing(lead: Membership, newcomer: Membership) -> None:
    track = factories.track(lead)
    note_sight(newcomer, [track.pk])
    note_sight(newcomer, [track.pk])
    assert Sight.objects.get().track == track


def test_whoever_has_to_mark_a_track_unseen_is_kept_from_its_markers(world: CrewWorld) -> None:
    other = factories.member_of(world.crew)
    routes = [route for route in crew_routes() if route.pattern in SHOWS_MARKERS]
    marking = DoubleMarking.objects.create(
        crew=world.crew, name="June", convention_version=world.version, made_by=world.lead.user
    )
    sheet = BlindSheet.objects.create(
        crew=world.crew, double_marking=marking, track=world.track, by=world.resident.user,
        analysis=world.track.analyses.get(),
    )  # fmt: skip
    before = {route.pattern: look(signed_in(other), route, world) for route in routes}

    def seen() -> dict[str, int]:
        return {route.pattern: look(signed_in(world.resident), route, world) for route in routes}

    assert {seen()[pattern] for pattern, status in before.items() if status == 200} == {403}
    assert {route.pattern: look(signed_in(other), route, world) for route in routes} == before
    BlindSheet.objects.filter(pk=sheet.pk).update(handed_in_at=timezone.now())
    assert seen() == before
    BlindSheet.objects.filter(pk=sheet.pk).update(handed_in_at=None)
    DoubleMarking.objects.filter(pk=marking.pk).update(closed_at=timezone.now())
    assert seen() == before


def test_nothing_can_be_done_with_a_proposal_whose_track_is_to_be_marked_unseen(world: CrewWorld) -> None:
    """Every such answer shows the proposal's markers."""
    marking = DoubleMarking.objects.create(
        crew=world.crew, name="July", convention_version=world.version, made_by=world.lead.user
    )
    BlindSheet.objects.create(
        crew=world.crew, double_marking=marking, track=world.track, by=world.resident.user,
        analysis=world.track.analyses.get(),
    )  # fmt: skip
    client, done = signed_in(world.resident), 0
    for route in crew_routes():
        if not route.pattern.startswith(f"{_API}proposals/<uuid:proposal>/"):
            continue
        for method in ("post", "put", "delete"):
            response = getattr(client, method)(route.path(world.values()), content_type="application/json")
            if response.status_code != 405:
                assert response.status_code == 403, (method, route.pattern)
                assert response.json()["code"] == "double:unseen-first", (method, route.pattern)
                done += 1
    assert done >= 10
