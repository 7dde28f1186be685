"""A better copy of a track, from the upload to the sound that a browser hears; real files, real children."""

from __future__ import annotations

from functools import cache
from typing import Any

import numpy as np
import pytest
import soundfile
from django.core.files.storage import default_storage
from django.core.management import call_command

from analysis_worker import handlers
from crewprep.activity.models import Activity
from crewprep.analysis.selectors import current_analysis
from crewprep.common.errors import Conflict, NotFound, Refused
from crewprep.conventions.models import ConventionVersion
from crewprep.crates.models import Crate
from crewprep.crews.models import Membership, Role
from crewprep.exchange.selectors import sheet_document_for
from crewprep.jobs import bell, services
from crewprep.jobs.models import Job, JobState
from crewprep.review.services import approve_proposal, propose
from crewprep.sheets.markers import MarkerInput
from crewprep.tracks.copies import comparison_of, copy_for, offer_copy, use_copy
from crewprep.tracks.models import Copy, Track
from crewprep.tracks.selectors import reference_copy
from crewprep.tracks.upload import quarantine
from fixtures.generate import TrackSpec, make_track
from tests import factories
from tests.core.sounds import RATE, encoded

pytestmark = pytest.mark.django_db


@cache
def music(seed: int = 3) -> np.ndarray:
    layout = (("intro", 2), ("drop", 4), ("outro", 2))
    spec = TrackSpec(seed=seed, layout=layout, strongest_drop=1, tempo_bpm=140.0)  # type: ignore[arg-type]  # role names
    return (0.5 * make_track(spec)[0]).astype(np.float32)


def later(samples: np.ndarray, frames: int) -> np.ndarray:
    return np.concatenate([np.zeros((frames, 2), np.float32), samples])


def work() -> None:
    while (claim := services.claim_next()) is not None:
        handlers.run(claim)


def heard(track: Track) -> np.ndarray:
    """What a browser hears."""
    with default_storage.open(reference_copy(track).proxy_key) as proxy:
        return soundfile.read(proxy, always_2d=True)[0]


def offer(member: Membership, track: Track, samples: np.ndarray, name: str = "better.flac", **more: Any) -> Job:
    container, subtype = {"flac": ("FLAC", "PCM_24"), "mp3": ("MP3", "MPEG_LAYER_III"), "wav": ("WAV", "PCM_16")}[
        name[-4:].strip(".")
    ]
    upload = quarantine(encoded(samples, container, subtype, **more), name=name)
    try:
        return offer_copy(member=member, track=track, upload=upload)
    finally:
        upload.close()


class Scene:
    """A ready track with an approved sheet of one marker at two seconds."""

    def __init__(self, lead: Membership) -> None:
        self.lead = lead
        self.author = factories.member_of(lead.crew)
        self.crate: Crate = factories.crate(lead)
        self.version: ConventionVersion = self.crate.convention_version
        self.track = factories.upload_wav(lead, self.crate, content=encoded(music(), "WAV", "PCM_16"))
        work()
        self.track.refresh_from_db()
        proposal = propose(
            member=self.author, track=self.track, convention_version=self.version,
            markers=[MarkerInput(1, 2_000_000)], override_reason="a short piece",
        )  # fmt: skip
        self.sheet = approve_proposal(member=lead, proposal=proposal, seen_revision=1)


@pytest.fixture
def scene(lead: Membership, monkeypatch: pytest.MonkeyPatch) -> Scene:
    monkeypatch.setattr(bell, "ring", lambda job_id: True)
    return Scene(lead)


@pytest.mark.parametrize("shift", [-3_000, 0, 4_410])
def test_a_better_copy_takes_the_place_and_all_times_stay_true(scene: Scene, shift: int) -> None:
    """Louder, and with other silence at its start: what sounded at two seconds sounds there still."""
    document, before = sheet_document_for(scene.lead, scene.track.pk), heard(scene.track)
    old = reference_copy(scene.track)
    padded = later(1.9 * music(), max(shift, 0))[max(-shift, 0) :]
    job = offer(scene.lead, scene.track, padded)
    work()
    job.refresh_from_db()
    assert (job.state, job.error_detail) == (JobState.DONE, "")

    new = reference_copy(scene.track)
    assert (new.original_name, new.offset_us) == ("better.flac", round(-shift * 1e6 / RATE))
    assert new.gain_db == pytest.approx(20 * np.log10(1.9), abs=0.1)
    after = heard(scene.track)
    assert len(after) == len(before)
    inside = slice(max(-shift, 0), len(before))
    assert np.abs(after[inside] - np.clip(1.9 * before[inside], -1, 1)).max() < 3e-4
    assert sheet_document_for(scene.lead, scene.track.pk) == document
    assert Activity.objects.get(verb="copy replaced").details["offset_us"] == new.offset_us

    # Back again, in one press.
    use_copy(member=scene.lead, track=scene.track, copy=old)
    assert reference_copy(scene.track) == old
    assert np.array_equal(heard(scene.track), before)


def test_an_analysis_of_the_new_copy_lies_on_the_old_timeline(scene: Scene) -> None:
    first = current_analysis(scene.track)
    assert first is not None
    offer(scene.lead, scene.track, later(music(), 22_050))
    work()
    call_command("requeue_analysis", str(scene.track.pk), "--all")
    work()
    again = current_analysis(scene.track)
    assert again is not None
    assert again.pk != first.pk
    assert (again.duration_us, again.pcm_sha256) == (first.duration_us, first.pcm_sha256)
    assert again.result.beats_us == pytest.approx(first.result.beats_us, abs=300)
    assert reference_copy(scene.track).gain_db == 0.0
    assert heard(scene.track).shape[0] == round(first.duration_us * RATE / 1e6)


def test_an_mp3_lies_where_its_decoder_puts_it(scene: Scene) -> None:
    offer(scene.lead, scene.track, music(), "other.mp3")
    work()
    assert reference_copy(scene.track).format == "mp3"
    assert abs(reference_copy(scene.track).offset_us) <= 23


def test_what_is_no_copy_is_refused_and_leaves_the_track_as_it_was(scene: Scene) -> None:
    old = reference_copy(scene.track)
    for samples, code in (
        (music(4), "copy:not-the-same"),
        (np.concatenate([music()[: 8 * RATE], music()[4 * RATE :]]), "copy:other-edit"),
        (np.zeros((4, 2), np.float32), "audio:too-short"),
    ):
        job = offer(scene.lead, scene.track, samples)
        work()
        job.refresh_from_db()
        assert (job.state, job.error_code) == (JobState.FAILED, code)
        assert job == comparison_of(scene.track)
    scene.track.refresh_from_db()
    assert scene.track.state == "ready"
    assert list(scene.track.copies.all()) == [old]
    assert Activity.objects.filter(verb="copy refused").count() == 3
    # What was refused as a copy is free to become a track.
    upload = quarantine(encoded(music(4), "FLAC", "PCM_24"), name="better.flac")
    assert known_anew(scene, upload)


def known_anew(scene: Scene, upload: Any) -> bool:
    from crewprep.sheets.services import bring_in

    return bring_in(member=scene.lead, crate=scene.crate, upload=upload).is_new


def test_doors_and_rivals(scene: Scene) -> None:
    newcomer = factories.member_of(scene.lead.crew, Role.NEWCOMER)
    with pytest.raises(Refused):
        offer(newcomer, scene.track, music())
    with pytest.raises(Conflict) as known:
        offer(scene.lead, scene.track, music(), "again.wav")
    assert known.value.code == "copy:known"
    other = factories.track(scene.lead, scene.crate)
    Track.objects.filter(pk=other.pk).update(state="ready")
    Copy.objects.filter(track=other).update(proxy_key="x")
    other.refresh_from_db()
    with pytest.raises(Conflict) as elsewhere:
        offer(scene.lead, other, music(), "again.wav")
    assert elsewhere.value.code == "copy:other-track"
    offer(scene.lead, scene.track, later(music(), 99))
    with pytest.raises(Conflict) as under_way:
        offer(scene.lead, scene.track, later(music(), 100))
    assert under_way.value.code == "copy:under-way"
    with pytest.raises(NotFound):
        copy_for(other, reference_copy(scene.track).pk)
    waiting = scene.track.copies.get(is_reference=False)
    with pytest.raises(Conflict):
        use_copy(member=scene.lead, track=scene.track, copy=waiting)
    with pytest.raises(Refused):
        use_copy(member=newcomer, track=scene.track, copy=reference_copy(scene.track))
