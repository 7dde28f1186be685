"""``manage.py up``: the whole service on one machine, with no server beside it.

Prepares the database and static files, fills in the demo on the first run, then starts the web server and one worker
and waits. Ctrl-C stops both; a running job is handed back so that the next start takes it up at once.
"""

from __future__ import annotations

import os
import signal
import socket
import subprocess
import sys
import time
from argparse import ArgumentParser
from types import FrameType
from typing import Any

from django.conf import settings
from django.core.management import call_command
from django.core.management.base import BaseCommand, CommandError

from crewprep.common import statistics
from crewprep.crews.models import Crew
from crewprep.library.upkeep import freshen
from crewprep.management.kept import Kept, StoppedTooOften
from crewprep.onboarding.fates import uncounted
from crewprep.sheets.models import SheetVersion

STOP_WITHIN_S = 15


class Command(BaseCommand):
    """Start web and worker."""

    help = "Start crewprep: web server and worker, with a demo crew on the first run."

    def add_arguments(self, parser: ArgumentParser) -> None:
        """Address, and whether to fill in the demo."""
        parser.add_argument("--host", default=os.environ.get("HOST", "127.0.0.1"))
        parser.add_argument("--port", type=int, default=int(os.environ.get("PORT", "8000")))
        parser.add_argument("--no-demo", action="store_true", help="Start with an empty service.")

    def handle(self, *args: Any, **options: Any) -> None:
        """Prepare, start, wait, stop."""
        host, port = options["host"], options["port"]
        _require_free(host, port)
        os.environ.setdefault("CREWPREP_URL", f"http://localhost:{port}/")  # for links in mails, by both processes
        call_command("migrate", verbosity=0, interactive=False)
        if SheetVersion.objects.filter(findings=None).exists():
            call_command("recheck_sheets")
        if uncounted().exists():
            call_command("recount_fates")
        freshen()
        statistics.refresh()
        call_command("collectstatic", verbosity=0, interactive=False)
        if not options["no_demo"] and not Crew.objects.exists():
            call_command("seed_demo")

        stop: list[int] = []

        def on_signal(number: int, frame: FrameType | None) -> None:
            stop.append(number)

        signal.signal(signal.SIGINT, on_signal)
        signal.signal(signal.SIGTERM, on_signal)
        kept = {"web server": Kept(lambda: _start_web(host, port)), "worker": Kept(_start_worker)}
        try:
            if _answers(host, port, kept["web server"].process, stop):
                self._announce(host, port)
            while not stop:
                for name, one in kept.items():
                    self._look_after(name, one)
                time.sleep(0.2)
            self.stdout.write("\nStopping …")
        finally:
            _stop(list(kept.values()))
        self.stdout.write("Stopped.")

    def _look_after(self, name: str, kept: Kept) -> None:
        before = kept.restarts
        try:
            kept.look()
        except StoppedTooOften as error:
            raise CommandError(f"The {name} keeps stopping: {error}. Its last lines above say why.") from error
        if kept.restarts > before:
            self.stderr.write(f"The {name} had stopped by itself and was started again.")

    def _announce(self, host: str, port: int) -> None:
        self.stdout.write(f"\ncrewprep is at http://{host}:{port}/\n")
        if Crew.objects.filter(slug="demo").exists():
            from crewprep.management.commands.seed_demo import PASSWORD, PEOPLE

            self.stdout.write("Demo sign-ins (password for all: " + PASSWORD + "):")
            for name, role, full_name in PEOPLE:
                self.stdout.write(f"  {name:<8} {role:<9} {full_name}")
        self.stdout.write("Press Ctrl-C to stop.\n")
        self.stdout.flush()


def _require_free(host: str, port: int) -> None:
    with socket.socket(socket.AF_INET6 if ":" in host else socket.AF_INET) as probe:
        probe.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        try:
            probe.bind((host, port))
        except OSError as error:
            raise CommandError(
                f"Port {port} on {host} cannot be used ({error.strerror}). "
                f"Stop what runs there, or choose another: make up PORT={port + 1}"
            ) from error


def _start_web(host: str, port: int) -> subprocess.Popen[bytes]:
    address = f"[{host}]:{port}" if ":" in host else f"{host}:{port}"
    # Threads, not plain processes: two slow uploads would hold up everybody else (measured: 11 s against 4 ms).
    command = [
        sys.executable, "-m", "gunicorn", "crewprep.wsgi", "--bind", address, "--worker-class", "gthread",
        "--workers", "2", "--threads", "8", "--timeout", "300", "--graceful-timeout", "10", "--log-level", "warning",
    ]  # fmt: skip
    return subprocess.Popen(command, cwd=settings.BASE_DIR, start_new_session=True)


def _start_worker() -> subprocess.Popen[bytes]:
    command = [
        sys.executable, "-m", "celery", "--quiet", "-A", "crewprep", "worker", "--beat", "--pool", "prefork",
        "--concurrency", "1", "--loglevel", "WARNING", "--without-gossip", "--without-mingle",
    ]  # fmt: skip
    # A session of its own: Ctrl-C at the terminal must reach this command alone, which then stops both in order.
    return subprocess.Popen(command, cwd=settings.BASE_DIR, start_new_session=True)


def _answers(host: str, port: int, web: subprocess.Popen[bytes], stop: list[int]) -> bool:
    """Wait until the web server takes connections; False where it stopped or we are told to."""
    for _ in range(300):
        if stop or web.poll() is not None:
            return False
        try:
            socket.create_connection((host, port), timeout=1).close()
        except OSError:
            time.sleep(0.1)
        else:
            return True
    return False


def _stop(kept: list[Kept]) -> None:
    for one in kept:
        if one.process.poll() is None:
            one.process.terminate()
    deadline = time.monotonic() + STOP_WITHIN_S
    for one in kept:
        one.stop(max(0.1, deadline - time.monotonic()))
