"""Driving a real browser: sign in by cookie, fail on any complaint of a script, and ask axe."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from typing import Any
from urllib.parse import urljoin

from django.test import Client

from crewprep.crews.models import Membership

WCAG = ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa"]


def cookie(member: Membership) -> str:
    """The cookie of a signed-in member."""
    client = Client()
    client.force_login(member.user)
    return client.cookies["sessionid"].value


@contextmanager
def opened(chromium: str, url: str, session: str, *, refusals: int = 0, **context: Any) -> Iterator[Any]:
    """A page of a fresh browser; fails where a script or the content security policy complained.

    ``refusals`` is how many answers of 409 and 422 the test asks for: the browser writes each to its console.
    """
    from playwright.sync_api import sync_playwright

    said: list[str] = []
    # The driver runs an event loop in this thread, where Django refuses to touch the database.
    with sync_playwright() as playwright:
        browser = playwright.chromium.launch(
            executable_path=chromium,
            args=["--no-sandbox", "--disable-gpu", "--autoplay-policy=no-user-gesture-required"],
        )
        made = browser.new_context(**context)
        made.add_cookies([{"name": "sessionid", "value": session, "url": urljoin(url, "/")}])
        page = made.new_page()
        page.on("console", lambda message: said.append(message.text) if message.type == "error" else None)
        page.on("pageerror", lambda error: said.append(str(error)))
        page.goto(url)
        if context.get("java_script_enabled", True):
            ready(page)
        try:
            yield page
        finally:
            browser.close()
    refused = [line for line in said if "status of 409" in line or "status of 422" in line]
    assert [line for line in said if line not in refused] == []
    assert len(refused) == refusals


def ready(page: Any) -> None:
    """Wait for the scripts of a page with rows: they start after its first picture."""
    if page.locator("script[data-part]").count():
        page.locator(".cursor").wait_for(state="attached")


def axe(page: Any) -> list[str]:
    """What axe finds against WCAG 2.2 AA (target sizes included), one line each."""
    from axe_playwright_python.sync_playwright import Axe

    found = Axe().run(page, options={"runOnly": {"type": "tag", "values": WCAG}}).response
    return [f"{item['id']}: {node['html'][:160]}" for item in found["violations"] for node in item["nodes"]]


def place(page: Any) -> str:
    """Where the cursor of the rows is, as a reader hears it."""
    found: str = page.get_by_role("slider", name="Place in the track").get_attribute("aria-valuetext")
    return found


def marker_names(page: Any) -> list[str]:
    """What each marker on the rows is called, in order."""
    found: list[str] = page.eval_on_selector_all(
        "button.marker", "all => all.map(one => one.getAttribute('aria-label'))"
    )
    return found


def questions(page: Any) -> list[str]:
    """The kinds of dialogs that the page opens from now on; each is accepted."""
    asked: list[str] = []

    def accept(dialog: Any) -> None:
        asked.append(dialog.type)
        dialog.accept()

    page.on("dialog", accept)
    return asked
