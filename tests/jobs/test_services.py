"""The job table's own rules, one process at a time; rivals and killed workers have files of their own."""

from __future__ import annotations

import datetime as dt
import uuid
from typing import Any

import pytest
from django.conf import settings
from django.db import transaction

from crewprep.activity.models import Activity
from crewprep.common.errors import Conflict
from crewprep.jobs import bell, clock, services
from crewprep.jobs.models import Job, JobKind, JobState
from crewprep.models import Crew, Track
from tests.factories.people import user
from tests.jobs.conftest import heard_by

pytestmark = pytest.mark.django_db


def make_track(crew: Crew | None = None) -> Track:
    crew = crew or Crew.objects.create(name="Crew", slug=uuid.uuid4().hex[:12])
    return Track.objects.create(crew=crew, title="Tune")


def ask(track: Track | None = None, **changes: Any) -> Job:
    values: dict[str, Any] = {"kind": JobKind.ANALYSE, "input_sha256": "a" * 64, "params": {}, "asked_by": None}
    with transaction.atomic():
        return services.enqueue(track=track or make_track(), **{**values, **changes})


def verbs(job: Job) -> list[str]:
    return list(Activity.objects.filter(subject_id=job.pk).order_by("created_at").values_list("verb", flat=True))


def later(seconds: float) -> dt.datetime:
    return clock.now() + dt.timedelta(seconds=seconds)


def let_lease_run_out(job_id: uuid.UUID) -> None:
    Job.objects.filter(pk=job_id).update(lease_until=later(-1))


def let_pause_pass(job_id: uuid.UUID) -> None:
    Job.objects.filter(pk=job_id).update(available_at=later(-1))


# Asking


def test_asking_writes_the_job_and_its_record_and_rings_after_the_commit(
    rung: list[uuid.UUID], django_capture_on_commit_callbacks: Any
) -> None:
    with django_capture_on_commit_callbacks(execute=True):
        job = ask()
        assert rung == []
    assert rung == [job.pk]
    assert (job.state, job.attempt, verbs(job)) == (JobState.QUEUED, 0, ["work asked for"])


def test_the_same_request_is_answered_with_the_live_job(
    rung: list[uuid.UUID], django_capture_on_commit_callbacks: Any
) -> None:
    track = make_track()
    with django_capture_on_commit_callbacks(execute=True):
        first = ask(track, params={"a": 1, "b": 2})
        assert ask(track, params={"b": 2, "a": 1}) == first
        assert ask(track, params={"a": 1, "b": 3}) != first
        assert ask(track, params={"a": 1, "b": 2}, input_sha256="b" * 64) != first
        assert ask(track, params={"a": 1, "b": 2}, kind=JobKind.DRAFT) != first
    assert len(rung) == 4
    assert verbs(first) == ["work asked for"]


def test_a_settled_request_may_be_asked_for_again(rung: list[uuid.UUID]) -> None:
    track = make_track()
    first = ask(track)
    claim = services.claim(first.pk)
    assert claim is not None
    assert ask(track) == first  # running still counts as live
    assert services.finish(claim, lambda job: None)
    assert ask(track) != first


@pytest.mark.django_db(transaction=True)
def test_asking_outside_a_transaction_is_refused() -> None:
    track = make_track()
    with pytest.raises(transaction.TransactionManagementError):
        services.enqueue(track=track, kind=JobKind.ANALYSE, input_sha256="", params={}, asked_by=None)
    assert not Job.objects.exists()


@pytest.mark.django_db(transaction=True)
def test_what_is_rolled_back_is_neither_queued_nor_rung(rung: list[uuid.UUID]) -> None:
    @transaction.atomic
    def ask_and_fall() -> None:
        ask()
        raise RuntimeError

    with pytest.raises(RuntimeError):
        ask_and_fall()
    assert rung == []
    assert not Job.objects.exists()


@pytest.mark.django_db(transaction=True)
def test_a_broker_that_is_down_does_not_break_the_request(
    monkeypatch: pytest.MonkeyPatch, caplog: pytest.LogCaptureFixture
) -> None:
    from analysis_worker.tasks import run_job

    def unreachable(*args: Any, **options: Any) -> None:
        raise ConnectionRefusedError("nobody listens")

    monkeypatch.setattr(run_job, "apply_async", unreachable)
    job = ask()
    assert "could not be rung" in caplog.text
    assert bell.ring(job.pk) is False
    monkeypatch.undo()
    heard: list[uuid.UUID] = []
    monkeypatch.setattr(bell, "ring", heard_by(heard))
    assert services.ring_due() == 0  # its bell is not old yet
    Job.objects.update(rung_at=later(-settings.JOB_RERING_AFTER_S - 1))
    assert services.ring_due() == 1
    assert heard == [job.pk]


# Claiming


def test_a_claim_takes_a_fresh_token_and_a_lease() -> None:
    job = ask(params={"x": 1})
    claim = services.claim(job.pk)
    assert claim is not None
    job.refresh_from_db()
    assert (job.state, job.attempt, job.token) == (JobState.LEASED, 1, claim.token)
    assert (claim.job_id, claim.attempt, claim.kind) == (job.pk, 1, JobKind.ANALYSE)
    assert (claim.crew_id, claim.track_id, claim.params) == (job.crew_id, job.track_id, {"x": 1})
    assert job.lease_until is not None
    assert later(settings.JOB_LEASE_S - 5) < job.lease_until <= later(settings.JOB_LEASE_S)


def test_a_claimed_job_is_not_claimed_again_until_its_lease_runs_out() -> None:
    job = ask()
    first = services.claim(job.pk)
    assert first is not None
    assert services.claim(job.pk) is None
    assert services.claim_next() is None
    second = services.claim(job.pk, now=later(settings.JOB_LEASE_S + 1))
    assert second is not None
    assert second.token != first.token
    assert second.attempt == 2


@pytest.mark.parametrize("state", [JobState.DONE, JobState.FAILED, JobState.DEAD, JobState.CANCELLED])
def test_a_settled_job_is_never_claimed(state: JobState) -> None:
    job = ask()
    Job.objects.update(state=state, lease_until=later(-9), token=uuid.uuid4())
    assert services.claim(job.pk) is None
    assert services.claim_next() is None


def test_a_missing_job_is_nobody_s() -> None:
    assert services.claim(uuid.uuid4()) is None


def test_within_a_crew_drafts_go_before_analyses_and_then_the_oldest() -> None:
    track = make_track()
    first, second = ask(track), ask(track, input_sha256="b" * 64)
    draft = ask(track, kind=JobKind.DRAFT)
    order = [claim.job_id for claim in (services.claim_next() for _ in range(3)) if claim]
    assert order == [draft.pk, first.pk, second.pk]


def test_crews_take_turns_however_long_one_crew_s_queue_is() -> None:
    crowd, single = (Crew.objects.create(name=name, slug=name) for name in ("crowd", "single"))
    for _ in range(10):
        ask(make_track(crowd))
    first = services.claim_next()
    assert first is not None
    ask(make_track(single))
    second = services.claim_next()  # while the crowd's first still runs
    assert second is not None
    assert second.crew_id == single.pk
    assert services.finish(second, lambda job: None)
    assert services.finish(first, lambda job: None)
    ask(make_track(single))
    third = services.claim_next()  # nothing runs: the one served longest ago
    assert third is not None
    assert third.crew_id == single.pk


# Keeping and settling


def test_a_heartbeat_extends_the_lease_and_tells_the_stage() -> None:
    job = ask()
    claim = services.claim(job.pk)
    assert claim is not None
    Job.objects.update(lease_until=later(1))
    assert services.heartbeat(claim, "Finding the beat")
    job.refresh_from_db()
    assert job.stage == "Finding the beat"
    assert job.lease_until is not None
    assert job.lease_until > later(settings.JOB_LEASE_S - 5)


def test_only_the_holder_of_the_token_can_settle_a_job(rung: list[uuid.UUID]) -> None:
    job = ask()
    sleeper = services.claim(job.pk)
    assert sleeper is not None
    let_lease_run_out(job.pk)
    holder = services.claim(job.pk)
    assert holder is not None

    def never(job: Job) -> None:
        pytest.fail("a result was applied behind the fence")

    assert services.heartbeat(sleeper) is False
    assert services.finish(sleeper, never) is False
    assert services.fail(sleeper, "audio:not-audio", "No.", never) is False
    assert services.give_back(sleeper, "job:error", "") is False
    assert services.release(sleeper) is False
    job.refresh_from_db()
    assert (job.state, job.token, verbs(job)) == (JobState.LEASED, holder.token, ["work asked for"])

    applied: list[Job] = []
    assert services.finish(holder, applied.append)
    assert applied == [job]
    assert services.finish(holder, never) is False  # done is done, also for the one who did it
    job.refresh_from_db()
    assert (job.state, job.stage, job.lease_until) == (JobState.DONE, "", None)
    assert job.finished_at is not None
    assert verbs(job) == ["work asked for", "work done"]


@pytest.mark.django_db(transaction=True)
def test_results_that_fail_to_be_written_leave_the_job_unfinished() -> None:
    job = ask()
    claim = services.claim(job.pk)
    assert claim is not None

    def half(job: Job) -> None:
        Track.objects.filter(pk=job.track_id).update(title="half written")
        raise RuntimeError

    with pytest.raises(RuntimeError):
        services.finish(claim, half)
    job.refresh_from_db()
    assert (job.state, job.track.title, verbs(job)) == (JobState.LEASED, "Tune", ["work asked for"])
    assert services.finish(claim, lambda job: None)


def test_bad_input_fails_at_once_with_its_reason(rung: list[uuid.UUID]) -> None:
    job = ask()
    claim = services.claim(job.pk)
    assert claim is not None
    applied: list[Job] = []
    assert services.fail(claim, "audio:not-audio", "This is not a sound file.", applied.append)
    job.refresh_from_db()
    assert (job.state, job.error_code, job.error_detail) == (
        JobState.FAILED, "audio:not-audio", "This is not a sound file.",
    )  # fmt: skip
    assert applied == [job]
    assert verbs(job) == ["work asked for", "work refused"]
    assert services.claim(job.pk, now=later(9999)) is None


def test_a_job_given_back_waits_longer_each_time_and_is_given_up_at_the_last() -> None:
    job = ask()
    pauses = []
    for attempt in range(1, settings.JOB_MAX_ATTEMPTS + 1):
        claim = services.claim(job.pk)
        assert claim is not None
        assert claim.attempt == attempt
        assert services.give_back(claim, "job:error", "ValueError: no")
        job.refresh_from_db()
        if attempt < settings.JOB_MAX_ATTEMPTS:
            assert (job.state, job.error_code) == (JobState.QUEUED, "job:error")
            assert services.claim(job.pk) is None  # not before the pause is over
            pauses.append(round((job.available_at - clock.now()).total_seconds()))
            let_pause_pass(job.pk)
    assert pauses == [5, 10, 20, 40]
    assert (job.state, job.error_code) == (JobState.DEAD, "job:gave-up")
    assert f"{settings.JOB_MAX_ATTEMPTS} times" in job.error_detail
    assert verbs(job) == ["work asked for", "work given up"]
    given_up = Activity.objects.get(subject_id=job.pk, verb="work given up")
    assert given_up.details["cause"] == "job:error"
    assert given_up.details["detail"] == "ValueError: no"


def test_a_decoder_that_dies_three_times_is_given_up_with_the_sentence_about_the_file() -> None:
    job = ask()
    for _ in range(3):
        claim = services.claim(job.pk)
        assert claim is not None
        assert services.give_back(claim, "audio:decoder-stopped", "killed", most_attempts=3)
        let_pause_pass(job.pk)
    job.refresh_from_db()
    assert (job.state, job.attempt, job.error_code) == (JobState.DEAD, 3, "audio:decoder-stopped")
    assert "FLAC or WAV" in job.error_detail


def test_vanished_workers_cost_all_attempts_and_then_the_job_is_given_up(rung: list[uuid.UUID]) -> None:
    job = ask()
    for _ in range(settings.JOB_MAX_ATTEMPTS):
        assert services.claim(job.pk) is not None
        let_lease_run_out(job.pk)
    assert services.claim(job.pk) is None
    job.refresh_from_db()
    assert (job.state, job.attempt, job.error_code) == (JobState.DEAD, settings.JOB_MAX_ATTEMPTS, "job:gave-up")
    assert verbs(job) == ["work asked for", "work given up"]


def test_the_rering_also_gives_up_what_no_worker_comes_for(rung: list[uuid.UUID]) -> None:
    job = ask()
    for _ in range(settings.JOB_MAX_ATTEMPTS):
        assert services.claim(job.pk) is not None
        let_lease_run_out(job.pk)
    assert services.ring_due() == 0
    job.refresh_from_db()
    assert (job.state, job.error_code) == (JobState.DEAD, "job:gave-up")


def test_a_worker_told_to_stop_gives_its_job_back_free_of_charge(
    rung: list[uuid.UUID], django_capture_on_commit_callbacks: Any
) -> None:
    job = ask()
    claim = services.claim(job.pk)
    assert claim is not None
    with django_capture_on_commit_callbacks(execute=True):
        assert services.release(claim)
    job.refresh_from_db()
    assert (job.state, job.attempt, job.token, rung) == (JobState.QUEUED, 0, None, [job.pk])
    again = services.claim_next()
    assert again is not None
    assert again.attempt == 1


# Retrying


def test_a_given_up_job_can_be_retried_with_all_its_attempts(
    rung: list[uuid.UUID], django_capture_on_commit_callbacks: Any
) -> None:
    job = ask()
    Job.objects.update(state=JobState.DEAD, attempt=5, error_code="job:gave-up", error_detail="No.")
    member = user()
    with django_capture_on_commit_callbacks(execute=True):
        services.retry(job=job, member_user=member)
    assert (job.state, job.attempt, job.error_code, job.error_detail) == (JobState.QUEUED, 0, "", "")
    assert rung == [job.pk]
    row = Activity.objects.get(subject_id=job.pk, verb="work retried")
    assert row.actor == member
    assert services.claim_next() is not None


@pytest.mark.parametrize("state", [state for state in JobState if state not in {JobState.DEAD, JobState.LEASED}])
def test_only_a_given_up_job_can_be_retried(state: JobState) -> None:
    job = ask()
    Job.objects.update(state=state)
    with pytest.raises(Conflict, match="job:not-dead"):
        services.retry(job=job, member_user=user())
    assert verbs(job) == ["work asked for"]


def test_a_retry_is_refused_while_the_same_work_is_under_way_again() -> None:
    track = make_track()
    old = ask(track)
    Job.objects.update(state=JobState.DEAD)
    ask(track)
    with pytest.raises(Conflict, match="job:not-dead"):
        services.retry(job=old, member_user=user())
    old.refresh_from_db()
    assert (old.state, verbs(old)) == (JobState.DEAD, ["work asked for"])
