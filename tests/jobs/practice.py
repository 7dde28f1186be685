"""Real Celery workers on the real job table, whose jobs do what their params say instead of analysing. A program:

- ``practice.py worker OPTIONS ARGUMENTS…`` starts Celery's worker with these arguments.
- ``practice.py queue OPTIONS`` migrates, queues jobs, waits until they are settled or nothing moves, prints a count.

``OPTIONS`` is JSON: ``lease_s``, ``rering_after_s``, ``beat_s``, ``rering`` (False takes the re-ring away); for the
queue also ``params`` (one object per job), ``duplicates`` (share of bells rung twice), ``gap_s``, ``quiet_s`` (how
long nothing may move before the rest counts as lost). Params: ``sleep_s``; ``die`` kills the process that works;
``stop_decoder`` stands for a decoder that dies; ``crew`` is a number.
"""

from __future__ import annotations

import json
import os
import random
import signal
import sys
import time
from collections import Counter
from typing import Any, cast

import django

django.setup()

from django.conf import settings
from django.core.management import call_command
from django.db import transaction

from analysis_worker import guard, handlers, tasks
from crewprep.activity.models import Activity
from crewprep.celery import app
from crewprep.jobs import bell, services
from crewprep.jobs.models import LIVE_STATES, Job, JobKind
from crewprep.models import Crew, Track

urlpatterns: list[Any] = []
"""Celery lets Django check its URL map at the start; practice workers have no pages."""


def work(claim: services.Claim, keeper: handlers.Keeper) -> None:
    """Do what the params say, then write one result."""
    keeper("Working")
    if claim.params.get("die"):
        os.kill(os.getpid(), signal.SIGKILL)
    if claim.params.get("stop_decoder"):
        raise guard.DecoderStopped("killed by SIGSEGV")
    until = time.monotonic() + claim.params.get("sleep_s", 0)
    while time.monotonic() < until:
        time.sleep(0.05)
        keeper()

    def apply(job: Job) -> None:
        Activity.objects.create(crew_id=job.crew_id, verb="result", subject_kind="job", subject_id=job.pk)

    services.finish(claim, apply)


def worker(options: dict[str, Any], arguments: list[str]) -> None:
    """Celery's worker, with the practice work."""
    cast(Any, handlers).HANDLERS = {JobKind.ANALYSE: work}
    cast(Any, handlers).warm_up = lambda: None
    if not options.get("rering", True):
        cast(Any, tasks).jobs.ring_due = lambda **limits: 0
    app.conf.beat_schedule["ring-waiting-jobs"]["schedule"] = options.get("beat_s", 1.0)
    app.worker_main(["worker", *arguments])


def queue(options: dict[str, Any]) -> None:
    """Queue the jobs, wait, count."""
    call_command("migrate", verbosity=0)
    numbers = sorted({params.get("crew", 0) for params in options["params"]})
    crews = {number: Crew.objects.create(name=f"Crew {number}", slug=f"crew-{number}") for number in numbers}
    chance = random.Random(1)
    asking_s = []
    for number, params in enumerate(options["params"]):
        track = Track.objects.create(crew=crews[params.get("crew", 0)], title=f"Track {number}")
        started = time.monotonic()
        with transaction.atomic():
            job = services.enqueue(
                track=track, kind=JobKind.ANALYSE, input_sha256="0" * 64, params=params, asked_by=None
            )
        asking_s.append(time.monotonic() - started)
        if chance.random() < options.get("duplicates", 0):
            bell.ring(job.pk)
        time.sleep(options.get("gap_s", 0.0))
    print(json.dumps({"asked": True}), flush=True)
    moved_at, before = time.monotonic(), None
    while Job.objects.filter(state__in=LIVE_STATES).exists():
        now = list(Job.objects.order_by("pk").values_list("state", "attempt"))
        if now != before:
            moved_at, before = time.monotonic(), now
        if time.monotonic() - moved_at > options.get("quiet_s", 30):
            break
        time.sleep(0.1)
    print(json.dumps(count() | {"slowest_ask_s": round(max(asking_s), 2)}), flush=True)


def count() -> dict[str, Any]:
    """Jobs by state and attempts, and results that are missing, too many, or belong to no settled job."""
    results = Counter(Activity.objects.filter(verb="result").values_list("subject_id", flat=True))
    jobs = list(Job.objects.order_by("created_at"))
    return {
        "states": dict(Counter(str(job.state) for job in jobs)),
        "lost": sum(job.state in LIVE_STATES for job in jobs),
        "twice": sum(results[job.pk] > 1 for job in jobs),
        "partial": sum(results[job.pk] != (job.state == "done") for job in jobs if results[job.pk] < 2),
        "jobs": [
            {
                "params": job.params, "state": job.state, "attempt": job.attempt, "code": job.error_code,
                "detail": job.error_detail, "finished_at": job.finished_at and job.finished_at.isoformat(),
                "took_s": job.finished_at and (job.finished_at - job.created_at).total_seconds(),
            }
            for job in jobs
        ],
    }  # fmt: skip


if __name__ == "__main__":
    given = json.loads(sys.argv[2])
    settings.ROOT_URLCONF = __name__
    settings.JOB_LEASE_S = given.get("lease_s", 2)
    settings.JOB_RERING_AFTER_S = given.get("rering_after_s", 1)
    cast(Any, services).BACKOFF_FIRST_S = 0.5
    if sys.argv[1] == "worker":
        worker(given, sys.argv[3:])
    else:
        queue(given)
