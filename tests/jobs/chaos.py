"""Workers that kill themselves at named points, and a count of what that cost. Run as a program by the tests beside.

``chaos.py '{"jobs": 120, "workers": 3, "kill": 0.04, "stall": 0.08, "without": ""}'`` migrates the database that the
environment names, queues jobs, forks workers around the real ``run_job`` and prints one JSON object:

- ``lost``: jobs that are neither settled nor given up when nothing moves any more
- ``twice``: settled jobs with more results than one run writes; ``partial``: with fewer, or unsettled ones with any
- ``unnamed``: given-up jobs without a readable reason, or jobs with more attempts than allowed
- ``broken_files``: settled jobs whose file is missing or incomplete

``without`` takes one guard away (``fence``, ``reaper``, ``transaction``) to show that the counts can be other than 0.
"""

from __future__ import annotations

import contextlib
import json
import os
import random
import signal
import sys
import time
from collections import Counter
from pathlib import Path
from types import SimpleNamespace
from typing import Any, cast

import django

django.setup()

from django.conf import settings
from django.core.files.storage import default_storage
from django.core.management import call_command
from django.db import OperationalError, connections, transaction
from django.db.models import Q

from analysis_worker import files, handlers, tasks
from crewprep.activity.models import Activity
from crewprep.jobs import services as jobs
from crewprep.jobs.models import Job, JobKind, JobState
from crewprep.models import Crew, Track

services: Any = jobs  # its names are replaced below, which types would forbid

RESULTS = 5
LEASE_S = 0.8
KILLS = Path(settings.VAR_DIR) / "kills"
CONTENT = b"sound " * 2000
chance = random.Random()


class Killer:
    """Ends this process at a named point, now and then."""

    def __init__(self, probability: float) -> None:
        self.probability = probability

    def at(self, point: str) -> None:
        """Perhaps the end."""
        if chance.random() < self.probability:
            with KILLS.open("a") as file:
                file.write(point + "\n")
            os.kill(os.getpid(), signal.SIGKILL)

    def around(self, module: Any, name: str, before: str = "", after: str = "") -> None:
        """Put points before and after a function of a module."""
        function = getattr(module, name)

        def wrapped(*args: Any, **kwargs: Any) -> Any:
            if before:
                self.at(before)
            result = function(*args, **kwargs)
            if after and result is not None and result is not False:
                self.at(after)
            return result

        setattr(module, name, wrapped)


def install(options: dict[str, Any]) -> None:
    """Shorten the lease, put the points in, take the named guard away, and replace the analysis by a short sleep."""
    settings.JOB_LEASE_S = LEASE_S
    settings.JOB_RERING_AFTER_S = 1
    services.bell.ring = lambda job_id: True  # workers here look by themselves
    services.BACKOFF_FIRST_S = 0.2
    without(options["without"])
    killer = Killer(options["kill"])
    killer.around(services, "crews_by_turn", after="claim: before a job is taken")
    killer.around(services, "_take", after="claim: lease written, not committed")
    killer.around(services, "claim_next", after="claim: committed")
    killer.around(services, "heartbeat", before="heartbeat: before", after="heartbeat: after")
    killer.around(os, "fsync", before="file: written, not flushed")
    killer.around(files, "store", before="file: before", after="file: renamed")
    killer.around(services, "_settle", before="finish: before the state changes", after="finish: state changed")
    killer.around(services, "finish", after="finish: committed")
    killer.around(services, "give_back", before="give back: before", after="give back: after")
    killer.around(services, "ring_due", before="ring: before", after="ring: after")
    record = services.record

    def recorded(**values: Any) -> Any:
        killer.at(f"{values['verb']}: before the record")
        row = record(**values)
        killer.at(f"{values['verb']}: recorded, not committed")
        return row

    services.record = recorded

    def work(claim: jobs.Claim, keeper: handlers.Keeper) -> None:
        keeper("Working")
        killer.at("work: under way")
        time.sleep(chance.uniform(0.005, 0.04))
        if chance.random() < options["fall"]:
            raise RuntimeError("made to fall")
        path = Path(settings.VAR_DIR) / f"made-{claim.token.hex}"
        path.write_bytes(CONTENT)
        key = files.store(path, f"crews/{claim.crew_id}/proxies/{claim.token.hex}.flac")
        path.unlink()
        if chance.random() < options["stall"]:
            time.sleep(LEASE_S * 1.6)  # a stopped machine: no heartbeat, then on as if nothing had happened

        def apply(job: Job) -> None:
            for ordinal in range(RESULTS):
                killer.at("finish: between results")
                Activity.objects.create(
                    crew_id=job.crew_id, verb="result", subject_kind="job", subject_id=job.pk,
                    details={"ordinal": ordinal, "key": key},
                )  # fmt: skip

        services.finish(claim, apply)

    cast(Any, handlers).HANDLERS = {JobKind.ANALYSE: work}


def without(guard: str) -> None:
    """Take one guard away."""
    if guard == "fence":
        services._held = lambda claim: Job.objects.filter(pk=claim.job_id)
    elif guard == "reaper":
        services.is_waiting = lambda now: Q(state=JobState.QUEUED, available_at__lte=now)
        services._give_up_lost = lambda now: None
    elif guard == "transaction":
        finish = services.finish
        free = SimpleNamespace(atomic=contextlib.nullcontext)

        def finish_in_pieces(*args: Any) -> bool:
            services.transaction, services.record = free, lambda **values: None
            try:
                return finish(*args)
            finally:
                services.transaction, services.record = transaction, record

        record = services.record
        services.finish = finish_in_pieces
    elif guard:
        raise ValueError(guard)


def queue(count: int) -> None:
    """Jobs of three crews."""
    crews = [Crew.objects.create(name=f"Crew {n}", slug=f"crew-{n}") for n in range(3)]
    for number in range(count):
        with transaction.atomic():
            track = Track.objects.create(crew=crews[number % 3], title=f"Track {number}")
            services.enqueue(track=track, kind=JobKind.ANALYSE, input_sha256="0" * 64, params={}, asked_by=None)


def be_a_worker(options: dict[str, Any]) -> None:
    """Answer one bell after the other until killed."""
    install(options)
    turn = 0
    while True:
        turn += 1
        try:
            tasks.run_job.run("")
            if turn % 20 == 0:
                tasks.ring_waiting_jobs.run()
        except OperationalError:
            connections.close_all()
        time.sleep(0.01)


def supervise(options: dict[str, Any]) -> None:
    """Keep the workers going until all jobs are settled, or nothing has moved for five leases."""
    running: set[int] = set()
    still_since, before = time.monotonic(), None
    try:
        while True:
            while len(running) < options["workers"]:
                pid = os.fork()
                if pid == 0:
                    chance.seed(os.getpid() * 7919 + options["seed"])
                    be_a_worker(options)
                running.add(pid)
            time.sleep(0.05)
            while running and (gone := os.waitpid(-1, os.WNOHANG)[0]):
                running.discard(gone)
            now = dict(Counter(Job.objects.values_list("state", "attempt")))
            connections.close_all()
            live = sum(count for (state, _), count in now.items() if state in {"queued", "leased"})
            if now != before:
                still_since, before = time.monotonic(), now
            if not live or time.monotonic() - still_since > 5 * LEASE_S:
                return
    finally:
        if options["without"] == "fence":
            time.sleep(2 * LEASE_S)  # stalled workers wake and finish once more
        for pid in running:
            os.kill(pid, signal.SIGKILL)
            os.waitpid(pid, 0)


def count() -> dict[str, Any]:
    """What became of the jobs."""
    rows: dict[Any, list[Any]] = {}
    for row in Activity.objects.filter(verb="result"):
        rows.setdefault(row.subject_id, []).append(row.details)
    found = Counter(dict.fromkeys(("done", "dead", "lost", "twice", "partial", "unnamed", "broken_files"), 0))
    for job in Job.objects.all():
        made = len(rows.get(job.pk, []))
        found[str(job.state)] += 1
        found["lost"] += job.state not in {JobState.DONE, JobState.DEAD}
        found["twice"] += made > RESULTS
        found["partial"] += made < RESULTS if job.state == JobState.DONE else made > 0
        found["unnamed"] += job.attempt > settings.JOB_MAX_ATTEMPTS
        found["unnamed"] += job.state == JobState.DEAD and not (job.error_code and job.error_detail)
        for key in {details["key"] for details in rows.get(job.pk, [])}:
            whole = default_storage.exists(key) and default_storage.open(key).read() == CONTENT
            found["broken_files"] += not whole
    told = Counter(Activity.objects.filter(verb="work done").values_list("subject_id", flat=True))
    found["told_twice"] = sum(1 for times in told.values() if times > 1)
    kills = Counter(KILLS.read_text().splitlines()) if KILLS.exists() else Counter()
    return {**found, "kills": kills.total(), "points": dict(kills)}


def main() -> None:
    """Run and report."""
    options: dict[str, Any] = {
        "jobs": 120,
        "workers": 3,
        "kill": 0.04,
        "stall": 0.08,
        "fall": 0.03,
        "without": "",
        "seed": 1,
    }
    options |= json.loads(sys.argv[1]) if len(sys.argv) > 1 else {}
    call_command("migrate", verbosity=0)
    queue(options["jobs"])
    connections.close_all()
    started = time.monotonic()
    supervise(options)
    print(json.dumps(count() | {"seconds": round(time.monotonic() - started, 1)}))


if __name__ == "__main__":
    main()
