"""The whole job over the API, the workers' part apart: it is done here as a worker's finish does it."""

from __future__ import annotations

import csv
import io
from collections.abc import Callable
from typing import Any

import pytest
from django.core.files.uploadedfile import SimpleUploadedFile

from crewprep.analysis.services import store_analysis
from crewprep.crews.models import Membership
from crewprep.jobs.models import Job, JobState
from crewprep.tracks.models import Track
from tests import factories
from tests.api.conftest import Crewed
from tests.api.contract import Caller
from tests.factories.music import convention_document
from tests.factories.people import PASSWORD

pytestmark = pytest.mark.django_db
AsMember = Callable[[Membership], Caller]


def markers_of(track: Track) -> list[dict[str, Any]]:
    analysis = track.analyses.first()
    assert analysis is not None
    return [
        {"slot": marker.slot, "start_us": marker.start_us, "end_us": marker.end_us, "label": ""}
        for marker in factories.eight_markers(analysis)
    ]


def test_from_sign_in_to_the_file(db: None) -> None:
    lead = factories.crew_with()
    author, reviewer = factories.member_of(lead.crew), factories.member_of(lead.crew)

    def signed_in(member: Membership) -> Caller:
        answer = Caller().post("/api/v1/tokens/", {"username": member.user.username, "password": PASSWORD})
        assert answer.status_code == 201
        return Caller(answer.json()["token"])

    by_lead, by_author, by_reviewer = signed_in(lead), signed_in(author), signed_in(reviewer)
    (crew,) = by_author.get("/api/v1/crews/").json()
    base = f"/api/v1/crews/{crew['slug']}/"

    convention = by_lead.post(f"{base}conventions/", convention_document())
    assert convention.status_code == 201
    crate = by_author.post(f"{base}crates/", {"name": "Friday", "night": "2027-03-05"})
    assert (crate.status_code, crate.json()["convention"]["id"]) == (201, convention.json()["id"])

    uploaded = by_author.upload(
        f"{base}crates/{crate.json()['id']}/tracks/",
        audio=SimpleUploadedFile("Invented_tune.wav", factories.wav_bytes(), content_type="audio/wav"),
    )
    assert uploaded.status_code == 202
    assert uploaded.json()["state"] == "checking"
    job = by_author.get(f"{base}jobs/{uploaded.json()['job']['id']}/").json()
    assert (job["state"], job["kind"]) == ("queued", "analyse")

    track = work_done(Job.objects.get(pk=job["id"]))
    track_url = f"{base}tracks/{track.pk}/"
    assert by_author.get(track_url).json()["analysis"]["tempo_bpm"] == 128.0
    facts = by_author.get(f"{track_url}analysis/").json()
    assert facts["beats_s"][0] == 0.25
    factories.draft(track, crate_version := track.crates.get().convention_version)
    draft = by_author.get(f"{track_url}draft/?convention={crate_version.pk}").json()
    assert draft["empty"] == [{"slot": 7, "reason": "Free slots are left to you."}]

    corrected = [{name: marker[name] for name in ("slot", "start_us", "end_us")} for marker in draft["markers"]]
    corrected[0]["start_us"] += 1_875_000
    proposed = by_author.post(
        f"{base}proposals/", {"track": str(track.pk), "markers": corrected, "note": "One bar later."}
    )
    assert proposed.status_code == 201
    assert [change["kind"] for change in proposed.json()["changes"]] == ["moved"] + ["kept"] * 6
    assert proposed.json()["changes"][0]["moved_us"] == 1_875_000

    (waiting,) = by_reviewer.get(f"{base}proposals/?state=open").json()["results"]
    proposal_url = f"{base}proposals/{waiting['id']}/"
    digest = by_reviewer.get(proposal_url).json()["digest"]
    approved = by_reviewer.post(
        f"{proposal_url}approve/", {"note": "Good.", "digest": digest}, revision=waiting["revision"]
    )
    assert (approved.status_code, approved.json()["sheet_version"]) == (200, 1)

    sheet = by_author.get(f"{track_url}sheet/").json()
    assert sheet["markers"][0]["start_s"] == 0.25 + 1.875
    assert sheet["sheet"]["approved_by"] == str(reviewer.user)
    table = by_author.get(f"{track_url}sheet.csv", Accept="text/csv")
    rows = list(csv.DictReader(io.StringIO(table.content.decode(), newline="")))
    assert [(row["slot"], float(row["start_s"])) for row in rows] == [
        (str(marker["slot"]), marker["start_s"]) for marker in sheet["markers"]
    ]


def work_done(job: Job) -> Track:
    """Finish an analysis as a worker does, with made-up facts."""
    from django.db import transaction

    from analysis_worker.core.results import Decode

    result = factories.analysis_result()
    Job.objects.filter(pk=job.pk).update(state=JobState.DONE)
    with transaction.atomic():
        store_analysis(
            job=job, decode=Decode("test", "1", 0, 44_100, 2, result.duration_us * 441 // 10_000, "0" * 64),
            facts=result.to_facts(), proxy_key="", peaks_key="", warnings=("audio:truncated",), title="", artist="",
        )  # fmt: skip
    return Track.objects.get(pk=job.track_id)


def test_lists_come_in_pages(crewed: Crewed, as_member: AsMember) -> None:
    made = [factories.track(crewed.author, crewed.crate) for _ in range(3)]
    by_author = as_member(crewed.author)

    first = by_author.get(f"{crewed.base}tracks/?page_size=2").json()
    second = by_author.get(f"{crewed.base}tracks/?page_size=2&page=2").json()

    assert (first["count"], len(first["results"]), len(second["results"])) == (3, 2, 1)
    assert {track["id"] for page in (first, second) for track in page["results"]} == {str(t.pk) for t in made}
    assert by_author.get(f"{crewed.base}tracks/?page=3&page_size=2").status_code == 404


def test_tracks_by_crate_and_state(crewed: Crewed, as_member: AsMember) -> None:
    waiting = factories.track(crewed.author, crewed.crate)
    ready = factories.analysed_track(crewed.author, factories.crate(crewed.lead, "Another"))
    by_author = as_member(crewed.author)

    in_crate = by_author.get(f"{crewed.base}tracks/?crate={crewed.crate.pk}").json()["results"]
    by_state = by_author.get(f"{crewed.base}tracks/?state=ready").json()["results"]

    assert [track["id"] for track in in_crate] == [str(waiting.pk)]
    assert [track["id"] for track in by_state] == [str(ready.pk)]
    assert by_author.get(f"{crewed.base}tracks/?state=lost").status_code == 422


def test_a_crate_shows_its_tracks_in_order_with_few_queries(
    crewed: Crewed, as_member: AsMember, django_assert_max_num_queries: Any
) -> None:
    made = [factories.analysed_track(crewed.author, crewed.crate) for _ in range(5)]
    by_author = as_member(crewed.author)
    with django_assert_max_num_queries(11):
        crate = by_author.get(f"{crewed.base}crates/{crewed.crate.pk}/").json()
    assert [track["id"] for track in crate["tracks"]] == [str(track.pk) for track in made]
    (listed,) = by_author.get(f"{crewed.base}crates/").json()
    assert (listed["track_count"], listed["sheet_count"]) == (5, 0)


def test_refusals_of_audio_carry_their_sentence(crewed: Crewed, as_member: AsMember) -> None:
    track = factories.track(crewed.author, crewed.crate)
    Track.objects.filter(pk=track.pk).update(state="refused", refusal_code="audio:too-short")
    shown = as_member(crewed.author).get(f"{crewed.base}tracks/{track.pk}/").json()
    assert shown["refusal"]["code"] == "audio:too-short"
    assert "second" in shown["refusal"]["detail"]


def test_what_is_not_audio_is_refused_at_once(crewed: Crewed, as_member: AsMember) -> None:
    url = f"{crewed.base}crates/{crewed.crate.pk}/tracks/"
    answer = as_member(crewed.author).upload(url, audio=SimpleUploadedFile("tune.mp3", b"ffconcat version 1.0\n"))
    assert (answer.status_code, answer.json()["code"]) == (422, "audio:not-audio")
    assert as_member(crewed.author).upload(url, other="x").json()["code"] == "upload:name-missing"
    assert not Track.objects.exists()


def test_members_and_conventions(crewed: Crewed, as_member: AsMember) -> None:
    by_newcomer = as_member(crewed.newcomer)
    assert {member["role"] for member in by_newcomer.get(f"{crewed.base}members/").json()} == {
        "lead", "resident", "newcomer",
    }  # fmt: skip
    assert by_newcomer.get(crewed.base).json()["role"] == "newcomer"
    (listed,) = by_newcomer.get(f"{crewed.base}conventions/").json()
    shown = by_newcomer.get(f"{crewed.base}conventions/{listed['id']}/").json()
    assert shown["document"] == convention_document()


def test_a_convention_document_goes_in_as_it_came_out(crewed: Crewed, as_member: AsMember) -> None:
    by_lead = as_member(crewed.lead)
    url = f"{crewed.base}conventions/"
    first = by_lead.get(f"{url}{crewed.convention.pk}/").json()
    again = by_lead.post(url, first["document"])
    assert (again.status_code, again.json()["version"]) == (201, first["version"] + 1)
    assert again.json()["document"] == first["document"]
    assert as_member(crewed.author).post(url, first["document"]).json()["code"] == "crew:lead-only"
    document = first["document"]
    asked = [{**slot, **({"labels": ["Bells", "choir"]} if slot["number"] == 7 else {})} for slot in document["slots"]]
    third = by_lead.post(url, {**document, "slots": asked})
    assert third.json()["document"]["slots"] == asked
    (differs,) = by_lead.get(f"{url}{third.json()['id']}/compare/").json()
    assert (differs["kinds"], differs["old"]["labels"], differs["new"]["labels"]) == (
        ["labels"],
        [],
        ["Bells", "choir"],
    )
    asked[6]["labels"] = ["Bells", "bells"]
    refused = by_lead.post(url, {**document, "slots": asked})
    assert (refused.status_code, refused.json()["code"]) == (422, "convention:invalid")
    asked[6]["labels"] = [str(number) for number in range(13)]
    assert by_lead.post(url, {**document, "slots": asked}).status_code == 422
    broken = {**first["document"], "slots": first["document"]["slots"][::-1]}
    assert by_lead.post(url, broken).json()["code"] == "convention:invalid"
