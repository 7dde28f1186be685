"""Starting and stopping the practice programs and a private Redis."""

from __future__ import annotations

import json
import shutil
import signal
import socket
import subprocess
import sys
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

from crewprep.management.kept import Kept
from tests.jobs.places import ROOT

PROGRAM = [sys.executable, str(ROOT / "tests/jobs/practice.py")]
CELERY = ("-B", "--pool", "prefork", "--loglevel", "WARNING", "--without-gossip", "--without-mingle")


@contextmanager
def started(command: list[str], environment: dict[str, str], log: Path) -> Iterator[subprocess.Popen[bytes]]:
    """A process in a group of its own that is killed with its group at the end."""
    with log.open("ab") as out:
        process = subprocess.Popen(
            command, env=environment, cwd=ROOT, stdin=subprocess.DEVNULL, stdout=out, stderr=out, start_new_session=True
        )
    try:
        yield process
    finally:
        if process.poll() is None:
            process.send_signal(signal.SIGTERM)
            try:
                process.wait(timeout=20)
            except subprocess.TimeoutExpired:
                process.kill()
                process.wait()


@contextmanager
def worker(
    environment: dict[str, str], log: Path, *, concurrency: int = 1, **options: Any
) -> Iterator[subprocess.Popen[bytes]]:
    """A Celery worker with beat inside."""
    command = [*PROGRAM, "worker", json.dumps(options), *CELERY, "--concurrency", str(concurrency)]
    with started(command, environment, log) as process:
        yield process


@contextmanager
def kept_worker(environment: dict[str, str], log: Path, *, concurrency: int = 1, **options: Any) -> Iterator[Kept]:
    """A Celery worker with beat inside that is started again when it stops by itself, as ``manage.py up`` does."""
    command = [*PROGRAM, "worker", json.dumps(options), *CELERY, "--concurrency", str(concurrency)]

    def start() -> subprocess.Popen[bytes]:
        with log.open("ab") as out:
            return subprocess.Popen(
                command, env=environment, cwd=ROOT, stdin=subprocess.DEVNULL, stdout=out, stderr=out,
                start_new_session=True,
            )  # fmt: skip

    kept, over = Kept(start), threading.Event()

    def look() -> None:
        while not over.wait(0.2):
            kept.look()

    keeper = threading.Thread(target=look)
    keeper.start()
    try:
        yield kept
    finally:
        over.set()
        keeper.join()
        kept.stop(within_s=20)


class Queue:
    """The queueing program: ``asked`` waits until all jobs are asked for, ``report`` until they are settled."""

    def __init__(self, environment: dict[str, str], params: list[dict[str, Any]], **options: Any) -> None:
        command = [*PROGRAM, "queue", json.dumps({"params": params, **options})]
        self._process = subprocess.Popen(
            command, env=environment, cwd=ROOT, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True
        )

    def asked(self) -> None:
        """Wait until the last job is asked for."""
        assert self._process.stdout is not None
        line = self._process.stdout.readline()
        assert line, self._process.stderr and self._process.stderr.read()[-4000:]

    def running(self) -> bool:
        """Whether jobs are still awaited."""
        return self._process.poll() is None

    def stop(self) -> None:
        """Wait no longer."""
        self._process.kill()
        self._process.communicate()

    def report(self) -> dict[str, Any]:
        """Wait for the end and read the count."""
        out, errors = self._process.communicate(timeout=280)
        assert self._process.returncode == 0, errors[-4000:]
        report: dict[str, Any] = json.loads(out.splitlines()[-1])
        print({name: value for name, value in report.items() if name != "jobs"})
        return report


class Redis:
    """A Redis server of one's own that forgets everything when it is killed."""

    def __init__(self, folder: Path) -> None:
        with socket.socket() as free:
            free.bind(("127.0.0.1", 0))
            self.port = free.getsockname()[1]
        self.url = f"redis://127.0.0.1:{self.port}/0"
        self._command = [
            str(shutil.which("redis-server")), "--port", str(self.port), "--bind", "127.0.0.1", "--save", "",
            "--appendonly", "no", "--dir", str(folder), "--logfile", str(folder / "redis.log"),
        ]  # fmt: skip

    def start(self) -> None:
        """Start it and wait until it answers."""
        self._process = subprocess.Popen(self._command, start_new_session=True)
        for _ in range(200):
            with socket.socket() as probe:
                if probe.connect_ex(("127.0.0.1", self.port)) == 0:
                    return
            time.sleep(0.05)
        raise AssertionError("redis-server does not answer")

    def kill(self) -> None:
        """SIGKILL."""
        self._process.kill()
        self._process.wait()

    def forget(self) -> None:
        """FLUSHALL."""
        import redis

        with redis.Redis(port=self.port) as client:
            client.flushall()
