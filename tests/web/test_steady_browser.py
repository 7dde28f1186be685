"""Nothing that can be pressed moves when the scripts of a page start: a click on its way would miss it."""

from __future__ import annotations

from urllib.parse import urljoin

import pytest
from django.urls import reverse

from tests import factories
from tests.web.browser import cookie, opened, ready

pytestmark = [pytest.mark.browser, pytest.mark.django_db(transaction=True)]

PLACES = """() => Object.fromEntries(
  [...document.querySelectorAll("main :is(button, summary, input, textarea, select, a)")]
    .filter((one) => one.checkVisibility({ visibilityProperty: true }))
    .map((one) => [one.textContent.trim() || one.name, one.getBoundingClientRect().top + window.scrollY]))"""


@pytest.mark.parametrize("width", [320, 350, 1440])
@pytest.mark.parametrize("page_name", ["proposal", "track-page"])
def test_no_control_moves_when_the_scripts_start(scene, chromium, page_name, width):
    proposal = factories.proposal(scene.resident, scene.track, scene.crate)
    rest = [proposal.pk] if page_name == "proposal" else [scene.crate.pk, scene.track.pk]
    url = urljoin(scene.url, reverse(page_name, args=[scene.lead.crew.slug, *rest]))
    held = []
    viewport = {"width": width, "height": 900}
    with opened(chromium, urljoin(scene.url, reverse("help")), cookie(scene.lead), viewport=viewport) as page:
        page.route("**/start.js", lambda route: held.append(route))
        page.goto(url, wait_until="commit")
        while not held:
            page.wait_for_timeout(20)
        page.locator("#verdict, .stand").first.wait_for()
        page.evaluate("document.fonts.ready")
        before = page.evaluate(PLACES)
        held[0].continue_()
        ready(page)
        after = page.evaluate(PLACES)
    moved = {name: (top, after[name]) for name, top in before.items() if name in after and abs(after[name] - top) > 1}
    assert len(before.keys() & after.keys()) > 5
    assert moved == {}, sorted(moved.items(), key=lambda one: one[1])
