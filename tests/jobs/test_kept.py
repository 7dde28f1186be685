"""A process that stops by itself is started again, until it does so too often."""

from __future__ import annotations

import subprocess
import sys

import pytest

from crewprep.management import kept
from crewprep.management.kept import Kept, StoppedTooOften


def ends_with(code: int) -> subprocess.Popen[bytes]:
    return subprocess.Popen([sys.executable, "-c", f"raise SystemExit({code})"], start_new_session=True)


def runs_on() -> subprocess.Popen[bytes]:
    return subprocess.Popen([sys.executable, "-c", "import time; time.sleep(60)"], start_new_session=True)


@pytest.fixture(autouse=True)
def no_pause(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(kept, "PAUSE_S", 0.0)


def test_what_runs_is_left_alone() -> None:
    one = Kept(runs_on)
    first = one.process.pid
    one.look()
    assert (one.process.pid, one.restarts) == (first, 0)
    one.stop(within_s=5)
    assert one.process.returncode is not None


def test_what_was_killed_is_started_again() -> None:
    one = Kept(runs_on)
    one.process.kill()
    one.process.wait()
    one.look()
    assert one.process.poll() is None
    assert one.restarts == 1
    one.stop(within_s=5)


def test_what_never_stays_up_is_given_up_with_its_exit_code() -> None:
    one = Kept(lambda: ends_with(3))
    for _ in range(kept.FEW_STARTS - 1):
        one.process.wait()
        one.look()
    one.process.wait()
    with pytest.raises(StoppedTooOften) as given_up:
        one.look()
    assert given_up.value.exit_code == 3
    assert one.restarts == kept.FEW_STARTS - 1
