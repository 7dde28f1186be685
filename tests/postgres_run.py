"""A second run of the suite, on PostgreSQL, beside the first (loaded by ``tests/conftest.py``).

It starts once the first has collected ``tests/test_on_postgres.py``, and that test waits for its end. Each run keeps
one core busy, so that one after the other they would take nearly twice as long.
"""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import tempfile
import uuid
from pathlib import Path
from urllib.parse import urlsplit

import psycopg
import pytest

ROOT = Path(__file__).resolve().parent.parent
POSTGRES_URL = os.environ.get("CREWPREP_TEST_POSTGRES", "postgres://postgres@127.0.0.1:5432/postgres")
IS_SECOND = "CREWPREP_TEST_DATABASE_URL" in os.environ


class SecondRun:
    """A run on a database of its own, which it makes and drops; ``result`` waits for its end."""

    def __init__(self) -> None:
        self._output = tempfile.TemporaryFile("w+", encoding="utf-8")  # noqa: SIM115  closed by ``stop``
        name = f"crewprep_{uuid.uuid4().hex[:8]}"
        self._process = subprocess.Popen(
            [
                sys.executable, "-m", "pytest", "-q", "-x", "-p", "no:cacheprovider",
                "-m", "not embedded_only and not postgres and not redis and not browser",
                "--ignore=tests/core", "--ignore=tests/fixtures", "--ignore=tests/accuracy", "--ignore=tests/worker",
                "tests",
            ],
            cwd=ROOT,
            env={**os.environ, "CREWPREP_TEST_DATABASE_URL": urlsplit(POSTGRES_URL)._replace(path=f"/{name}").geturl()},
            stdout=self._output,
            stderr=subprocess.STDOUT,
            start_new_session=True,  # an interrupt from the keyboard reaches it once, by ``stop``
        )  # fmt: skip

    def result(self) -> tuple[int, str]:
        """Exit status, and the end of what it printed."""
        status = self._process.wait()
        self._output.seek(0)
        return status, self._output.read()[-8000:]

    def stop(self) -> None:
        """Interrupt it where it still runs, so that it drops its database."""
        if self._process.poll() is None:
            self._process.send_signal(signal.SIGINT)
            try:
                self._process.wait(60)
            except subprocess.TimeoutExpired:
                self._process.kill()
                self._process.wait()
        self._output.close()


_RUN = pytest.StashKey[SecondRun]()


def server_fault() -> str:
    """Why no PostgreSQL server can be used; empty where one answers."""
    try:
        psycopg.connect(POSTGRES_URL, connect_timeout=3).close()
    except psycopg.OperationalError as error:
        return f"no server answers at {POSTGRES_URL}: {str(error).strip().splitlines()[0]}"
    return ""


def _waits(item: pytest.Item) -> bool:
    return "second_run" in getattr(item, "fixturenames", ())


@pytest.hookimpl(trylast=True)
def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """Let the test that waits for it come last."""
    items.sort(key=_waits)


def pytest_collection_finish(session: pytest.Session) -> None:
    """Start it where a test waits for it."""
    wanted = any(_waits(item) for item in session.items) and not session.config.option.collectonly
    if wanted and not IS_SECOND and not server_fault():
        session.config.stash[_RUN] = SecondRun()


def pytest_unconfigure(config: pytest.Config) -> None:
    """Leave none behind."""
    if run := config.stash.get(_RUN, None):
        run.stop()


@pytest.fixture
def second_run(postgres_url: str, request: pytest.FixtureRequest) -> SecondRun:
    """The run that goes on beside this one."""
    return request.config.stash[_RUN]
