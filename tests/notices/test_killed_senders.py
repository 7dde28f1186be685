"""Senders killed with SIGKILL: before the mail server has taken a mail, nothing is lost and nothing goes twice; killed
between its yes and the mark, a mail goes again under the same Message-ID. Marked before it is handed over, mails are
lost: the control."""

from __future__ import annotations

import json
import subprocess
import sys
from pathlib import Path
from typing import Any

import pytest

from tests.jobs.places import ROOT, environment, fresh_database

MAILS = 40
DATABASES = (
    pytest.param("sqlite", marks=pytest.mark.embedded_only),
    pytest.param("postgres", marks=pytest.mark.postgres),
)


def run_killed(kind: str, folder: Path, request: pytest.FixtureRequest, **options: Any) -> dict[str, Any]:
    """Run the program and read its report."""
    with fresh_database(kind, request) as url:
        run = subprocess.run(
            [sys.executable, str(ROOT / "tests/notices/killed.py"), json.dumps({"mails": MAILS, **options})],
            env=environment(folder, database_url=url, CREWPREP_LOG_LEVEL="CRITICAL"), cwd=ROOT, capture_output=True,
            text=True, check=False,
        )  # fmt: skip
    assert run.returncode == 0, run.stderr[-4000:]
    report: dict[str, Any] = json.loads(run.stdout.splitlines()[-1])
    print(kind, options, report)
    return report


@pytest.mark.parametrize("kind", DATABASES)
def test_killed_before_the_server_took_it_or_after_the_mark(
    kind: str, tmp_path: Path, request: pytest.FixtureRequest
) -> None:
    report = run_killed(kind, tmp_path, request, kill={"taken": 0.12, "handing over": 0.12, "marked": 0.12})
    assert len(report["kills"]) == 3
    assert (report["lost"], report["again"], report["states"]) == (0, 0, {"sent": MAILS})


@pytest.mark.parametrize("kind", DATABASES)
def test_links_to_addresses_are_as_safe(kind: str, tmp_path: Path, request: pytest.FixtureRequest) -> None:
    kill = {"taken": 0.12, "handing over": 0.12, "marked": 0.12}
    report = run_killed(kind, tmp_path, request, links=True, kill=kill)
    assert len(report["kills"]) == 3
    assert (report["lost"], report["again"], report["states"]) == (0, 0, {"sent": MAILS})


@pytest.mark.parametrize("kind", DATABASES)
def test_killed_between_the_yes_and_the_mark_it_goes_again_and_is_recognised(
    kind: str, tmp_path: Path, request: pytest.FixtureRequest
) -> None:
    report = run_killed(kind, tmp_path, request, kill={"taken by the server": 0.2})
    kills = report["kills"]["taken by the server"]
    assert report["lost"] == 0
    assert report["again"] == kills > 0
    assert report["ids"] == 0


@pytest.mark.embedded_only
def test_control_marked_before_it_is_handed_over_mails_are_lost(tmp_path: Path, request: pytest.FixtureRequest) -> None:
    report = run_killed("sqlite", tmp_path, request, early=True, kill={"marked early": 0.2})
    assert report["lost"] > 0
