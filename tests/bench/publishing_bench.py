"""How long it takes to say what publishing a convention would do to 10,000 approved sheets, and to publish it.

On SQLite and, where one is reachable, on PostgreSQL, through the pages, one request after another: the preview as often
as fits into some seconds, publishing a few times, each taken back behind the service in a database of its own. Baseline
in the same run: the sign-in page, which asks the database for nothing.
"""

from __future__ import annotations

import json
import os
import re
import statistics
import sys
import tempfile
import time
from collections.abc import Sequence
from dataclasses import dataclass
from http.client import HTTPConnection
from pathlib import Path
from urllib.parse import urlencode

from tests.bench.library_bench import postgres
from tests.servers import Service, environment, running

PREVIEWS = 20
LEAST_PREVIEWS, MOST_S = 3, 15.0
"""A slow preview is asked for less often: at least three times, then until so many seconds have passed."""
PUBLICATIONS = 3

_PAGE = "/c/bench/convention/draft/publish/"
_TOKEN = re.compile(r'name="csrfmiddlewaretoken" value="(\w+)"')
_REVISION = re.compile(r'name="seen_revision" value="(\d+)"')
_SEED = "import json; from tests.bench.publishing_seed import seed; print(json.dumps(seed()))"
_DRAFT = "import sys; from tests.bench.publishing_seed import write_draft; write_draft(sys.argv[1])"
_TAKE_BACK = "from tests.bench.publishing_seed import take_back; print(take_back())"


@dataclass(frozen=True, slots=True)
class Publishing:
    """Medians in milliseconds of a draft's preview and its publication, the sheets that it touches, and the median of
    the baseline."""

    database: str
    draft: str
    touched: int
    preview_ms: float
    publish_ms: float
    baseline_ms: float


def publishing(databases: Sequence[str] = ("SQLite", "PostgreSQL")) -> list[Publishing]:
    """The times of every draft on each database; a server that is not there is left out."""
    found = []
    if "SQLite" in databases:
        with tempfile.TemporaryDirectory() as folder:
            found += _measure("SQLite", Path(folder))
    if "PostgreSQL" in databases:
        with postgres() as url, tempfile.TemporaryDirectory() as folder:
            if url:
                found += _measure("PostgreSQL", Path(folder), DATABASE_URL=url)
    return found


def print_publishing(times: list[Publishing]) -> None:
    """One line a draft."""
    heads = f"{'touched':>9}{'preview ms':>12}{'publish ms':>12}{'baseline':>10}"
    print(f"\n{'a draft of rules for 10,000 sheets':<44}{heads}")
    for one in times:
        print(
            f"{one.database:<14}{one.draft:<30}{one.touched:9,d}{one.preview_ms:12.0f}{one.publish_ms:12.0f}"
            f"{one.baseline_ms:10.1f}"
        )
    print(f"load of the machine {os.getloadavg()[0]:.1f}")


def _measure(database: str, folder: Path, **more: str) -> list[Publishing]:
    service = Service(folder, environment(folder, CREWPREP_LOG_LEVEL="ERROR", **more))
    with running(service, worker=False, web_workers=1):
        seed = json.loads(service.manage(program=_SEED).strip().splitlines()[-1])
        print(f"{database}: {seed['sheets']:,} sheets, {seed['markers']:,} markers", flush=True)
        client = _Client(service.port, seed["session"])
        stranger = _Client(service.port, "")
        baseline = statistics.median(stranger.get("/sign-in/") for _ in range(PREVIEWS))
        found = []
        for draft in seed["drafts"]:
            previews: list[float] = []
            publications = []
            for _ in range(PUBLICATIONS):
                service.manage(draft, program=_DRAFT)
                previews = previews or _previews(client)
                publications.append(client.publish())
                touched = int(service.manage(program=_TAKE_BACK))
            times = statistics.median(previews), statistics.median(publications)
            found.append(Publishing(database, draft, touched, *times, baseline))
            print(f"  {draft}: {times[0]:.0f} ms, {times[1]:.0f} ms", flush=True)
    return found


def _previews(client: _Client) -> list[float]:
    """Milliseconds of each answer after one that warms up."""
    client.get(_PAGE)
    times: list[float] = []
    began = time.perf_counter()
    while len(times) < LEAST_PREVIEWS or (len(times) < PREVIEWS and time.perf_counter() - began < MOST_S):
        times.append(client.get(_PAGE))
    return times


class _Client:
    """Somebody who asks one question after another, signed in by a session."""

    def __init__(self, port: int, session: str) -> None:
        self.port = port
        self.cookies = {"sessionid": session}
        self.text = ""

    def get(self, path: str) -> float:
        """Ask for a page, which is kept as ``text``; returns how many milliseconds that took."""
        return self._ask("GET", path, 200)

    def publish(self) -> float:
        """Publish the draft as its page shows it; returns how many milliseconds that took."""
        self.get(_PAGE)
        token, revision = _TOKEN.search(self.text), _REVISION.search(self.text)
        if token is None or revision is None:
            raise RuntimeError(f"No draft to publish:\n{self.text[:2000]}")
        form = {"csrfmiddlewaretoken": token[1], "seen_revision": revision[1], "do": "publish"}
        return self._ask("POST", _PAGE, 302, urlencode(form))

    def _ask(self, method: str, path: str, expected: int, body: str | None = None) -> float:
        connection = HTTPConnection("127.0.0.1", self.port, timeout=120)
        headers = {"Cookie": "; ".join(f"{name}={value}" for name, value in self.cookies.items())}
        if body is not None:
            headers["Content-Type"] = "application/x-www-form-urlencoded"
        start = time.perf_counter()
        connection.request(method, path, body, headers)
        response = connection.getresponse()
        self.text = response.read().decode()
        took = (time.perf_counter() - start) * 1000
        connection.close()
        if response.status != expected:
            raise RuntimeError(f"{method} {path} answers {response.status}")
        for cookie in response.headers.get_all("Set-Cookie") or ():
            name, _, value = cookie.partition(";")[0].partition("=")
            self.cookies[name] = value
        return took


if __name__ == "__main__":
    print_publishing(publishing(sys.argv[1:] or ("SQLite", "PostgreSQL")))
