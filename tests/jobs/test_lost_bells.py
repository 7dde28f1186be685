"""Real Celery workers whose broker loses what it carries: the job table finds the work again.

The controls take the re-ring away, and jobs must then be lost.
"""

from __future__ import annotations

import shutil
import sqlite3
import time
from collections.abc import Iterator
from contextlib import closing
from pathlib import Path

import pytest

from tests.conftest import absent
from tests.jobs.places import environment
from tests.jobs.processes import Queue, Redis, kept_worker, worker

NONE_OF_THEM = {"lost": 0, "twice": 0, "partial": 0}
EMBEDDED = ""


@pytest.fixture
def private_redis(tmp_path: Path) -> Iterator[Redis]:
    """A Redis of this test alone."""
    if shutil.which("redis-server") is None:
        absent("redis", "no redis-server is installed")
    server = Redis(tmp_path)
    server.start()
    yield server
    server.kill()


def forget_embedded(folder: Path) -> int:
    """Remove every waiting message from the embedded broker."""
    with closing(sqlite3.connect(folder / "broker.sqlite3", timeout=10)) as broker, broker:
        return broker.execute("DELETE FROM kombu_message").rowcount


def kept_after_delivery(folder: Path) -> int:
    """Messages that were delivered and lie on, as kombu's own transport leaves them: invisible."""
    with closing(sqlite3.connect(folder / "broker.sqlite3", timeout=10)) as broker:
        count: int = broker.execute("SELECT count(*) FROM kombu_message WHERE NOT visible").fetchone()[0]
    return count


@pytest.mark.redis
@pytest.mark.timeout(300)
def test_a_redis_that_forgets_and_dies_loses_no_work(private_redis: Redis, tmp_path: Path) -> None:
    own = environment(tmp_path, database_url="", broker_url=private_redis.url)
    queue = Queue(own, [{"sleep_s": 0.15, "n": n} for n in range(90)], duplicates=0.2, gap_s=0.08)
    with kept_worker(own, tmp_path / "log", concurrency=2):
        flushed = killed = 0
        while queue.running():
            time.sleep(2)
            if flushed <= killed or killed == 2:
                private_redis.forget()
                flushed += 1
            else:
                private_redis.kill()
                time.sleep(1)
                private_redis.start()
                killed += 1
        report = queue.report()
    assert {name: report[name] for name in NONE_OF_THEM} == NONE_OF_THEM, (tmp_path / "log").read_text()[-3000:]
    assert report["states"] == {"done": 90}
    assert flushed >= 2
    assert killed == 2


@pytest.mark.redis
@pytest.mark.timeout(300)
def test_control_without_the_rering_a_redis_that_forgets_loses_work(private_redis: Redis, tmp_path: Path) -> None:
    own = environment(tmp_path, database_url="", broker_url=private_redis.url)
    with worker(own, tmp_path / "log", rering=False):
        queue = Queue(own, [{"sleep_s": 0.4, "n": n} for n in range(14)], quiet_s=4)
        queue.asked()
        time.sleep(3)
        private_redis.forget()
        report = queue.report()
    assert report["lost"] > 0
    assert report["states"]["done"] > 0  # or the worker was never there


@pytest.mark.embedded_only
@pytest.mark.timeout(300)
def test_an_embedded_broker_that_forgets_loses_no_work(tmp_path: Path) -> None:
    own = environment(tmp_path, database_url="", broker_url=EMBEDDED)
    queue = Queue(own, [{"sleep_s": 0.2, "n": n} for n in range(14)], duplicates=0.2)
    queue.asked()
    assert forget_embedded(tmp_path) >= 14
    with worker(own, tmp_path / "log"):
        time.sleep(5)
        forget_embedded(tmp_path)
        report = queue.report()
    assert {name: report[name] for name in NONE_OF_THEM} == NONE_OF_THEM
    assert report["states"] == {"done": 14}
    assert kept_after_delivery(tmp_path) == 0


@pytest.mark.embedded_only
@pytest.mark.timeout(300)
def test_control_without_the_rering_an_embedded_broker_that_forgets_loses_work(tmp_path: Path) -> None:
    own = environment(tmp_path, database_url="", broker_url=EMBEDDED)
    with worker(own, tmp_path / "log", rering=False):
        queue = Queue(own, [{"sleep_s": 0.4, "n": n} for n in range(14)], quiet_s=4)
        queue.asked()
        time.sleep(3)
        forget_embedded(tmp_path)
        report = queue.report()
    assert report["lost"] > 0
    assert report["states"]["done"] > 0  # or the worker was never there


@pytest.mark.redis
@pytest.mark.timeout(300)
def test_asking_goes_on_while_redis_is_down_and_the_work_is_done_after(private_redis: Redis, tmp_path: Path) -> None:
    own = environment(tmp_path, database_url="", broker_url=private_redis.url)
    private_redis.kill()
    queue = Queue(own, [{"n": n} for n in range(10)])
    queue.asked()
    private_redis.start()
    with worker(own, tmp_path / "log"):
        report = queue.report()
    assert report["states"] == {"done": 10}
