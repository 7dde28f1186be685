"""Django's own checks for a service that strangers can reach."""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

ROOT = Path(__file__).resolve().parents[2]


def check_deploy(var: Path, **environment: str) -> str:
    """What ``manage.py check --deploy`` says of an environment."""
    kept = {name: value for name, value in os.environ.items() if not name.startswith(("CREWPREP_", "DJANGO_"))}
    run = subprocess.run(
        [sys.executable, "manage.py", "check", "--deploy", "--fail-level", "WARNING"],
        cwd=ROOT, capture_output=True, text=True, check=False,
        env={**kept, "CREWPREP_VAR": str(var), **environment},
    )  # fmt: skip
    return run.stdout + run.stderr


def test_behind_https_nothing_is_found(tmp_path: Path) -> None:
    said = check_deploy(tmp_path, CREWPREP_HTTPS="1", CREWPREP_HOSTS="crew.example.org")
    assert "no issues" in said, said


def test_without_https_something_is(tmp_path: Path) -> None:
    assert "security.W" in check_deploy(tmp_path, CREWPREP_HOSTS="crew.example.org")
