"""The whole job over the API with real processes on PostgreSQL and Redis, on a real rendered track."""

from __future__ import annotations

import csv
import io
import json
import time
import urllib.error
import urllib.request
import uuid
from pathlib import Path
from typing import Any

import pytest

from fixtures.plan import Truth
from tests.journey.conftest import PASSWORD
from tests.servers import Service

pytestmark = [pytest.mark.postgres, pytest.mark.redis, pytest.mark.timeout(600)]


class Caller:
    """A program with a token."""

    def __init__(self, service: Service, name: str) -> None:
        self.base = f"{service.url}/api/v1/"
        self.headers: dict[str, str] = {}
        token = self.call("POST", "tokens/", {"username": name, "password": PASSWORD})["token"]
        self.headers = {"Authorization": f"Token {token}"}

    def call(self, method: str, path: str, body: Any = None, **headers: str) -> Any:
        """Send JSON, get JSON; an error answer raises ``HTTPError``."""
        data = None if body is None else json.dumps(body).encode()
        return json.loads(self._send(method, path, data, {"Content-Type": "application/json", **headers}))

    def text(self, path: str) -> str:
        """Get a file as text."""
        return self._send("GET", path, None, {"Accept": "*/*"}).decode()

    def upload(self, path: str, file: Path) -> Any:
        """Send one file as a form does."""
        mark = uuid.uuid4().hex
        head = f'--{mark}\r\nContent-Disposition: form-data; name="audio"; filename="{file.name}"\r\n\r\n'
        data = head.encode() + file.read_bytes() + f"\r\n--{mark}--\r\n".encode()
        return json.loads(self._send("POST", path, data, {"Content-Type": f"multipart/form-data; boundary={mark}"}))

    def _send(self, method: str, path: str, data: bytes | None, headers: dict[str, str]) -> bytes:
        request = urllib.request.Request(
            self.base + path, data=data, method=method, headers={**self.headers, **headers}
        )
        with urllib.request.urlopen(request, timeout=60) as answer:
            body: bytes = answer.read()
        return body


def test_the_whole_job_over_the_api(scaled: Service, rendered: tuple[Path, Truth]) -> None:
    path, truth = rendered
    anka, bo = Caller(scaled, "anka"), Caller(scaled, "bo")
    crate = bo.call("POST", "crews/our-crew/crates/", {"name": "Friday", "night": "2027-03-05"})
    track = bo.upload(f"crews/our-crew/crates/{crate['id']}/tracks/", path)
    home = f"crews/our-crew/tracks/{track['id']}/"

    draft = _await_draft(bo, home, crate["convention"]["id"], scaled)
    facts = bo.call("GET", f"{home}analysis/")
    assert facts["tempo_bpm"] == pytest.approx(truth.tempo_bpm, abs=0.05)
    drop = next(marker for marker in draft["markers"] if marker["slot"] == 4)
    assert drop["start_us"] / 1e6 == pytest.approx(truth.drops_s[0], abs=0.05)
    assert drop["reason"]

    markers = [{name: marker[name] for name in ("slot", "start_us", "end_us")} for marker in draft["markers"]]
    markers[0]["start_us"] += round(60e6 / facts["tempo_bpm"] * 4)
    proposal = bo.call("POST", "crews/our-crew/proposals/", {"track": track["id"], "markers": markers})
    verdict = f"crews/our-crew/proposals/{proposal['id']}/approve/"
    with pytest.raises(urllib.error.HTTPError) as own:
        bo.call("POST", verdict, {"digest": proposal["digest"]}, **{"If-Match": '"1"'})
    assert own.value.code == 403
    assert json.loads(own.value.read())["code"] == "proposal:own"
    approved = anka.call("POST", verdict, {"note": "Good.", "digest": proposal["digest"]}, **{"If-Match": '"1"'})
    assert (approved["state"], approved["sheet_version"]) == ("approved", 1)

    sheet = anka.call("GET", f"{home}sheet/")
    assert [round(marker["start_s"] * 1e6) for marker in sheet["markers"]] == [marker["start_us"] for marker in markers]
    lines = list(csv.reader(io.StringIO(anka.text(f"{home}sheet.csv").removeprefix("\ufeff"))))
    assert len(lines) >= len(markers) + 1


def _await_draft(caller: Caller, home: str, convention: str, service: Service) -> Any:
    for _ in range(480):
        try:
            return caller.call("GET", f"{home}draft/?convention={convention}")
        except urllib.error.HTTPError as error:
            if error.code not in {404, 409}:
                raise
        state = caller.call("GET", home)["state"]
        assert state != "refused", service.log()
        time.sleep(0.5)
    pytest.fail(f"No draft came:\n{service.log()}")
