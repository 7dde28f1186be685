"""Asking for work, taking it, and settling it.

The job row is the truth. A worker *claims* a job under a lease with a fresh token, keeps the lease alive while it
works, and settles the job in one transaction that only goes through while the token is still its own (``_held``).
A worker that was killed leaves a lease that runs out; one that slept past its lease finds its token replaced and its
results dropped. Celery only rings (``bell``).
"""

from __future__ import annotations

import datetime as dt
import hashlib
import json
import logging
import uuid
from collections.abc import Callable
from dataclasses import dataclass
from functools import partial
from typing import TYPE_CHECKING, Any
from uuid import UUID

from django.conf import settings
from django.db import IntegrityError, transaction
from django.db.models import Case, F, IntegerField, Q, QuerySet, Value, When

from analysis_worker.core.errors import MESSAGES as AUDIO_MESSAGES
from crewprep.activity.services import record
from crewprep.common.errors import Conflict
from crewprep.common.messages import sentence_for
from crewprep.jobs import bell, clock
from crewprep.jobs.models import LIVE_STATES, Job, JobKind, JobState
from crewprep.jobs.selectors import crews_by_turn, is_waiting

if TYPE_CHECKING:
    from crewprep.crews.models import User
    from crewprep.tracks.models import Track

log = logging.getLogger(__name__)

BACKOFF_FIRST_S = 5
BACKOFF_MOST_S = 300
RING_AT_MOST = 4
"""Bells of one ``ring_due``: enough to wake idle workers, few enough not to pile up in front of busy ones."""

_QUICK_WORK_FIRST = Case(When(kind=JobKind.DRAFT, then=Value(0)), default=Value(1), output_field=IntegerField())
"""A draft takes milliseconds and somebody waits for it; an analysis takes many seconds."""


@dataclass(frozen=True, slots=True)
class Claim:
    """A worker's hold on a job. ``token`` is good until the lease runs out and somebody else claims the job."""

    job_id: UUID
    token: UUID
    attempt: int
    kind: str
    crew_id: UUID
    track_id: UUID
    params: dict[str, Any]


def enqueue(*, track: Track, kind: JobKind, input_sha256: str, params: dict[str, Any], asked_by: User | None) -> Job:
    """Ask for work inside the caller's transaction; the bell rings when that commits.

    A request that is live already is answered with the live job, also where two ask at the same moment.
    Raises ``TransactionManagementError`` outside a transaction: the job must appear with what it is about.
    """
    if not transaction.get_connection().in_atomic_block:
        raise transaction.TransactionManagementError("A job is asked for in the transaction of what it is about.")
    params_hash = hashlib.sha256(json.dumps(params, sort_keys=True).encode()).hexdigest()
    request = {"track": track, "kind": kind, "input_sha256": input_sha256, "params_hash": params_hash}
    for tries_left in (2, 1, 0):
        live = Job.objects.filter(**request, state__in=LIVE_STATES).first()
        if live is not None:
            return live
        try:
            with transaction.atomic():
                job = Job.objects.create(
                    **request, params=params, crew_id=track.crew_id, asked_by=asked_by, rung_at=clock.now()
                )
        except IntegrityError:
            if tries_left:
                continue  # somebody asked for the same a moment ago; theirs is visible now
            raise
        record(actor=asked_by, verb="work asked for", subject=job, kind=kind)
        _ring_on_commit(job.pk)
        return job
    raise AssertionError("unreachable")


def claim(job_id: UUID, *, now: dt.datetime | None = None) -> Claim | None:
    """Take one job; None where it is settled, not due yet, or in another worker's hands."""
    now = now or clock.now()
    with transaction.atomic():
        return _take(Job.objects.filter(pk=job_id), now)


def claim_next(*, kind: JobKind | None = None, now: dt.datetime | None = None) -> Claim | None:
    """Take the next job, crew by crew in turn, so that one crew's long queue does not hold up another's single track.

    Only of one ``kind`` where that is given. None where nothing waits.
    """
    now = now or clock.now()
    jobs = Job.objects.all() if kind is None else Job.objects.filter(kind=kind)
    for crew_id in crews_by_turn(now):
        with transaction.atomic():
            taken = _take(jobs.filter(crew_id=crew_id), now)
        if taken is not None:
            return taken
    return None


def heartbeat(claim: Claim, stage: str = "") -> bool:
    """Extend the lease and tell members the stage; False where the job is no longer ours and the work should stop."""
    return bool(_held(claim).update(lease_until=_lease_end(clock.now()), stage=stage))


def finish(claim: Claim, apply: Callable[[Job], None]) -> bool:
    """Settle the job as done and let ``apply`` write the results, all in one transaction.

    False where the job is no longer ours: then nothing is written. Whatever ``apply`` raises undoes everything.
    """
    with transaction.atomic():
        job = _settle(claim, state=JobState.DONE, error_code="", error_detail="")
        if job is None:
            return False
        apply(job)
        record(actor=None, verb="work done", subject=job, kind=job.kind, attempt=job.attempt)
    return True


def fail(claim: Claim, code: str, detail: str, apply: Callable[[Job], None] | None = None) -> bool:
    """Settle the job as failed: its input cannot be used and trying again would not help.

    ``detail`` is the sentence that members read; ``apply`` runs in the same transaction. False as in ``finish``.
    """
    with transaction.atomic():
        job = _settle(claim, state=JobState.FAILED, error_code=code, error_detail=detail)
        if job is None:
            return False
        if apply is not None:
            apply(job)
        record(actor=None, verb="work refused", subject=job, kind=job.kind, code=code)
    return True


def give_back(claim: Claim, code: str, detail: str, *, most_attempts: int | None = None) -> bool:
    """Return a job that came to grief, to be tried again after a pause, or give it up after ``most_attempts``.

    The pause doubles from 5 s. False where the job is no longer ours.
    """
    most = min(most_attempts or settings.JOB_MAX_ATTEMPTS, settings.JOB_MAX_ATTEMPTS)
    if claim.attempt >= most:
        with transaction.atomic():
            job = _held(claim).select_for_update().first()
            if job is not None:
                _give_up(job, cause=code, detail=detail)
        return job is not None
    pause = dt.timedelta(seconds=min(BACKOFF_FIRST_S * 2 ** (claim.attempt - 1), BACKOFF_MOST_S))
    available_at = clock.now() + pause
    return bool(
        _held(claim).update(
            state=JobState.QUEUED, token=None, lease_until=None, stage="", error_code=code, error_detail=detail,
            available_at=available_at, rung_at=None,
        )
    )  # fmt: skip


def release(claim: Claim) -> bool:
    """Return a job untouched because this worker is told to stop; costs no attempt, the next worker starts at once."""
    with transaction.atomic():
        released = _held(claim).update(
            state=JobState.QUEUED, token=None, lease_until=None, stage="", attempt=F("attempt") - 1,
            available_at=clock.now(), rung_at=clock.now(),
        )  # fmt: skip
        if released:
            _ring_on_commit(claim.job_id)
    return bool(released)


def retry(*, job: Job, member_user: User) -> Job:
    """Queue a given-up job anew with all its attempts.

    Raises ``Conflict`` (``job:not-dead``) where it is not given up, or where the same work is under way again already.
    """
    try:
        with transaction.atomic():
            now = clock.now()
            if not Job.objects.filter(pk=job.pk, state=JobState.DEAD).update(
                state=JobState.QUEUED, attempt=0, token=None, lease_until=None, stage="", error_code="",
                error_detail="", finished_at=None, available_at=now, rung_at=now,
            ):  # fmt: skip
                raise Conflict("job:not-dead")
            record(actor=member_user, verb="work retried", subject=job, kind=job.kind)
            _ring_on_commit(job.pk)
    except IntegrityError as error:
        raise Conflict("job:not-dead") from error
    job.refresh_from_db()
    return job


@transaction.atomic
def cancel(*, job: Job, by: User) -> bool:
    """Take back a job that no worker has begun; False where one has, or it is settled."""
    waiting = Job.objects.filter(pk=job.pk, state=JobState.QUEUED, attempt=0)
    if not waiting.update(state=JobState.CANCELLED, finished_at=clock.now()):
        return False
    record(actor=by, verb="work cancelled", subject=job, kind=job.kind)
    return True


def ring_due(*, limit: int = RING_AT_MOST) -> int:
    """Ring again for jobs that nobody came for, and give up those that lost their last worker; returns the bells rung.

    Rings at most ``limit`` times: a bell makes a worker take whatever is next, so a few are enough.
    """
    now = clock.now()
    _give_up_lost(now)
    heard_before = now - dt.timedelta(seconds=settings.JOB_RERING_AFTER_S)
    with transaction.atomic():
        due = list(
            Job.objects.filter(is_waiting(now))
            .filter(Q(rung_at__isnull=True) | Q(rung_at__lt=heard_before))
            .order_by("available_at")
            .select_for_update(skip_locked=True)
            .values_list("pk", flat=True)[:limit]
        )
        Job.objects.filter(pk__in=due).update(rung_at=now)
    return sum(bell.ring(job_id) for job_id in due)


def _held(claim: Claim) -> QuerySet[Job]:
    """The fence: the job, if it is still in this claim's hands."""
    return Job.objects.filter(pk=claim.job_id, token=claim.token, state=JobState.LEASED)


def _settle(claim: Claim, **changes: Any) -> Job | None:
    if not _held(claim).update(lease_until=None, stage="", finished_at=clock.now(), **changes):
        log.warning("Job %s went to another worker; what this one made is dropped.", claim.job_id)
        return None
    return Job.objects.select_related("track").get(pk=claim.job_id)


def _take(candidates: QuerySet[Job], now: dt.datetime) -> Claim | None:
    """Lease the first waiting job of ``candidates``. SQLite's immediate transaction stands in for the row lock."""
    while True:
        job = (
            candidates.filter(is_waiting(now))
            .order_by(_QUICK_WORK_FIRST, "available_at")
            .select_for_update(skip_locked=True)
            .first()
        )
        if job is None or job.attempt < settings.JOB_MAX_ATTEMPTS:
            break
        _give_up(job, cause="job:worker-lost", detail="The worker stopped without a word.")
    if job is None:
        return None
    job.state, job.token, job.attempt = JobState.LEASED, uuid.uuid4(), job.attempt + 1
    job.lease_until = _lease_end(now)
    job.save(update_fields=["state", "token", "attempt", "lease_until"])
    return Claim(
        job_id=job.pk, token=job.token, attempt=job.attempt, kind=job.kind, crew_id=job.crew_id,
        track_id=job.track_id, params=job.params,
    )  # fmt: skip


def _give_up_lost(now: dt.datetime) -> None:
    """Give up every job whose last attempt's worker never came back."""
    with transaction.atomic():
        lost = Job.objects.filter(
            state=JobState.LEASED, lease_until__lt=now, attempt__gte=settings.JOB_MAX_ATTEMPTS
        ).select_for_update(skip_locked=True)
        for job in lost:
            _give_up(job, cause="job:worker-lost", detail="The worker stopped without a word.")


def _give_up(job: Job, *, cause: str, detail: str) -> None:
    """Set a locked job dead with a sentence that members can act on; the cause is kept in the activity row."""
    job.state, job.stage, job.lease_until, job.finished_at = JobState.DEAD, "", None, clock.now()
    job.error_code = cause if cause in AUDIO_MESSAGES else "job:gave-up"
    job.error_detail = sentence_for(job.error_code, attempts=job.attempt)
    job.save(update_fields=["state", "stage", "lease_until", "finished_at", "error_code", "error_detail"])
    record(
        actor=None, verb="work given up", subject=job, kind=job.kind, attempts=job.attempt, cause=cause, detail=detail
    )
    log.error("Job %s was given up after %d attempts: %s %s", job.pk, job.attempt, cause, detail)


def _lease_end(now: dt.datetime) -> dt.datetime:
    return now + dt.timedelta(seconds=settings.JOB_LEASE_S)


def _ring_on_commit(job_id: UUID) -> None:
    transaction.on_commit(partial(bell.ring, job_id), robust=True)
