"""How fast the pages are at 10,000 tracks and 100,000 markers, on SQLite and, where one is reachable, on PostgreSQL.

One client asks for one page after another over one connection, so a figure is the time that the server takes, the way
through the loopback included. Baseline: the sign-in page, which asks the database for nothing, right before and right
after each request.

A shared machine does the same work in one time now and in twice that a second later, as others use its cores. So a
request counts as undisturbed where both baselines around it were nearly as fast as the fastest twentieth of all of its
database, whatever the request itself took. The figures are of those; the 95th percentile of all requests, disturbed
ones too, stands beside them.
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
from itertools import count
from pathlib import Path
from typing import Any
from urllib.parse import urlsplit

from tests.servers import Service, environment, running

RUNS, MOST_S = 40, 20.0
"""A page is asked for until so many requests seem undisturbed, or so many seconds have passed."""
LEAST_RUNS = 20
"""With fewer undisturbed requests than that, nothing is said of a goal."""
NEARLY = 1.25
GOAL_P95_MS = 100.0

_SEED = "import json; from tests.bench.library_seed import seed; print(json.dumps(seed()))"


@dataclass(frozen=True, slots=True)
class Request:
    """Milliseconds of one answer, and of the slower of the two baselines around it."""

    took_ms: float
    baseline_ms: float


@dataclass(frozen=True, slots=True)
class PageTime:
    """The requests of one page on one database; up to ``calm_ms`` a baseline says that nobody disturbed."""

    database: str
    page: str
    size_kb: float
    requests: tuple[Request, ...]
    calm_ms: float

    @property
    def undisturbed(self) -> list[float]:
        """Milliseconds of the requests that nobody disturbed."""
        return [one.took_ms for one in self.requests if one.baseline_ms <= self.calm_ms]

    @property
    def baseline_ms(self) -> float:
        """The median of the slower baselines around those."""
        return percentile([one.baseline_ms for one in self.requests if one.baseline_ms <= self.calm_ms], 50)

    def figures(self) -> dict[str, object]:
        """What is printed of it, for the file."""
        calm = self.undisturbed
        return {
            "database": self.database,
            "page": self.page,
            "p50_ms": percentile(calm, 50),
            "p95_ms": percentile(calm, 95),
            "verdict": self.verdict,
            "size_kb": self.size_kb,
            "baseline_ms": self.baseline_ms,
            "undisturbed": len(calm),
            "requests": len(self.requests),
            "p95_of_all_ms": percentile([one.took_ms for one in self.requests], 95),
        }

    @property
    def verdict(self) -> str:
        """Whether it is as fast as it should be."""
        if len(self.undisturbed) < LEAST_RUNS:
            return "too few"
        return "met" if percentile(self.undisturbed, 95) <= GOAL_P95_MS else "MISSED"


def percentile(times: Sequence[float], percent: int) -> float:
    """The percentile of times; not a number where there are fewer than two."""
    return statistics.quantiles(times, n=100)[percent - 1] if len(times) > 1 else float("nan")


def pages(seed: dict[str, Any]) -> dict[str, str]:
    """The pages that are measured, by name."""
    crew = "/c/bench"
    return {
        "home": f"{crew}/",
        "crate of 10,000 tracks": f"{crew}/crates/{seed['crate']}/",
        "its list alone": f"{crew}/crates/{seed['crate']}/tracks/",
        "its last page": f"{crew}/crates/{seed['crate']}/?page=200",
        "crate, track looked for": f"{crew}/crates/{seed['crate']}/?find=amber",
        "queue": f"{crew}/queue/",
        "board of a night of 180": f"{crew}/nights/{seed['usual_night']}/",
        "board of a night of 10,000": f"{crew}/nights/{seed['night']}/",
        "tracks": f"{crew}/tracks/",
        "tracks, by confidence": f"{crew}/tracks/?sort=confidence",
        "tracks, page 150": f"{crew}/tracks/?page=150",
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
        client = _Client(service.port, cookie)
        found = {}
        for page, path in pages(seed).items():
            requests, size = client.ask(path, runs)
            if requests:
                found[page] = requests, size
                print(f"  {page}: {percentile([one.took_ms for one in requests], 50):.0f} ms", flush=True)
        calm = NEARLY * percentile(client.baselines, 5)
        return [
            PageTime(database, page, size / 1000, tuple(requests), calm) for page, (requests, size) in found.items()
        ]


class _Client:
    """One connection to the service; ``baselines`` are all that it has timed."""

    def __init__(self, port: int, cookie: str) -> None:
        self._connection = http.client.HTTPConnection("127.0.0.1", port, timeout=60)
        self._cookie = cookie
        self.baselines: list[float] = []
        for _ in range(200):
            self._baseline()
        del self.baselines[:50]

    def ask(self, path: str, runs: int) -> tuple[list[Request], int]:
        """The answers of a page after two that warm up, and the size of one; none where the page is not there."""
        found: list[Request] = []
        calm_ms = NEARLY * percentile(self.baselines, 5)
        began = time.perf_counter()
        for number in count():
            before = self._baseline()
            took, status, size = self._get(path, {"Cookie": self._cookie})
            if status == 404:
                return [], 0
            if status != 200:
                raise RuntimeError(f"{path} answers {status}")
            if number >= 2:
                found.append(Request(took, max(before, self._baseline())))
            calm = sum(one.baseline_ms <= calm_ms for one in found)
            if len(found) > 1 and (calm >= runs or time.perf_counter() - began > MOST_S):
                return found, size
        raise AssertionError("the loop has no end of its own")

    def _baseline(self) -> float:
        took, _, _ = self._get("/sign-in/", {})
        self.baselines.append(took)
        return took

    def _get(self, path: str, headers: dict[str, str]) -> tuple[float, int, int]:
        """Milliseconds, status and size of one answer."""
        start = time.perf_counter()
        self._connection.request("GET", path, headers=headers)
        response = self._connection.getresponse()
        size = len(response.read())
        return (time.perf_counter() - start) * 1000, response.status, size


def print_times(times: list[PageTime]) -> None:
    """One line a page: server time undisturbed, goal, baseline and their ratio, and of all requests."""
    heads = (
        f"{'p50 ms':>9}{'p95 ms':>9}{'':>9}{'KB':>6}{'baseline':>10}{'ratio':>8}{'undisturbed':>15}{'p95 of all':>12}"
    )
    print(f"\n{'10,000 tracks, one client':<50}{heads}")
    for one in times:
        told = one.figures()
        share = f"{told['undisturbed']} of {told['requests']}"
        print(
            f"{one.database:<14}{one.page:<36}{told['p50_ms']:9.1f}{told['p95_ms']:9.1f}  {one.verdict:<7}"
            f"{one.size_kb:6.0f}{one.baseline_ms:10.1f}{percentile(one.undisturbed, 50) / one.baseline_ms:8.1f}"
            f"{share:>15}{told['p95_of_all_ms']:12.1f}"
        )
    load = os.getloadavg()[0]
    print(f"goal: p95 of {GOAL_P95_MS:.0f} ms, undisturbed; load of the machine {load:.1f}")


if __name__ == "__main__":
    print_times(library(databases=sys.argv[1:] or ("SQLite", "PostgreSQL")))
