"""Workers killed with SIGKILL at named points, in between and while they sleep past their lease: nothing is lost,
nothing is done twice, nothing is half done. Each guard is also taken away, and the count must then show it.

``CREWPREP_TEST_JOBS=500`` runs the larger number that the reliability goal names.
"""

from __future__ import annotations

import json
import os
import subprocess
import sys
from pathlib import Path
from typing import Any

import pytest

from tests.jobs.places import ROOT, environment, fresh_database

JOBS = int(os.environ.get("CREWPREP_TEST_JOBS", "100"))
FAULTS = ("lost", "twice", "partial", "unnamed", "broken_files", "told_twice")
DATABASES = (
    pytest.param("sqlite", marks=pytest.mark.embedded_only),
    pytest.param("postgres", marks=pytest.mark.postgres),
)


def run_chaos(folder: Path, database_url: str, **options: Any) -> dict[str, Any]:
    """Run the program and read its report."""
    run = subprocess.run(
        [sys.executable, str(ROOT / "tests/jobs/chaos.py"), json.dumps({"jobs": JOBS, **options})],
        env=environment(folder, database_url=database_url, CREWPREP_LOG_LEVEL="CRITICAL"),
        cwd=ROOT,
        capture_output=True,
        text=True,
        check=False,
    )
    assert run.returncode == 0, run.stderr[-4000:]
    report: dict[str, Any] = json.loads(run.stdout.splitlines()[-1])
    print(database_url.split(":")[0] or "sqlite", options, report)
    return report


@pytest.mark.timeout(900)
@pytest.mark.parametrize("kind", DATABASES)
def test_killed_workers_lose_nothing_and_do_nothing_twice(
    kind: str, tmp_path: Path, request: pytest.FixtureRequest
) -> None:
    with fresh_database(kind, request) as url:
        report = run_chaos(tmp_path, url)
    assert {name: report[name] for name in FAULTS} == dict.fromkeys(FAULTS, 0)
    assert report["done"] + report["dead"] == JOBS
    assert report["done"] >= 0.7 * JOBS  # or the workers died too often for the run to show anything
    assert report["kills"] >= 0.4 * JOBS
    assert len(report["points"]) >= 10


CONTROLS = [
    # (guard taken away, kinds of fault of which one must show, what makes it show)
    ("fence", ("twice", "told_twice"), {"jobs": 40, "kill": 0.01, "stall": 0.4}),
    ("reaper", ("lost",), {"jobs": 30, "kill": 0.04}),
    ("transaction", ("partial",), {"jobs": 40, "kill": 0.06}),
]


@pytest.mark.timeout(300)
@pytest.mark.parametrize("kind", DATABASES)
@pytest.mark.parametrize(("guard", "faults", "options"), CONTROLS, ids=[guard for guard, *_ in CONTROLS])
def test_control_without_a_guard_the_count_shows_it(
    kind: str,
    guard: str,
    faults: tuple[str, ...],
    options: dict[str, Any],
    tmp_path: Path,
    request: pytest.FixtureRequest,
) -> None:
    with fresh_database(kind, request) as url:
        report = run_chaos(tmp_path, url, without=guard, **options)
    assert sum(report[fault] for fault in faults) > 0
