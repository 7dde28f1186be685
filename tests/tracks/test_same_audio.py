"""The same audio is one track of a crew: by its file as it arrives, by its samples once it is decoded."""

from __future__ import annotations

import threading
from importlib import import_module
from typing import Any

import numpy as np
import pytest
from django.apps import apps
from django.conf import settings
from django.db import connection
from django.utils import timezone

from analysis_worker import handlers
from crewprep.activity.models import Activity
from crewprep.crates.models import Crate
from crewprep.crews.models import Membership
from crewprep.jobs import bell, services
from crewprep.jobs.models import Job, JobState
from crewprep.sheets.models import Draft
from crewprep.sheets.services import bring_in
from crewprep.tracks.known import same_audio
from crewprep.tracks.models import Copy, KnownAudio, Track, TrackState
from crewprep.tracks.selectors import reference_copy, tracks_of
from crewprep.tracks.services import TakenIn
from crewprep.tracks.upload import quarantine
from tests import factories
from tests.core.sounds import encoded, noise

pytestmark = pytest.mark.django_db


@pytest.fixture(autouse=True)
def _no_bells(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(bell, "ring", lambda job_id: True)


def bring(member: Membership, crate: Crate, content: bytes, name: str = "tune.wav") -> TakenIn:
    upload = quarantine(content, name=name)
    try:
        return bring_in(member=member, crate=crate, upload=upload)
    finally:
        upload.close()


def work() -> None:
    """Do all that waits."""
    while (claim := services.claim_next()) is not None:
        handlers.run(claim)


def sound(seed: int = 5) -> np.ndarray:
    """Samples that 16 bits hold exactly."""
    return (noise(2.0, seed=seed) * 32_767).round().astype(np.int16)


def stored(folder: str) -> list[str]:
    place = settings.VAR_DIR / "media" / "crews"
    return [path.name for path in place.rglob(f"{folder}/*") if path.is_file()]


# By the file.


def test_the_same_file_again_is_put_into_the_crate_and_makes_no_second_track(lead: Membership) -> None:
    first, second = factories.crate(lead), factories.crate(lead)
    content = factories.wav_bytes()
    made = bring(lead, first, content)
    again = bring(lead, second, content, "other name.wav")

    assert (made.is_new, again.is_new, again.track) == (True, False, made.track)
    assert [place.track for place in second.places.all()] == [made.track]
    assert (Track.objects.count(), Copy.objects.count(), Job.objects.count()) == (1, 1, 1)
    assert len(stored("originals")) == 1
    assert Activity.objects.filter(verb="track added to crate").count() == 1


def test_a_known_file_is_drafted_for_the_crate_it_comes_into(lead: Membership) -> None:
    content = encoded(sound(), "WAV", "PCM_16")
    first = factories.crate(lead)
    track = bring(lead, first, content).track
    work()
    factories.convention(lead, name="Other")
    other = factories.crate(lead)
    bring(lead, other, content)
    work()
    assert Draft.objects.filter(track=track, convention_version=other.convention_version).exists()


def test_another_crew_has_a_track_of_its_own(lead: Membership) -> None:
    stranger = factories.crew_with()
    content = encoded(sound(), "WAV", "PCM_16")
    ours = bring(lead, factories.crate(lead), content).track
    theirs = bring(stranger, factories.crate(stranger), content)
    assert theirs.is_new
    work()
    ours.refresh_from_db()
    theirs.track.refresh_from_db()
    assert (ours.state, theirs.track.state, theirs.track.same_as) == (TrackState.READY, TrackState.READY, None)


# By the samples.


def test_a_flac_of_the_same_samples_is_folded_into_the_track(lead: Membership) -> None:
    crate, other = factories.crate(lead), factories.crate(lead)
    track = bring(lead, crate, encoded(sound(), "WAV", "PCM_16"), "First.wav").track
    work()
    twin = bring(lead, other, encoded(sound(), "FLAC", "PCM_16"), "Second.flac")
    assert twin.is_new
    work()

    folded = Track.objects.get(pk=twin.track.pk)
    assert (folded.same_as, folded.state, folded.refusal_code) == (track, TrackState.REFUSED, "track:same-audio")
    assert [place.track for place in other.places.all()] == [track]
    assert list(tracks_of(lead)) == [track]
    assert reference_copy(folded) == reference_copy(track)
    copies = {copy.format: copy for copy in track.copies.all()}
    assert {name: copy.is_reference for name, copy in copies.items()} == {"wav": True, "flac": False}
    assert copies["flac"].pcm_sha256 == copies["wav"].pcm_sha256
    assert copies["flac"].offset_us == 0
    assert not folded.analyses.exists()
    assert len(stored("proxies")) == len(stored("peaks")) == 1
    assert Job.objects.exclude(state=JobState.DONE).count() == 0
    assert Activity.objects.get(verb="track folded").details["owner"] == track.title
    # The folded file is known at once when it comes a third time.
    third = bring(lead, crate, encoded(sound(), "FLAC", "PCM_16"), "Third.flac")
    assert (third.is_new, third.track) == (False, track)


def test_a_twin_in_the_same_crate_leaves_one_place(lead: Membership) -> None:
    crate = factories.crate(lead)
    for container in ("WAV", "FLAC", "AIFF"):
        bring(lead, crate, encoded(sound(), container, "PCM_16"), f"a.{container.lower()}")
    work()
    assert [place.track.title for place in crate.places.all()] == ["a"]
    assert Track.objects.filter(same_as=None).count() == 1
    assert Track.objects.get(same_as=None).copies.count() == 3


def test_the_same_samples_at_another_rate_are_another_track(lead: Membership) -> None:
    crate = factories.crate(lead)
    bring(lead, crate, encoded(sound(), "WAV", "PCM_16"), "a.wav")
    bring(lead, crate, encoded(sound(), "WAV", "PCM_16", rate=48_000), "b.wav")
    work()
    assert {track.state for track in Track.objects.all()} == {TrackState.READY}


def test_a_track_that_is_ready_is_never_folded(lead: Membership) -> None:
    """Two tracks of before, with the same samples, are analysed again: both may have sheets, so both stay."""
    crate = factories.crate(lead)
    tracks = [
        bring(lead, crate, encoded(sound(seed), "WAV", "PCM_16"), f"{seed}.wav").track for seed in (1, 2)
    ]  # fmt: skip
    work()
    KnownAudio.objects.filter(track=tracks[1]).update(track=tracks[0])
    Job.objects.filter(track=tracks[1], kind="analyse").update(state=JobState.QUEUED, attempt=0)
    work()
    tracks[1].refresh_from_db()
    assert (tracks[1].state, tracks[1].same_as) == (TrackState.READY, None)
    assert same_audio(tracks[1]) == []
    values = Copy.objects.filter(track=tracks[0]).values("pcm_sha256", "frames").get()
    Copy.objects.filter(track=tracks[1]).update(**values)
    assert same_audio(tracks[1]) == [tracks[0]]


def test_the_second_of_two_workers_folds_what_the_first_has_finished(
    lead: Membership, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Both decoded while neither was known; the second one learns of it in the transaction that finishes its job."""
    crate = factories.crate(lead)
    for container in ("WAV", "FLAC"):
        bring(lead, crate, encoded(sound(), container, "PCM_16"), f"a.{container.lower()}")
    monkeypatch.setattr(handlers, "twin_of", lambda track, decode: None)
    work()
    assert Track.objects.filter(state=TrackState.READY).count() == 1
    assert Track.objects.exclude(same_as=None).count() == 1
    assert crate.places.count() == 1
    assert len(stored("proxies")) == len(stored("peaks")) == 1


# What was there before.


def test_the_oldest_of_before_keeps_the_audio(lead: Membership) -> None:
    crate = factories.crate(lead)
    tracks = [factories.analysed_track(lead, crate) for _ in range(3)]
    KnownAudio.objects.all().delete()
    Copy.objects.filter(track=tracks[2]).update(sha256=tracks[1].copies.get().sha256)
    Copy.objects.filter(track=tracks[1]).update(created_at=timezone.now())
    import_module("crewprep.migrations.0009_fill_known_audio").fill(apps, None)
    known = {(row.kind, row.digest): row.track_id for row in KnownAudio.objects.all()}
    assert known["file", tracks[0].copies.get().sha256] == tracks[0].pk
    assert known["file", tracks[1].copies.get().sha256] == tracks[2].pk
    assert known["decode", f"{'0' * 64}/44100/2"] == tracks[0].pk
    assert len(known) == 3


@pytest.mark.django_db(transaction=True)
def test_of_rival_uploads_one_becomes_the_track() -> None:
    lead = factories.crew_with()
    crate = factories.crate(lead)
    for _ in range(50 if connection.vendor == "postgresql" else 10):
        content = factories.wav_bytes()
        outcomes = rivals(lambda content=content: bring(lead, crate, content))
        assert sorted(outcome.is_new for outcome in outcomes) == [False, False, True]
        assert len({outcome.track.pk for outcome in outcomes}) == 1
    assert Track.objects.count() == Copy.objects.count() == crate.places.count() == len(stored("originals"))


def rivals(runner: Any, count: int = 3) -> list[Any]:
    barrier, outcomes = threading.Barrier(count), []

    def run() -> None:
        try:
            barrier.wait()
            outcomes.append(runner())
        finally:
            connection.close()

    threads = [threading.Thread(target=run) for _ in range(count)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    return outcomes
