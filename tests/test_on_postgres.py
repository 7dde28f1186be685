"""The suite once more on PostgreSQL, where rivals really run side by side.

Left out there: what has no database, what speaks of SQLite itself, and what starts its own servers anyway.
"""

from __future__ import annotations

import os
import subprocess
import sys
import uuid
from pathlib import Path
from urllib.parse import urlsplit

import pytest

ROOT = Path(__file__).resolve().parent.parent


@pytest.mark.postgres
@pytest.mark.timeout(1500)
@pytest.mark.skipif("CREWPREP_TEST_DATABASE_URL" in os.environ, reason="this is that run")
def test_the_suite_passes_on_postgresql(postgres_url: str) -> None:
    name = f"crewprep_{uuid.uuid4().hex[:8]}"
    url = urlsplit(postgres_url)._replace(path=f"/{name}").geturl()
    run = subprocess.run(
        [
            sys.executable, "-m", "pytest", "-q", "-x", "-p", "no:cacheprovider",
            "-m", "not embedded_only and not postgres and not redis and not browser",
            "--ignore=tests/core", "--ignore=tests/fixtures", "--ignore=tests/accuracy", "--ignore=tests/worker",
            "tests",
        ],
        cwd=ROOT,
        env={**os.environ, "CREWPREP_TEST_DATABASE_URL": url},
        capture_output=True,
        text=True,
        check=False,
    )  # fmt: skip
    assert run.returncode == 0, run.stdout[-6000:] + run.stderr[-2000:]
    assert " passed" in run.stdout
