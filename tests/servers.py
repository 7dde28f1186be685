"""Real processes for tests and benchmarks: a service with its own folder, database and broker."""

from __future__ import annotations

import os
import signal
import socket
import subprocess
import sys
import time
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path
from urllib.error import URLError
from urllib.request import urlopen

ROOT = Path(__file__).resolve().parent.parent


def free_port() -> int:
    """A port that nobody listens on at this moment."""
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        port: int = probe.getsockname()[1]
        return port


@dataclass
class Service:
    """A service under test. ``environment`` names its folder and, where given, its database and broker."""

    folder: Path
    environment: dict[str, str]
    port: int = field(default_factory=free_port)

    @property
    def url(self) -> str:
        """Where the pages are."""
        return f"http://127.0.0.1:{self.port}"

    def manage(self, *arguments: str, program: str = "") -> str:
        """Run a management command (or, with ``program``, a script with Django set up); returns what it printed."""
        if program:
            command = [sys.executable, "-c", f"import django; django.setup()\n{program}", *arguments]
        else:
            command = [sys.executable, "manage.py", *arguments]
        run = subprocess.run(command, cwd=ROOT, env=self.environment, capture_output=True, text=True, check=False)
        if run.returncode:
            raise RuntimeError(f"{command[1:3]} failed:\n{run.stdout[-2000:]}\n{run.stderr[-4000:]}")
        return run.stdout

    def log(self) -> str:
        """What the processes said, for the message of a failing test."""
        return "\n".join(path.read_text(errors="replace")[-4000:] for path in sorted(self.folder.glob("*.log")))


def environment(folder: Path, **more: str) -> dict[str, str]:
    """The environment of a service that writes into ``folder`` alone."""
    keep = {
        name: value for name, value in os.environ.items() if not name.startswith(("CREWPREP_", "DATABASE_", "CELERY_"))
    }
    keep.pop("DJANGO_SETTINGS_MODULE", None)
    return {
        **keep, "CREWPREP_VAR": str(folder), "DJANGO_SETTINGS_MODULE": "crewprep.settings", "PYTHONUNBUFFERED": "1",
        "OMP_NUM_THREADS": "1", **more,
    }  # fmt: skip


@contextmanager
def running(service: Service, *, worker: bool = True, web_workers: int = 2) -> Iterator[Service]:
    """Start web and worker as ``manage.py up`` does, and stop them again."""
    service.manage("migrate", "--verbosity", "0", "--no-input")
    service.manage("collectstatic", "--verbosity", "0", "--no-input")
    commands = {
        "web": [
            "gunicorn", "crewprep.wsgi", "--bind", f"127.0.0.1:{service.port}", "--worker-class", "gthread",
            "--workers", str(web_workers), "--threads", "8", "--log-level", "warning",
        ]
    }  # fmt: skip
    if worker:
        commands["worker"] = [
            "celery", "-A", "crewprep", "worker", "--beat", "--pool", "prefork", "--concurrency", "1",
            "--loglevel", "INFO", "--without-gossip", "--without-mingle",
        ]  # fmt: skip
    processes = []
    try:
        for name, command in commands.items():
            with (service.folder / f"{name}.log").open("ab") as log:
                processes.append(
                    subprocess.Popen(
                        [sys.executable, "-m", *command], cwd=ROOT, env=service.environment, stdout=log,
                        stderr=subprocess.STDOUT, start_new_session=True,
                    )
                )  # fmt: skip
        _await_answer(service)
        yield service
    finally:
        for process in processes:
            process.terminate()
        for process in processes:
            try:
                process.wait(20)
            except subprocess.TimeoutExpired:
                os.killpg(process.pid, signal.SIGKILL)
                process.wait()


def _await_answer(service: Service) -> None:
    for _ in range(300):
        try:
            urlopen(f"{service.url}/sign-in/", timeout=5).close()
            return
        except (URLError, ConnectionError, TimeoutError):
            time.sleep(0.1)
    raise RuntimeError(f"The web server does not answer:\n{service.log()}")
