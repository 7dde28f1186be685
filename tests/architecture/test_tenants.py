"""Nothing of a crew is visible to another (goals T1, T2 and T4 of the design for reliability).

Each test of a guard has a control: with the guard taken away it must report the leak.
"""

from __future__ import annotations

from typing import Any
from uuid import UUID

import pytest
from django.test import Client

from crewprep.common.errors import NotFound
from crewprep.crates.models import Crate, CrateTrack
from crewprep.crates.selectors import crates_of
from crewprep.jobs.models import Job
from crewprep.review.models import Proposal
from crewprep.sheets.models import Draft, SheetVersion
from crewprep.tracks.models import Track
from tests import factories
from tests.architecture.crews import checked, fingerprint, joined_crews
from tests.architecture.routes import Route, crew_routes
from tests.architecture.walk import call, leaks
from tests.architecture.world import CrewWorld

API = "/api/v1/crews/"


def signed_in(member: Any) -> Client:
    client = Client()
    client.force_login(member.user)
    return client


@pytest.mark.embedded_only
@pytest.mark.parametrize(
    ("role", "methods"),
    [
        ("lead", ("GET", "POST", "PUT", "DELETE")),
        ("resident", ("GET", "POST", "PUT")),
        ("newcomer", ("GET", "POST", "PUT")),
    ],
)
def test_another_crews_things_look_like_none(
    role: str, methods: tuple[str, ...], ours: CrewWorld, theirs: CrewWorld
) -> None:
    before = fingerprint(theirs.crew), fingerprint(ours.crew)
    assert leaks(signed_in(ours.member(role)), crew_routes(), ours, theirs, methods) == []
    assert (fingerprint(theirs.crew), fingerprint(ours.crew)) == before


def test_a_stranger_in_no_crew_sees_neither(ours: CrewWorld, theirs: CrewWorld) -> None:
    client = Client()
    client.force_login(factories.user("stranger"))
    for route in crew_routes():
        for method in ("GET", "POST"):
            answers = {call(client, method, route, world.values()) for world in (ours, theirs)}
            assert [answer.status for answer in answers] in ([404], [405]), f"{method} {route.pattern}"


def unlocked(model: Any) -> Any:
    """A door without a lock: it hands out any crew's row."""

    def door(member: Any, row_id: UUID) -> Any:
        row = model.objects.filter(pk=row_id).first()
        if row is None:
            raise NotFound
        return row

    return door


@pytest.mark.parametrize(
    ("door", "model", "route_end"),
    [
        ("crewprep.api.v1.tracks.track_for", Track, "tracks/<uuid:track>/"),
        ("crewprep.api.v1.jobs.job_for", Job, "jobs/<uuid:job>/"),
        ("crewprep.web.audio.track_for", Track, "audio/"),
        ("crewprep.web.review.proposal_for", Proposal, "proposals/<uuid:proposal_id>/"),
        ("crewprep.web.crates.crate_for", Crate, "crates/<uuid:crate_id>/"),
    ],
)
def test_an_unlocked_door_is_found(
    door: str, model: Any, route_end: str, ours: CrewWorld, theirs: CrewWorld, monkeypatch: pytest.MonkeyPatch
) -> None:
    suspects: list[Route] = [route for route in crew_routes() if route.pattern.endswith(route_end)]
    assert suspects
    client = signed_in(ours.lead)
    assert leaks(client, suspects, ours, theirs) == []
    monkeypatch.setattr(door, unlocked(model))
    assert any("answered 200" in leak for leak in leaks(client, suspects, ours, theirs))


def test_a_telling_refusal_is_found(ours: CrewWorld, theirs: CrewWorld, monkeypatch: pytest.MonkeyPatch) -> None:
    """A 404 that reads otherwise for another crew's thing tells that it is there."""

    def telling(member: Any, track_id: UUID) -> Track:
        track: Track = unlocked(Track)(member, track_id)
        if track.crew_id != member.crew_id:
            raise NotFound("analysis:none")
        return track

    suspects = [route for route in crew_routes() if route.pattern.endswith("tracks/<uuid:track>/")]
    monkeypatch.setattr("crewprep.api.v1.tracks.track_for", telling)
    assert any("differs" in leak for leak in leaks(signed_in(ours.lead), suspects, ours, theirs))


# Ids in bodies and filters.


def test_ids_in_bodies_go_through_the_doors(ours: CrewWorld, theirs: CrewWorld) -> None:
    client = signed_in(ours.lead)
    base = f"{API}{ours.crew.slug}/"
    markers = [{"slot": 1, "start_us": 0}]
    own = factories.analysed_track(ours.lead, ours.crate)
    nothing = "00000000-0000-4000-8000-000000000000"

    def post(path: str, **body: Any) -> tuple[int, Any]:
        answer = client.post(base + path, body, content_type="application/json")
        return answer.status_code, answer.json()

    for path, body, name in (
        ("proposals/", {"track": theirs.track.pk, "markers": markers}, "track"),
        ("proposals/", {"track": own.pk, "convention": theirs.version.pk, "markers": markers}, "convention"),
        ("crates/", {"name": "Friday", "convention": theirs.version.pk}, "convention"),
    ):
        assert post(path, **body) == post(path, **{**body, name: nothing})
        assert post(path, **body)[0] == 404
    # The control: the same bodies with our own ids are taken.
    assert post("crates/", name="Friday", convention=ours.version.pk)[0] == 201
    assert (
        post("proposals/", track=own.pk, convention=ours.version.pk, markers=markers, override_reason="one marker")[0]
        == 201
    )


@pytest.mark.parametrize(
    ("path", "name", "thing"),
    [
        ("tracks/", "crate", "crate"),
        ("proposals/", "track", "track"),
        ("tracks/{track}/draft/", "convention", "version"),
    ],
)
def test_ids_in_filters_go_through_the_doors(
    path: str, name: str, thing: str, ours: CrewWorld, theirs: CrewWorld
) -> None:
    client = signed_in(ours.lead)
    url = f"{API}{ours.crew.slug}/" + path.format(track=ours.track.pk)
    other = client.get(url, {name: str(getattr(theirs, thing).pk)})
    none = client.get(url, {name: "00000000-0000-4000-8000-000000000000"})
    assert (other.status_code, other.json()) == (none.status_code, none.json())
    assert other.status_code == 404
    assert client.get(url, {name: str(getattr(ours, thing).pk)}).status_code == 200


def test_forms_that_name_another_crews_things_change_nothing(ours: CrewWorld, theirs: CrewWorld) -> None:
    """Every form of every page, filled with their ids under every name that our pages and bodies use."""
    names = {
        "track": theirs.track.pk, "tracks": theirs.track.pk, "crate": theirs.crate.pk, "proposal": theirs.proposal.pk,
        "convention": theirs.version.pk, "version": theirs.version.pk, "job": theirs.job.pk,
        "convention_version": theirs.version.pk, "analysis": theirs.sheet.analysis_id, "base": theirs.sheet.pk,
        "name": "Friday", "note": "x", "do": "approve", "seen_revision": "1", "revision": "1",
    }  # fmt: skip
    form = {name: str(value) for name, value in names.items()}
    client = signed_in(ours.lead)
    before = fingerprint(theirs.crew)
    for route in crew_routes():
        if not route.pattern.startswith("api/"):
            answer = call(client, "POST", route, ours.values(), form)
            assert theirs.word not in answer.body, route.pattern
    assert fingerprint(theirs.crew) == before
    assert joined_crews() == []
    assert not CrateTrack.objects.filter(crate__crew=ours.crew, track=theirs.track).exists()


def test_counts_are_of_ones_own(ours: CrewWorld, theirs: CrewWorld) -> None:
    client = signed_in(ours.newcomer)
    base = f"{API}{ours.crew.slug}/"
    for path in ("tracks/", "proposals/", "proposals/?state=approved"):
        assert client.get(base + path).json()["count"] == (2 if path == "proposals/" else 1)
    assert [crew["slug"] for crew in client.get(API).json()] == [ours.crew.slug]
    assert crates_of(ours.lead).count() == 1


# Rows.


def test_no_row_joins_two_crews(ours: CrewWorld, theirs: CrewWorld) -> None:
    assert joined_crews() == []


def test_the_search_covers_every_table_that_could_join_two() -> None:
    assert {model.__name__ for model in checked()} >= {
        "Analysis", "ConventionVersion", "Copy", "Crate", "CrateTrack", "Draft", "Job", "Proposal", "SheetVersion",
    }  # fmt: skip


def test_a_row_that_joins_two_crews_is_found(ours: CrewWorld, theirs: CrewWorld) -> None:
    CrateTrack.objects.create(crate=ours.crate, track=theirs.track, position=9)
    Draft.objects.update(convention_version=theirs.version)
    SheetVersion.objects.filter(pk=ours.sheet.pk).update(crew=theirs.crew)
    Proposal.objects.filter(pk=ours.proposal.pk).update(base=theirs.sheet)
    found = " ".join(joined_crews())
    for name in ("CrateTrack", "Draft", "SheetVersion", "Proposal"):
        assert name in found
