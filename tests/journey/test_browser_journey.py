"""The whole job in a browser with real web and worker processes, embedded as a stranger starts them.

Sign in, make a crate, upload a rendered track, watch it being analysed, correct the draft by keyboard, propose; sign
in as another member, approve; take the approved sheet as a file.
"""

from __future__ import annotations

import csv
import io
import json
import re
from collections.abc import Iterator
from pathlib import Path

import pytest
from axe_playwright_python.sync_playwright import Axe
from playwright.sync_api import Page, expect, sync_playwright

from fixtures.plan import Truth
from tests.journey.conftest import PASSWORD
from tests.servers import Service

pytestmark = [pytest.mark.browser, pytest.mark.timeout(600)]

WCAG = ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa"]
WORKER_WITHIN_MS = 240_000


@pytest.fixture
def page(chromium: str, embedded: Service) -> Iterator[Page]:
    with sync_playwright() as playwright:
        browser = playwright.chromium.launch(
            executable_path=chromium, args=["--no-sandbox", "--disable-gpu", "--disable-background-networking"]
        )
        tab = browser.new_context(base_url=embedded.url, accept_downloads=True).new_page()
        tab.set_default_timeout(30_000)
        yield tab
        browser.close()


def sign_in(page: Page, name: str) -> None:
    page.goto("/")
    page.get_by_label("Name to sign in with").fill(name)
    page.get_by_label("Password").fill(PASSWORD)
    page.get_by_role("button", name="Sign in").click()
    expect(page.get_by_role("button", name="Sign out")).to_be_visible()


def without_findings(page: Page) -> None:
    found = Axe().run(page, options={"runOnly": {"type": "tag", "values": WCAG}}).response["violations"]
    assert [(finding["id"], [node["html"] for node in finding["nodes"]]) for finding in found] == []


def test_the_whole_job_in_a_browser(page: Page, embedded: Service, rendered: tuple[Path, Truth]) -> None:
    path, truth = rendered
    complaints: list[str] = []
    page.on("pageerror", lambda error: complaints.append(str(error)))
    page.on("console", lambda message: complaints.append(message.text) if message.type == "error" else None)

    sign_in(page, "bo")
    page.get_by_label("Name").fill("Friday")
    page.get_by_role("button", name="Make the crate").click()
    page.get_by_role("link", name="Friday").click() if page.url.endswith("/our-crew/") else None
    expect(page.get_by_role("heading", name="Friday", level=1)).to_be_visible()
    without_findings(page)

    page.set_input_files("#upload-files", path)
    if page.get_by_role("button", name="Upload", exact=True).is_visible():
        page.get_by_role("button", name="Upload", exact=True).click()
    expect(page.locator("#crate-tracks")).to_contain_text("Invented Journey")
    expect(page.locator("#crate-tracks")).to_contain_text("Draft ready", timeout=WORKER_WITHIN_MS)
    expect(page.locator("#crate-tracks")).to_contain_text("132")

    page.get_by_role("link", name="Invented Journey").first.click()
    drop = page.locator("input[name=start-4]")
    assert _seconds(drop.input_value()) == pytest.approx(truth.drops_s[0], abs=0.05)
    without_findings(page)
    assert (
        page.evaluate(
            "fetch(document.getElementById('audio').src, {headers: {Range: 'bytes=0-99'}}).then(r => r.status)"
        )
        == 206
    )

    page.get_by_role("slider", name=re.compile("cursor|place", re.IGNORECASE)).focus()
    for key in ("Home", "ArrowDown", "ArrowDown", "Shift+ArrowRight", "1"):
        page.keyboard.press(key)
    moved = _seconds(page.locator("input[name=start-1]").input_value())
    assert min(abs(moved - beat) for beat in truth.beats_s) < 0.005
    page.get_by_label("Note to the reviewer").fill("Mixed in later.")
    page.get_by_role("button", name="Propose this sheet").click()
    expect(page.get_by_text("You had a hand in these markers")).to_be_visible()
    without_findings(page)
    page.get_by_role("button", name="Sign out").click()

    sign_in(page, "anka")
    page.get_by_role("link", name="Open the queue").click()
    without_findings(page)
    page.get_by_role("link", name="Invented Journey").click()
    expect(page.get_by_text("Mixed in later.")).to_be_visible()
    expect(page.locator("#slot-1")).to_contain_text("later")
    page.get_by_role("button", name="Approve").click()

    page.goto("/c/our-crew/")
    page.get_by_role("link", name="Friday").click()
    expect(page.locator("#crate-tracks")).to_contain_text("Approved, version 1")
    with page.expect_download() as download:
        page.get_by_role("link", name="JSON").click()
    sheet = json.loads(Path(download.value.path()).read_text())
    assert {marker["slot"] for marker in sheet["markers"]} >= {1, 4, 8}
    assert sheet["markers"][0]["start_s"] == pytest.approx(moved, abs=0.0011)
    with page.expect_download() as download:
        page.get_by_role("link", name="CSV").click()
    lines = list(csv.reader(io.StringIO(Path(download.value.path()).read_text(encoding="utf-8-sig"))))
    assert len(lines) >= len(sheet["markers"]) + 1
    assert complaints == [], embedded.log()


def _seconds(text: str) -> float:
    """``3:00.5`` as seconds."""
    total = 0.0
    for part in text.split(":"):
        total = total * 60 + float(part)
    return total
