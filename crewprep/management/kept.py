"""A process that is started again when it stops by itself, as a service manager would.

Celery's worker may stop when its broker dies while an answer is on its way (seen with Celery 5.7 on a Redis that was
killed: the acknowledgement meets a connection that is already taken apart). Nothing is lost by that, since jobs live
in the database, but somebody has to start it again.
"""

from __future__ import annotations

import os
import signal
import subprocess
import time
from collections import deque
from collections.abc import Callable

FEW_STARTS = 5
WITHIN_S = 60.0
PAUSE_S = 1.0


class StoppedTooOften(RuntimeError):
    """It stopped again and again; ``exit_code`` is that of the last time."""

    def __init__(self, exit_code: int) -> None:
        super().__init__(f"stopped {FEW_STARTS} times within {WITHIN_S:.0f} s, last with exit code {exit_code}")
        self.exit_code = exit_code


class Kept:
    """One process, started at once and again by ``look`` after it has stopped."""

    def __init__(self, start: Callable[[], subprocess.Popen[bytes]]) -> None:
        self._start = start
        self._stops: deque[float] = deque(maxlen=FEW_STARTS)
        self.process = start()
        self.restarts = 0

    def look(self) -> None:
        """Start it again where it has stopped for ``PAUSE_S``; call this every now and then.

        Raises ``StoppedTooOften`` where it did so ``FEW_STARTS`` times within ``WITHIN_S`` seconds.
        """
        exit_code = self.process.poll()
        if exit_code is None:
            return
        now = time.monotonic()
        self._stops.append(now)
        if len(self._stops) == FEW_STARTS and now - self._stops[0] < WITHIN_S:
            raise StoppedTooOften(exit_code)
        time.sleep(PAUSE_S)
        self.process = self._start()
        self.restarts += 1

    def stop(self, within_s: float) -> None:
        """SIGTERM, then SIGKILL to its whole group after ``within_s`` seconds."""
        if self.process.poll() is None:
            self.process.terminate()
        try:
            self.process.wait(within_s)
        except subprocess.TimeoutExpired:
            os.killpg(self.process.pid, signal.SIGKILL)
            self.process.wait()
