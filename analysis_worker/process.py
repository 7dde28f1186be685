"""Runs one child process under a wall limit, reads its answers line by line, and always ends its whole group."""

from __future__ import annotations

import os
import selectors
import signal
import subprocess
import time
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Final

TICK_S: Final = 0.25
_EXIT_POLL_S: Final = 0.01
_READ_BYTES: Final = 65_536
_TAIL_BYTES: Final = 4_096


@dataclass(frozen=True, slots=True)
class ChildEnd:
    """How a child ended: ``reason`` is empty after exit code 0; ``stderr_tail`` keeps its last words."""

    reason: str
    cancelled: bool
    stderr_tail: bytes


def run_process(
    command: Sequence[str],
    *,
    cwd: Path,
    environment: Mapping[str, str],
    wall_s: float,
    max_bytes: int,
    on_line: Callable[[bytes], None],
    on_tick: Callable[[], bool | None] | None = None,
) -> ChildEnd:
    """Run a command without input in a session of its own; ``on_line`` gets each line of its standard output.

    The child's process group is killed when ``on_tick`` returns False, after ``wall_s`` seconds, when it prints more
    than ``max_bytes``, when ``on_line`` rejects a line with ``ValueError``, and also after a normal end. What
    ``on_tick`` raises passes through, after the kill.
    """
    child = subprocess.Popen(
        command,
        stdin=subprocess.DEVNULL,
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        cwd=cwd,
        env=dict(environment),
        start_new_session=True,
    )
    watch = _Watch(child, on_line, max_bytes)
    try:
        reason, cancelled = watch.until_end(time.monotonic() + wall_s, on_tick)
    finally:
        watch.end_group()
    return ChildEnd(reason or _exit_reason(child.returncode), cancelled, bytes(watch.stderr_tail))


class _Watch:
    def __init__(self, child: subprocess.Popen[bytes], on_line: Callable[[bytes], None], max_bytes: int) -> None:
        assert child.stdout is not None
        assert child.stderr is not None
        self.stderr_tail = bytearray()
        self._child, self._on_line, self._room = child, on_line, max_bytes
        self._stdout, self._stderr = child.stdout, child.stderr
        self._line = bytearray()
        self._selector = selectors.DefaultSelector()
        for pipe in (self._stdout, self._stderr):
            os.set_blocking(pipe.fileno(), False)
            self._selector.register(pipe, selectors.EVENT_READ)

    def until_end(self, deadline: float, on_tick: Callable[[], bool | None] | None) -> tuple[str, bool]:
        """(why we end the child or "", whether ``on_tick`` asked for it)."""
        next_tick = time.monotonic()
        while True:
            now = time.monotonic()
            if now > deadline:
                return "time limit", False
            if now >= next_tick:
                next_tick = now + TICK_S
                if on_tick and on_tick() is False:
                    return "cancelled", True
            gone = self._gone()  # asked before the last read, so that nothing said before the end is missed
            try:
                self._read(0.0 if gone else min(TICK_S, max(0.0, next_tick - time.monotonic())))
            except ValueError as error:
                return f"output refused: {error}", False
            if gone:
                return "", False

    def end_group(self) -> None:
        """Kill whatever is left of the group, then take the child's exit code. In this order: until its code is
        taken the child's number, which is the group's, cannot be given to another process."""
        if self._child.returncode is None:
            try:
                os.killpg(self._child.pid, signal.SIGKILL)
            except (ProcessLookupError, PermissionError):  # macOS reports a group of zombies so
                self._child.kill()
            self._child.wait()
        self._selector.close()
        self._stdout.close()
        self._stderr.close()

    def _gone(self) -> bool:
        """Whether the child has ended; its exit code stays to be taken."""
        return os.waitid(os.P_PID, self._child.pid, os.WEXITED | os.WNOHANG | os.WNOWAIT) is not None

    def _read(self, wait_s: float) -> None:
        if not self._selector.get_map():
            time.sleep(min(wait_s, _EXIT_POLL_S))  # both pipes are closed: the end is near
            return
        for key, _ in self._selector.select(wait_s):
            while data := self._chunk(key.fd):
                if key.fileobj is self._stderr:
                    self.stderr_tail = (self.stderr_tail + data)[-_TAIL_BYTES:]
                    break  # a chatterer must not keep us from looking at the clock
                self._take(data)
            if data == b"":
                self._selector.unregister(key.fileobj)

    @staticmethod
    def _chunk(descriptor: int) -> bytes | None:
        try:
            return os.read(descriptor, _READ_BYTES)
        except BlockingIOError:
            return None

    def _take(self, data: bytes) -> None:
        self._room -= len(data)
        if self._room < 0:
            raise ValueError("too much of it")
        self._line += data
        *lines, rest = self._line.split(b"\n")
        self._line = bytearray(rest)
        for line in lines:
            self._on_line(bytes(line))


def _exit_reason(returncode: int | None) -> str:
    if returncode == 0:
        return ""
    if returncode is None or returncode > 0:
        return f"exit code {returncode}"
    try:
        return f"killed by {signal.Signals(-returncode).name}"
    except ValueError:
        return f"killed by signal {-returncode}"
