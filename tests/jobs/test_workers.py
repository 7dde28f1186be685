"""Real Celery workers: told to stop, given poison, shared between crews."""

from __future__ import annotations

import os
import signal
import sqlite3
import time
from contextlib import closing
from pathlib import Path
from typing import Any

import pytest

from tests.jobs.places import environment
from tests.jobs.processes import Queue, worker

pytestmark = [pytest.mark.embedded_only, pytest.mark.timeout(300)]


def row_of_only_job(folder: Path) -> tuple[str, int, str | None]:
    """State, attempts and lease of the one job, read beside the workers."""
    with closing(sqlite3.connect(folder / "crewprep.sqlite3", timeout=20)) as database:
        row: tuple[str, int, str | None] = database.execute(
            "SELECT state, attempt, lease_until FROM crewprep_job"
        ).fetchone()
    return row


def test_a_worker_told_to_stop_gives_its_job_back_and_the_next_one_takes_it(tmp_path: Path) -> None:
    own = environment(tmp_path, database_url="", broker_url="")
    queue = Queue(own, [{"sleep_s": 60}], quiet_s=60, lease_s=60)
    queue.asked()
    with worker(own, tmp_path / "log", lease_s=60) as first:
        while row_of_only_job(tmp_path)[0] != "leased":
            time.sleep(0.1)
        told_at = time.monotonic()
        first.send_signal(signal.SIGTERM)
        code = first.wait(timeout=60)  # the work itself would go on for a minute
        print(f"stopped {time.monotonic() - told_at:.1f} s after SIGTERM")
    assert code == 0, (tmp_path / "log").read_text()[-3000:]
    assert row_of_only_job(tmp_path) == ("queued", 0, None)
    with worker(own, tmp_path / "log", lease_s=60):
        while row_of_only_job(tmp_path)[:2] != ("leased", 1):
            time.sleep(0.1)
    queue.stop()


def test_poison_is_given_up_with_a_reason_and_holds_nobody_up(tmp_path: Path) -> None:
    own = environment(tmp_path, database_url="", broker_url="")
    params: list[dict[str, Any]] = [
        {"crew": 1, "die": True},
        {"crew": 1, "stop_decoder": True},
        *({"crew": 2, "sleep_s": 0.2, "n": n} for n in range(6)),
    ]
    queue = Queue(own, params)
    with worker(own, tmp_path / "log", lease_s=1.5):
        jobs = queue.report()["jobs"]
    deadly, stopping, *others = jobs
    assert (deadly["state"], deadly["attempt"], deadly["code"]) == ("dead", 5, "job:gave-up")
    assert "5 times" in deadly["detail"]
    assert (stopping["state"], stopping["attempt"], stopping["code"]) == ("dead", 3, "audio:decoder-stopped")
    assert "FLAC or WAV" in stopping["detail"]
    assert {job["state"] for job in others} == {"done"}
    assert {job["attempt"] for job in others} == {1}
    print("others took", [round(job["took_s"], 1) for job in others])


def test_one_crew_s_long_queue_does_not_hold_up_another_s_single_track(tmp_path: Path) -> None:
    own = environment(tmp_path, database_url="", broker_url="")
    params = [*({"crew": 1, "sleep_s": 0.3, "n": n} for n in range(12)), {"crew": 2, "sleep_s": 0.3}]
    queue = Queue(own, params)
    queue.asked()
    with worker(own, tmp_path / "log"):
        jobs = queue.report()["jobs"]
    finished = sorted(jobs, key=lambda job: job["finished_at"])
    place = [job["params"]["crew"] for job in finished].index(2)
    assert place <= 2, f"the single track came after {place} of the other crew's"


def test_a_worker_killed_whole_leaves_work_that_the_next_one_finishes(tmp_path: Path) -> None:
    own = environment(tmp_path, database_url="", broker_url="")
    queue = Queue(own, [{"sleep_s": 1.5}])
    queue.asked()
    with worker(own, tmp_path / "log", lease_s=2) as first:
        while row_of_only_job(tmp_path)[0] != "leased":
            time.sleep(0.1)
        os.killpg(first.pid, signal.SIGKILL)
        first.wait()
    assert row_of_only_job(tmp_path)[0] == "leased"
    with worker(own, tmp_path / "log", lease_s=2):
        report = queue.report()
    assert (report["states"], report["lost"], report["twice"], report["partial"]) == ({"done": 1}, 0, 0, 0)
    assert report["jobs"][0]["attempt"] == 2
