"""One byte that the worker's main process and its children share: whether the worker is told to stop.

Celery's own warm stop waits for the running task however long that takes. Ours looks at this byte while it works,
gives the job back, and lets Celery stop at once. The byte is shared memory from before the fork, so that it reaches
pool processes without a signal of their own.
"""

from __future__ import annotations

import mmap

_flag = mmap.mmap(-1, 1)


class StopError(Exception):
    """The worker is told to stop: leave the work as it is."""


def stop() -> None:
    """Ask every process of this worker to stop; may be called from a signal handler."""
    _flag[0] = 1


def start() -> None:
    """Take work (again)."""
    _flag[0] = 0


def is_stopping() -> bool:
    """Whether the worker is told to stop."""
    return _flag[0] == 1


def check() -> None:
    """Raise ``StopError`` where the worker is told to stop."""
    if is_stopping():
        raise StopError
