"""How fast the pages are at 10,000 tracks and 100,000 markers, on SQLite and, where one is reachable, on PostgreSQL.

One client asks for one page after another over one connection, so a figure is the time that the server takes, the way
through the loopback included. Baseline: the sign-in page, which asks the database for nothing, right before each page,
so that it tells how fast the machine was just then (a shared one takes up to twice as long for minutes). Where a page
is looked at again, its rows have been drawn before (``crewprep.web.drawn``); with another page each time none has.
"""

from __future__ import annotations

import http.client
import json
import os
import statistics
import sys
import tempfile
import time
import uuid
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any
from urllib.parse import urlsplit

from tests.servers import Service, environment, running

RUNS = 40
LEAST_RUNS, MOST_S = 5, 20.0
"""A slow page is asked for less often: at least five times, then until so many seconds have passed."""
GOAL_P95_MS = 100.0

_SEED = "import json; from tests.bench.library_seed import seed; print(json.dumps(seed()))"


@dataclass(frozen=True, slots=True)
class PageTime:
    """Server time of one page in milliseconds, and the median of the baseline right before."""

    database: str
    page: str
    p50_ms: float
    p95_ms: float
    size_kb: float
    baseline_ms: float

    @property
    def met(self) -> bool:
        """Whether it is as fast as it should be."""
        return self.p95_ms <= GOAL_P95_MS


def pages(seed: dict[str, Any]) -> dict[str, str]:
    """The pages that are measured, by name; ``{n}`` is another number each time."""
    crew = "/c/bench"
    return {
        "home": f"{crew}/",
        "crate of 10,000 tracks": f"{crew}/crates/{seed['crate']}/",
        "crate, another page each time": f"{crew}/crates/{seed['crate']}/?page={{n}}",
        "its list alone": f"{crew}/crates/{seed['crate']}/tracks/",
        "its last page": f"{crew}/crates/{seed['crate']}/?page=200",
        "crate, track looked for": f"{crew}/crates/{seed['crate']}/?find=amber",
        "queue": f"{crew}/queue/",
        "board of a night of 180": f"{crew}/nights/{seed['usual_night']}/",
        "board of a night of 10,000": f"{crew}/nights/{seed['night']}/",
        "tracks": f"{crew}/tracks/",
        "tracks, by confidence": f"{crew}/tracks/?sort=confidence",
        "tracks, page 150": f"{crew}/tracks/?page=150",
        "tracks, another page each time": f"{crew}/tracks/?page={{n}}",
        "search: a word": f"{crew}/tracks/?q=kelp",
        "search: two words": f"{crew}/tracks/?q=kelp+band&sort=-tempo",
        "search: nothing found": f"{crew}/tracks/?q=xylophone",
        "search: all filters": (
            f"{crew}/tracks/?q=a&state=drafted&state=approved&holder=nobody&key=A+minor&tempo_from=90&tempo_to=170"
            f"&level_from=-14&sure_to=90&crate={seed['crate']}&sort=-level"
        ),
        "search: held by one": f"{crew}/tracks/?holder={seed['holder']}",
        "search: breaks a check": f"{crew}/tracks/?check=any&sort=level",
        "house checks": f"{crew}/checks/",
        "house checks, one": f"{crew}/checks/?check=grid",
        "how drafts fare, 10,000 sheets": "/c/bench-drafts/drafts/",
        "API: tracks": "/api/v1/crews/bench/tracks/",
        "API: search": "/api/v1/crews/bench/library/?q=kelp&limit=50",
        "API: how drafts fare": "/api/v1/crews/bench-drafts/draft-figures/",
    }


def library(runs: int = RUNS, databases: Sequence[str] = ("SQLite", "PostgreSQL")) -> list[PageTime]:
    """The times of every page on each database; a page that is not there, or a server, is left out."""
    found = []
    if "SQLite" in databases:
        with tempfile.TemporaryDirectory() as folder:
            found += _measure("SQLite", Path(folder), runs)
    if "PostgreSQL" in databases:
        with postgres() as url, tempfile.TemporaryDirectory() as folder:
            if url:
                found += _measure("PostgreSQL", Path(folder), runs, DATABASE_URL=url)
    return found


@contextmanager
def postgres() -> Iterator[str]:
    """The address of an empty database that is dropped again; empty where no server is reachable."""
    import psycopg

    address = os.environ.get("CREWPREP_TEST_POSTGRES", "postgres://postgres@127.0.0.1:5432/postgres")
    name = f"crewprep_bench_{uuid.uuid4().hex[:8]}"
    try:
        server = psycopg.connect(address, connect_timeout=3, autocommit=True)
    except psycopg.OperationalError:
        yield ""
        return
    with server:
        server.execute(f'CREATE DATABASE "{name}"')
        try:
            yield urlsplit(address)._replace(path=f"/{name}").geturl()
        finally:
            server.execute(f'DROP DATABASE "{name}" WITH (FORCE)')


def _measure(database: str, folder: Path, runs: int, **more: str) -> list[PageTime]:
    service = Service(folder, environment(folder, CREWPREP_LOG_LEVEL="ERROR", **more))
    with running(service, worker=False, web_workers=1):
        seed = json.loads(service.manage(program=_SEED).strip().splitlines()[-1])
        print(f"{database}: {seed['tracks']:,} tracks, {seed['markers']:,} markers", flush=True)
        cookie = f"sessionid={seed['session']}"
        found = []
        for page, path in pages(seed).items():
            _, baseline, _ = _times(service.port, "/sign-in/", "", runs)
            status, times, size = _times(service.port, path, cookie, runs)
            if status == 404:
                continue
            if status != 200:
                raise RuntimeError(f"{path} answers {status}")
            cuts = statistics.quantiles(times, n=20)
            found.append(PageTime(database, page, cuts[9], cuts[18], size / 1000, statistics.median(baseline)))
            print(f"  {page}: {cuts[9]:.0f} ms", flush=True)
    return found


def _times(port: int, path: str, cookie: str, runs: int) -> tuple[int, list[float], int]:
    """Status, milliseconds of each answer after two that warm up, and the size of the last one."""
    connection = http.client.HTTPConnection("127.0.0.1", port, timeout=60)
    times, size, status = [], 0, 0
    began = time.perf_counter()
    for number in range(runs + 2):
        start = time.perf_counter()
        connection.request("GET", path.replace("{n}", str(number + 1)), headers={"Cookie": cookie})
        response = connection.getresponse()
        size, status = len(response.read()), response.status
        took = time.perf_counter() - start
        if number >= 2:
            times.append(took * 1000)
        if status != 200 or (len(times) >= LEAST_RUNS and time.perf_counter() - began > MOST_S):
            break
    connection.close()
    return status, times, size


def print_times(times: list[PageTime]) -> None:
    """One line a page: server time, goal, baseline and their ratio."""
    load = os.getloadavg()[0]
    heads = f"{'p50 ms':>9}{'p95 ms':>9}{'':>8}{'KB':>7}{'baseline':>10}{'ratio':>8}"
    print(f"\n{'10,000 tracks, one client':<50}{heads}")
    for one in times:
        print(
            f"{one.database:<14}{one.page:<36}{one.p50_ms:9.1f}{one.p95_ms:9.1f}  {'met' if one.met else 'MISSED':<6}"
            f"{one.size_kb:7.0f}{one.baseline_ms:10.1f}{one.p50_ms / one.baseline_ms:8.1f}"
        )
    print(f"goal: p95 of {GOAL_P95_MS:.0f} ms; load of the machine {load:.1f}")


if __name__ == "__main__":
    print_times(library(databases=sys.argv[1:] or ("SQLite", "PostgreSQL")))
