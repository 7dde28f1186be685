"""Files on their way in: quarantined, hashed, looked at by their first bytes, moved, and named by one transaction."""

from __future__ import annotations

import hashlib
from pathlib import Path

import pytest
from django.conf import settings
from django.core.files.storage import default_storage

from crewprep.activity.models import Activity
from crewprep.common.errors import Invalid, Refused
from crewprep.crates.upload import upload_to_crate
from crewprep.crews.models import Membership, Role
from crewprep.jobs.models import Job, JobState
from crewprep.tracks import services
from crewprep.tracks.models import Copy, Track, TrackState
from crewprep.tracks.services import NoRoom, title_from
from crewprep.tracks.upload import quarantine
from tests import factories

pytestmark = pytest.mark.django_db


def files() -> list[Path]:
    """Everything that lies in quarantine or in the store."""
    folders = (settings.QUARANTINE_DIR, settings.VAR_DIR / "media")
    return [path for folder in folders if folder.exists() for path in folder.rglob("*") if path.is_file()]


def test_an_upload_becomes_a_track_in_its_crate_with_a_job(lead: Membership) -> None:
    crate = factories.crate(lead)
    content = factories.wav_bytes()
    track = upload_to_crate(member=lead, crate=crate, upload=quarantine(content, name="Warm_Rain.wav"))

    copy = track.copies.get()
    assert (track.title, track.state, track.crew) == ("Warm Rain", TrackState.CHECKING, lead.crew)
    assert (copy.sha256, copy.size_bytes, copy.format) == (hashlib.sha256(content).hexdigest(), len(content), "wav")
    with default_storage.open(copy.audio_key) as stored:
        assert stored.read() == content
    assert [place.track for place in crate.places.all()] == [track]
    assert Job.objects.get(track=track).state == JobState.QUEUED
    assert Activity.objects.filter(verb="track uploaded", subject_id=track.pk).count() == 1
    assert len(files()) == 1


def test_the_stored_name_tells_nothing_of_the_given_one(lead: Membership) -> None:
    track = factories.upload_wav(lead, factories.crate(lead), name="../../etc/pass\u202ewd\x00.wav")
    copy = track.copies.get()
    assert copy.audio_key.startswith(f"crews/{lead.crew_id}/originals/")
    assert ".." not in copy.audio_key
    assert "\u202e" not in copy.original_name
    assert "\x00" not in copy.original_name
    assert "/" not in copy.original_name


@pytest.mark.parametrize(
    ("name", "content", "code"),
    [
        ("empty.wav", b"", "audio:empty"),
        ("text.mp3", b"ffconcat version 1.0\nfile other.wav\n", "audio:not-audio"),
        ("list.wav", b"#EXTM3U\nhttp://127.0.0.1/\n", "audio:not-audio"),
        ("sound.mp3", factories.wav_bytes(), "upload:wrong-extension"),
        ("sound.exe", factories.wav_bytes(), "upload:wrong-extension"),
    ],
)
def test_what_is_not_audio_is_refused_and_leaves_nothing(
    lead: Membership, name: str, content: bytes, code: str
) -> None:
    crate = factories.crate(lead)
    upload = quarantine(content, name=name)
    with pytest.raises(Invalid) as refusal:
        upload_to_crate(member=lead, crate=crate, upload=upload)
    upload.close()

    assert refusal.value.code == code
    assert not Track.objects.exists()
    assert not Job.objects.exists()
    assert files() == []


def test_too_large_a_file_is_cut_while_it_streams(lead: Membership, settings: pytest.FixtureRequest) -> None:
    settings.UPLOAD_MAX_BYTES = 100_000  # type: ignore[attr-defined]  # any setting
    upload = quarantine(factories.wav_bytes(10.0), name="long.wav")
    assert upload.path.stat().st_size <= 100_000
    with pytest.raises(Invalid) as refusal:
        upload_to_crate(member=lead, crate=factories.crate(lead), upload=upload)
    upload.close()
    assert refusal.value.code == "audio:too-large"
    assert files() == []


def test_a_newcomer_may_not_fill_crates(lead: Membership) -> None:
    crate = factories.crate(lead)
    newcomer = factories.member_of(lead.crew, Role.NEWCOMER)
    upload = quarantine(factories.wav_bytes(), name="tune.wav")
    with pytest.raises(Refused):
        upload_to_crate(member=newcomer, crate=crate, upload=upload)
    upload.close()
    assert files() == []


def test_where_the_rows_fail_no_file_stays(lead: Membership, monkeypatch: pytest.MonkeyPatch) -> None:
    def broken(**kwargs: object) -> None:
        raise RuntimeError("the database went away")

    monkeypatch.setattr(services, "enqueue", broken)
    crate = factories.crate(lead)
    with pytest.raises(RuntimeError):
        upload_to_crate(member=lead, crate=crate, upload=quarantine(factories.wav_bytes(), name="tune.wav"))
    assert files() == []
    assert not Copy.objects.exists()


def test_a_full_disk_is_said_in_words(lead: Membership, monkeypatch: pytest.MonkeyPatch) -> None:
    def full(name: str, content: object) -> str:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(default_storage, "save", full)
    upload = quarantine(factories.wav_bytes(), name="tune.wav")
    crate = factories.crate(lead)
    with pytest.raises(NoRoom) as refusal:
        upload_to_crate(member=lead, crate=crate, upload=upload)
    upload.close()
    assert (refusal.value.status, refusal.value.code) == (507, "storage:full")
    assert files() == []


@pytest.mark.parametrize(
    ("name", "title"), [("a_b-c.flac", "a b-c"), (".wav", ".wav"), ("x.y.mp3", "x.y"), ("___.wav", "Untitled")]
)
def test_titles_from_file_names(name: str, title: str) -> None:
    assert title_from(name) == title
