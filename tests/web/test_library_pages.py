"""A track in the library: tags, copies, and the same audio brought in twice."""

from __future__ import annotations

from typing import Any

import pytest
from django.core.files.uploadedfile import SimpleUploadedFile
from django.test import Client
from django.urls import reverse

from crewprep.crews.models import Membership, Role
from crewprep.jobs.models import Job, JobKind, JobState
from crewprep.tracks.models import Copy, Track, TrackState
from tests import factories

pytestmark = pytest.mark.django_db


def signed_in(member: Membership) -> Client:
    client = Client()
    client.force_login(member.user)
    return client


def at(name: str, member: Membership, *more: Any) -> str:
    return reverse(name, args=[member.crew.slug, *more])


def test_tags_are_written_on_a_page(lead: Membership) -> None:
    track = factories.analysed_track(lead)
    client, page = signed_in(lead), at("track-about", lead, track.pk)
    seen = {"seen_title": track.title, "seen_artist": ""}
    done = client.post(page, {**seen, "title": "Warm Rain", "artist": "Lamp Post"}, follow=True)
    assert "The tags are changed." in done.content.decode()
    assert "became “Warm Rain”" in done.content.decode()

    late = client.post(page, {**seen, "title": "Cold Rain", "artist": ""})
    assert late.status_code == 409
    text = late.content.decode()
    assert "Somebody wrote other tags" in text
    assert 'value="Cold Rain"' in text
    assert 'name="seen_title" value="Warm Rain"' in text
    empty = client.post(page, {"seen_title": "Warm Rain", "seen_artist": "Lamp Post", "title": " ", "artist": ""})
    assert (empty.status_code, "needs a title" in empty.content.decode()) == (422, True)


def test_a_newcomer_reads_why_not(lead: Membership) -> None:
    newcomer = factories.member_of(lead.crew, Role.NEWCOMER)
    track = factories.analysed_track(lead)
    page = signed_in(newcomer).get(at("track-about", lead, track.pk)).content.decode()
    assert "Only leads, residents and whoever brought a track in" in page
    assert 'name="title"' not in page


def test_a_known_file_is_told_in_one_sentence(lead: Membership) -> None:
    crate, content = factories.crate(lead), factories.wav_bytes()
    track = factories.upload_wav(lead, crate, content=content)
    client, url = signed_in(lead), at("crate-upload", lead, crate.pk)
    script = client.post(url, {"audio": SimpleUploadedFile("b.wav", content)}, headers={"Accept": "application/json"})
    assert (script.status_code, script.json()["track"]) == (200, str(track.pk))
    assert script.json()["detail"].startswith("Your crew has this file already, as “tune”")
    form = client.post(url, {"audio": SimpleUploadedFile("b.wav", content)}, follow=True)
    assert "b.wav: Your crew has this file already" in form.content.decode()
    assert "files taken in" not in form.content.decode()
    assert Track.objects.count() == 1


def test_the_address_of_a_folded_track_leads_on(lead: Membership) -> None:
    crate = factories.crate(lead)
    track = factories.analysed_track(lead, crate)
    folded = factories.track(lead, crate)
    Track.objects.filter(pk=folded.pk).update(
        same_as=track, state=TrackState.REFUSED, refusal_code="track:same-audio"
    )  # fmt: skip
    crate.places.filter(track=folded).delete()
    client = signed_in(lead)
    page = client.get(at("track-page", lead, crate.pk, folded.pk), follow=True)
    assert page.redirect_chain == [(at("track-page", lead, crate.pk, track.pk), 302)]
    assert "is the same audio as this track" in page.content.decode()
    state = client.get(at("track-state", lead, crate.pk, folded.pk), headers={"HX-Request": "true"})
    assert state.headers["HX-Refresh"] == "true"
    about = client.get(at("track-about", lead, folded.pk))
    assert about.headers["Location"] == at("track-about", lead, track.pk)


def compared(track: Track, member: Membership, content: bytes) -> Job:
    """A copy that waits to be compared."""
    Copy.objects.filter(track=track).update(proxy_key="x")
    client = signed_in(member)
    answer = client.post(
        at("track-copies", member, track.pk), {"audio": SimpleUploadedFile("better.wav", content)}, follow=True
    )
    assert "A worker compares it with the track now." in answer.content.decode()
    return Job.objects.get(kind=JobKind.COMPARE)


def test_a_better_copy_is_watched_and_its_refusal_told(lead: Membership) -> None:
    track = factories.analysed_track(lead)
    job = compared(track, lead, factories.wav_bytes())
    client = signed_in(lead)
    about, state = at("track-about", lead, track.pk), at("track-copies", lead, track.pk)
    page = client.get(about).content.decode()
    assert "It waits for a worker" in page
    assert "Compare and put in place" not in page
    assert "HX-Refresh" not in client.get(state, headers={"HX-Request": "true"}).headers
    again = client.post(state, {"audio": SimpleUploadedFile("b.wav", factories.wav_bytes())}, follow=True)
    assert "Another copy is being compared" in again.content.decode()

    Job.objects.filter(pk=job.pk).update(state=JobState.FAILED, error_detail="This is another edit.")
    assert client.get(state, headers={"HX-Request": "true"}).headers["HX-Refresh"] == "true"
    page = client.get(about).content.decode()
    assert "The last copy was not taken.</strong> This is another edit." in page
    assert "Compare and put in place" in page
    Job.objects.filter(pk=job.pk).update(state=JobState.DEAD)
    assert "Retry the comparison" in client.get(about).content.decode()
    client.post(state, {"do": "retry"})
    job.refresh_from_db()
    assert job.state == JobState.QUEUED


def test_an_earlier_copy_is_taken_back(lead: Membership) -> None:
    track = factories.analysed_track(lead)
    job = compared(track, lead, factories.wav_bytes())
    client = signed_in(lead)
    better = Copy.objects.get(pk=job.params["copy"])
    use = at("track-copy-use", lead, track.pk, better.pk)
    assert "has not been laid on" in client.post(use, follow=True).content.decode()
    Job.objects.filter(pk=job.pk).update(state=JobState.DONE)
    Copy.objects.filter(pk=better.pk).update(
        proxy_key="y", pcm_sha256="1" * 64, sample_rate=44_100, channels=2, offset_us=-12_500
    )
    page = client.get(at("track-about", lead, track.pk)).content.decode()
    assert "begins 12.5 ms before time zero" in page
    assert page.count("Hear this one") == 1
    assert "is the reference copy now" in client.post(use, follow=True).content.decode()
    assert Copy.objects.get(is_reference=True) == better
