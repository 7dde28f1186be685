"""How fast the crate page is, with real permissions and 25 tracks, on two web processes.

The load generator runs on the same machine, so the figures are what a crew's own small server would give. Baseline
in the same run: the sign-in page, which asks the database for nothing.
"""

from __future__ import annotations

import http.client
import json
import statistics
import tempfile
import threading
import time
from dataclasses import dataclass
from pathlib import Path

from tests.servers import Service, environment, running

TRACKS = 25
CLIENTS = 8
SECONDS = 8.0

_SEED = f"""
import json
from django.contrib.auth import BACKEND_SESSION_KEY, HASH_SESSION_KEY, SESSION_KEY
from django.contrib.sessions.backends.db import SessionStore
from tests import factories

lead = factories.crew_with(slug="bench")
member = factories.member_of(lead.crew)
crate = factories.crate(lead)
tracks = [factories.analysed_track(lead, crate) for _ in range({TRACKS})]
for track in tracks[:10]:
    factories.draft(track, crate.convention_version)
for track in tracks[:5]:
    factories.proposal(member, made=track, into=crate)
session = SessionStore()
session[SESSION_KEY] = str(member.user.pk)
session[BACKEND_SESSION_KEY] = "django.contrib.auth.backends.ModelBackend"
session[HASH_SESSION_KEY] = member.user.get_session_auth_hash()
session.create()
print(json.dumps({{"session": session.session_key, "crate": str(crate.pk)}}))
"""


@dataclass(frozen=True, slots=True)
class Load:
    """Requests a second, and latencies in milliseconds."""

    requests_per_s: float
    p50_ms: float
    p95_ms: float
    errors: int


def measure(port: int, path: str, cookie: str) -> Load:
    """Ask for one page from ``CLIENTS`` kept-alive connections for ``SECONDS``."""
    latencies: list[float] = []
    errors = 0
    lock = threading.Lock()
    end = time.perf_counter() + SECONDS

    def client() -> None:
        nonlocal errors
        mine: list[float] = []
        failed = 0
        connection = http.client.HTTPConnection("127.0.0.1", port, timeout=30)
        while (start := time.perf_counter()) < end:
            connection.request("GET", path, headers={"Cookie": cookie, "Host": f"127.0.0.1:{port}"})
            response = connection.getresponse()
            response.read()
            failed += response.status != 200
            mine.append((time.perf_counter() - start) * 1000)
        with lock:
            latencies.extend(mine)
            errors += failed

    threads = [threading.Thread(target=client) for _ in range(CLIENTS)]
    started = time.perf_counter()
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    cuts = statistics.quantiles(latencies, n=20)
    return Load(len(latencies) / (time.perf_counter() - started), cuts[9], cuts[18], errors)


def crate_page() -> dict[str, Load]:
    """Loads of the crate page and of the sign-in page, measured one after the other."""
    with tempfile.TemporaryDirectory() as folder:
        service = Service(Path(folder), environment(Path(folder), CREWPREP_LOG_LEVEL="ERROR"))
        with running(service, worker=False):
            seed = json.loads(service.manage(program=_SEED).strip().splitlines()[-1])
            cookie = f"sessionid={seed['session']}"
            path = f"/c/bench/crates/{seed['crate']}/"
            measure_once(service.port, path, cookie)
            measure_once(service.port, "/sign-in/", "")
            return {
                "sign-in page": measure(service.port, "/sign-in/", ""),
                "crate page": measure(service.port, path, cookie),
            }


def measure_once(port: int, path: str, cookie: str) -> None:
    """One request, so that templates are compiled; raises ``RuntimeError`` where the page does not answer 200."""
    connection = http.client.HTTPConnection("127.0.0.1", port, timeout=30)
    connection.request("GET", path, headers={"Cookie": cookie})
    response = connection.getresponse()
    body = response.read()
    if response.status != 200:
        raise RuntimeError(f"{path} answers {response.status}: {body[:300]!r}")
    connection.close()
