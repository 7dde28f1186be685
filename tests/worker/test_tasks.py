"""The tasks on real audio: from an upload's job to a stored analysis and draft, and the ways in which it ends early."""

from __future__ import annotations

import datetime as dt
import os
import subprocess
import sys
import time
import uuid
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from django.conf import settings
from django.core.files.base import ContentFile
from django.core.files.storage import default_storage
from django.core.files.storage.memory import InMemoryStorage
from django.db import connection, transaction

from analysis_worker import files, guard, handlers, stopping, tasks
from analysis_worker.core.results import TrackAnalysis
from crewprep.activity.models import Activity
from crewprep.crews.models import Membership
from crewprep.jobs import bell, clock, services
from crewprep.jobs.models import Job, JobKind, JobState
from crewprep.sheets.models import Draft
from crewprep.tracks.models import Copy, Track, TrackState
from tests.core.sounds import encoded, noise
from tests.factories import music, people

pytestmark = pytest.mark.django_db


@pytest.fixture(autouse=True)
def _no_bells(monkeypatch: pytest.MonkeyPatch) -> Iterator[None]:
    monkeypatch.setattr(bell, "ring", lambda job_id: True)
    yield
    stopping.start()


@pytest.fixture
def member() -> Membership:
    return people.crew_with()


def upload(member: Membership, content: bytes | None = None, name: str = "tune.wav") -> Track:
    content = encoded(noise(), "WAV", "PCM_16") if content is None else content
    return music.upload_wav(member, music.crate(member), name=name, content=content)


def job_of(track: Track, kind: JobKind = JobKind.ANALYSE) -> Job:
    return Job.objects.get(track=track, kind=kind)


def work(track: Track) -> Job:
    """Answer one bell; the state of the track's analysis afterwards."""
    job = job_of(track)
    tasks.run_job(str(job.pk))
    job.refresh_from_db()
    return job


def left_behind() -> list[str]:
    """Files of a job that should be gone when it is over."""
    folder = Path(settings.WORK_DIR)
    return [path.name for path in folder.glob("*") if path.name != "numba"] if folder.exists() else []


def stored_proxies(member: Membership) -> list[str]:
    try:
        return default_storage.listdir(f"crews/{member.crew_id}/proxies")[1]
    except FileNotFoundError:
        return []


@pytest.mark.timeout(300)
def test_an_upload_becomes_an_analysis_and_a_draft(member: Membership) -> None:
    track = upload(member)
    job = work(track)
    assert (job.state, job.error_detail) == (JobState.DONE, "")
    analysis = track.analyses.get()
    assert isinstance(analysis.result, TrackAnalysis)
    assert analysis.job == job
    track.refresh_from_db()
    assert track.state == TrackState.READY
    copy = track.copies.get()
    assert copy.frames is not None
    assert copy.sample_rate is not None
    assert abs(copy.frames / copy.sample_rate - analysis.duration_us / 1e6) < 1e-3
    assert job.token is not None
    assert job.token.hex in copy.proxy_key
    with default_storage.open(copy.proxy_key) as proxy:
        assert proxy.read(4) == b"fLaC"
    with default_storage.open(copy.peaks_key) as peaks:
        assert peaks.read(4) == b"CPPK"
    assert left_behind() == []

    # The same bell also did the draft that the analysis had asked for.
    draft = Draft.objects.get(track=track)
    assert job_of(track, JobKind.DRAFT).state == JobState.DONE
    slots = {marker.slot for marker in draft.markers.all()} | {empty["slot"] for empty in draft.empty}
    assert slots == set(range(1, 9))


def test_one_bell_is_good_for_one_analysis_and_the_drafts_that_wait(
    member: Membership, monkeypatch: pytest.MonkeyPatch
) -> None:
    done: list[str] = []

    def note(claim: services.Claim, keeper: handlers.Keeper) -> None:
        done.append(claim.kind)
        services.finish(claim, lambda job: None)

    monkeypatch.setattr(handlers, "HANDLERS", {JobKind.ANALYSE: note, JobKind.DRAFT: note})
    monkeypatch.setattr(tasks, "DRAFTS_PER_BELL", 3)
    tracks = [upload(member, content=music.wav_bytes()) for _ in range(2)]
    tasks.run_job("")
    assert done == ["analyse"]
    with transaction.atomic():
        for number in range(5):
            services.enqueue(
                track=tracks[0], kind=JobKind.DRAFT, input_sha256="", params={"n": number}, asked_by=member.user
            )
    tasks.run_job("")
    assert done[1:] == ["draft"] * 4
    tasks.run_job("")
    assert done[5:] == ["draft"]
    tasks.run_job("")
    assert done[6:] == ["analyse"]


def test_a_bell_without_work_and_a_second_bell_do_nothing(member: Membership) -> None:
    tasks.run_job(str(uuid.uuid4()))
    tasks.run_job("no id at all", of_a_later="version")
    track = upload(member, content=b"RIFF\x00\x00\x00\x00WAVEnothing")
    assert work(track).state == JobState.FAILED
    before = Activity.objects.count()
    assert work(track).state == JobState.FAILED
    assert Activity.objects.count() == before


def test_what_is_not_sound_is_refused_at_once_with_its_reason(member: Membership) -> None:
    track = upload(member, content=b"RIFF\x24\x00\x00\x00WAVEfmt " + b"\x00" * 40)
    job = work(track)
    assert job.state == JobState.FAILED
    assert job.error_code.startswith("audio:")
    assert job.error_detail.endswith(".")
    track.refresh_from_db()
    assert (track.state, track.refusal_code) == (TrackState.REFUSED, job.error_code)
    assert not track.analyses.exists()
    assert stored_proxies(member) == []
    assert left_behind() == []


def kill_decoders(monkeypatch: pytest.MonkeyPatch) -> None:
    """Let the decoding child run out of processor time at once: the kernel kills it, as a decoder's crash would."""
    budget = guard.decode_budget

    def nothing(limits: Any) -> guard.Budget:
        from dataclasses import replace

        return replace(budget(limits), cpu_s=0, max_cpu_s=0)

    monkeypatch.setattr(guard, "decode_budget", nothing)


def test_a_file_that_kills_the_decoder_each_time_is_given_up_after_three_tries(
    member: Membership, monkeypatch: pytest.MonkeyPatch
) -> None:
    kill_decoders(monkeypatch)
    track = upload(member)
    for attempt in (1, 2, 3):
        job = work(track)
        assert job.attempt == attempt
        Job.objects.filter(pk=job.pk).update(available_at=clock.now())
    assert (job.state, job.error_code) == (JobState.DEAD, "audio:decoder-stopped")
    assert "FLAC or WAV" in job.error_detail
    assert left_behind() == []
    monkeypatch.undo()
    monkeypatch.setattr(bell, "ring", lambda job_id: True)
    services.retry(job=job, member_user=member.user)
    assert work(track).state == JobState.DONE


def test_a_missing_file_is_tried_again_and_nothing_is_stored(member: Membership) -> None:
    track = upload(member)
    default_storage.delete(track.copies.get().audio_key)
    job = work(track)
    assert (job.state, job.attempt, job.error_code) == (JobState.QUEUED, 1, "job:error")
    track.refresh_from_db()
    assert track.state == TrackState.CHECKING


def test_a_worker_that_loses_its_lease_while_it_works_stops_and_stores_nothing(
    member: Membership, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Another worker takes the job during the analysis: ours stops at the next stage."""
    track = upload(member)
    analyse = guard.analyse_in_child
    rivals: list[services.Claim] = []

    def lose_it_first(*args: Any, **kwargs: Any) -> Any:
        Job.objects.update(lease_until=clock.now() - dt.timedelta(seconds=1))
        rival = services.claim(job_of(track).pk)
        assert rival is not None
        rivals.append(rival)
        return analyse(*args, **kwargs)

    monkeypatch.setattr(guard, "analyse_in_child", lose_it_first)
    job = work(track)
    assert (job.state, job.token) == (JobState.LEASED, rivals[0].token)
    assert not track.analyses.exists()
    assert stored_proxies(member) == []
    assert left_behind() == []
    monkeypatch.undo()
    handlers.run(rivals[0])
    job.refresh_from_db()
    assert (job.state, track.analyses.count(), len(stored_proxies(member))) == (JobState.DONE, 1, 1)


def test_a_worker_that_wakes_up_too_late_removes_its_file(member: Membership, monkeypatch: pytest.MonkeyPatch) -> None:
    """The job is taken after the listening copy was stored: the fence drops the result, and the file goes too."""
    track = upload(member)
    store = files.store

    def lose_it_after(*args: Any) -> str:
        key = store(*args)
        Job.objects.update(token=uuid.uuid4())
        return key

    monkeypatch.setattr(files, "store", lose_it_after)
    assert work(track).state == JobState.LEASED
    assert not track.analyses.exists()
    assert stored_proxies(member) == []


def test_a_worker_told_to_stop_takes_nothing_and_gives_back_what_it_has(
    member: Membership, monkeypatch: pytest.MonkeyPatch
) -> None:
    track = upload(member)
    stopping.stop()
    assert work(track).state == JobState.QUEUED
    stopping.start()

    analyse = guard.analyse_in_child

    def told_meanwhile(*args: Any, **kwargs: Any) -> Any:
        stopping.stop()
        return analyse(*args, **kwargs)

    monkeypatch.setattr(guard, "analyse_in_child", told_meanwhile)
    job = work(track)
    assert (job.state, job.attempt, job.lease_until) == (JobState.QUEUED, 0, None)
    assert left_behind() == []


def test_work_asked_for_by_a_later_version_is_given_back(member: Membership) -> None:
    track = upload(member)
    Job.objects.update(kind="separate")
    tasks.run_job("")
    job = Job.objects.get(track=track)
    assert (job.state, job.error_code) == (JobState.QUEUED, "job:error")


def test_the_heartbeat_goes_on_while_children_work(member: Membership, monkeypatch: pytest.MonkeyPatch) -> None:
    beats: list[str] = []
    heartbeat = services.heartbeat

    def counted(claim: services.Claim, stage: str = "") -> bool:
        beats.append(stage)
        return heartbeat(claim, stage)

    monkeypatch.setattr(services, "heartbeat", counted)
    monkeypatch.setattr(settings, "JOB_LEASE_S", 0.4)
    monkeypatch.setattr(services, "_lease_end", lambda now: now + dt.timedelta(seconds=60))
    assert work(upload(member)).state == JobState.DONE
    assert len(beats) > len(set(beats)) >= 4  # each stage once, and in between by the clock


def test_storage_that_is_no_disk_is_read_into_a_folder_of_its_own(monkeypatch: pytest.MonkeyPatch) -> None:
    memory = InMemoryStorage()
    monkeypatch.setattr(files, "default_storage", memory)
    ticks: list[int] = []
    content = os.urandom(3 << 20)
    memory.save("crews/a/originals/b", ContentFile(content))
    with files.on_disk("crews/a/originals/b", on_tick=lambda: ticks.append(1)) as path:
        assert path.read_bytes() == content
        assert list(path.parent.iterdir()) == [path]
    assert not path.exists()
    assert len(ticks) == 3
    source = Path(settings.VAR_DIR) / "proxy"
    source.write_bytes(content)
    key = files.store(source, "crews/a/proxies/c.flac")
    assert memory.open(key).read() == content
    source.unlink()


def age(path: Path, hours: float) -> None:
    then = time.time() - hours * 3600
    os.utime(path, (then, then))


def test_the_sweep_removes_what_is_old_and_named_by_no_row(member: Membership) -> None:
    track = upload(member)
    copy = track.copies.get()
    proxy = default_storage.save(f"crews/{member.crew_id}/proxies/p.flac", ContentFile(b"heard"))
    peaks = default_storage.save(f"crews/{member.crew_id}/peaks/p.bin", ContentFile(b"drawn"))
    Copy.objects.filter(pk=copy.pk).update(proxy_key=proxy, peaks_key=peaks)
    lost_proxy = default_storage.save(f"crews/{member.crew_id}/proxies/lost.flac", ContentFile(b"unheard"))
    young = default_storage.save(f"crews/{member.crew_id}/originals/young.wav", ContentFile(b"row comes soon"))
    abandoned, arriving = settings.QUARANTINE_DIR / "abandoned", settings.QUARANTINE_DIR / "arriving"
    settings.QUARANTINE_DIR.mkdir(parents=True, exist_ok=True)
    for path in (abandoned, arriving):
        path.write_bytes(b"part")
    killed, working = settings.WORK_DIR / "job-killed", settings.WORK_DIR / "job-working"
    fetched = settings.WORK_DIR / "fetch-killed"
    for folder in (killed, working, fetched):
        folder.mkdir(parents=True)
        (folder / "sound").write_bytes(b"sound")
    for key in (copy.audio_key, proxy, peaks, lost_proxy):
        age(Path(default_storage.path(key)), 25)
    for path in (abandoned, killed, fetched):
        age(path, 25)

    assert tasks.sweep_files() == 4
    assert not any(path.exists() for path in (abandoned, killed, fetched))
    assert not default_storage.exists(lost_proxy)
    assert arriving.exists()
    assert working.exists()
    assert all(default_storage.exists(key) for key in (copy.audio_key, proxy, peaks, young))
    assert tasks.sweep_files() == 0


@pytest.mark.embedded_only
def test_statistics_are_taken_once_and_again_when_a_table_has_grown(lead: Membership) -> None:
    with connection.cursor() as cursor:
        cursor.execute("ANALYZE")
        cursor.execute("DELETE FROM sqlite_stat1 WHERE tbl = 'crewprep_track'")
        tasks.refresh_statistics()
        cursor.execute("SELECT count(*) FROM sqlite_stat1 WHERE tbl = 'crewprep_track'")
        assert cursor.fetchone()[0] == 0, "an empty table has none"
        for _ in range(30):
            music.track(lead)
        tasks.refresh_statistics()
        cursor.execute("SELECT max(CAST(stat AS INTEGER)) FROM sqlite_stat1 WHERE tbl = 'crewprep_track'")
        assert cursor.fetchone()[0] == 30


def test_the_warm_up_leaves_nothing_behind_and_never_raises(
    monkeypatch: pytest.MonkeyPatch, caplog: pytest.LogCaptureFixture
) -> None:
    caplog.set_level("INFO")
    handlers.warm_up()
    assert "is warm after" in caplog.text
    assert left_behind() == []

    def broken(*args: Any, **kwargs: Any) -> None:
        raise OSError("no room")

    monkeypatch.setattr(guard, "decode_in_child", broken)
    handlers.warm_up()
    assert "could not be warmed up: no room" in caplog.text


def test_a_process_that_only_rings_does_not_load_the_analysis() -> None:
    program = (
        "import django; django.setup()\n"
        "import sys, analysis_worker.tasks\n"
        "print(sorted({'librosa', 'numpy', 'scipy', 'soundfile', 'av'} & set(sys.modules)))"
    )
    run = subprocess.run([sys.executable, "-c", program], capture_output=True, text=True, check=True)
    assert run.stdout.strip().splitlines()[-1] == "[]", run.stdout
