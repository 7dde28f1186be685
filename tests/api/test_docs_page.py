"""The page that explains the API, in a real browser under the real content security policy."""

from __future__ import annotations

import pytest

pytestmark = pytest.mark.browser


@pytest.mark.django_db(transaction=True)
def test_the_page_draws_itself_from_bundled_files(live_server, chromium: str) -> None:
    from playwright.sync_api import sync_playwright

    said: list[str] = []
    asked: list[str] = []
    with sync_playwright() as playwright:
        browser = playwright.chromium.launch(executable_path=chromium, args=["--no-sandbox"])
        page = browser.new_page()
        page.on("console", lambda message: said.append(message.text) if message.type == "error" else None)
        page.on("pageerror", lambda error: said.append(str(error)))
        page.on("request", lambda request: asked.append(request.url))
        page.goto(f"{live_server.url}/api/docs/")
        page.wait_for_selector(".opblock")
        # Of so many operations the page draws those that are near the window.
        drawn: set[str] = set()
        for _ in range(60):
            drawn |= {path.replace("\u200b", "") for path in page.locator(".opblock-summary-path").all_inner_texts()}
            if "/api/v1/crews/{crew}/proposals/{proposal}/approve/" in drawn:
                break
            page.mouse.wheel(0, 600)
            page.wait_for_timeout(100)
        browser.close()
    assert "/api/v1/crews/{crew}/proposals/{proposal}/approve/" in drawn
    assert len(drawn) >= 25
    assert said == []
    assert [url for url in asked if not url.startswith((live_server.url, "data:", "blob:"))] == []
