"""The board of a night, the list and the calendar address before a browser: axe finds nothing from 320 pixels up, in
light and dark; nothing scrolls sideways; the plan is changed without a script."""

from __future__ import annotations

import datetime as dt
from typing import Any

import pytest
from django.urls import reverse

from crewprep.crates.models import Crate
from crewprep.crews.models import Membership
from tests.readiness.scene import every_state, night_of
from tests.web.browser import axe, cookie, opened

pytestmark = [pytest.mark.browser, pytest.mark.django_db(transaction=True)]


@pytest.mark.parametrize(("scheme", "width"), [("light", 320), ("dark", 1440)])
def test_nights_are_for_everybody(
    scheme: str, width: int, lead: Membership, resident: Membership, crate: Crate, live_server, chromium
) -> None:
    every_state(lead, resident, crate)
    night = night_of(lead, crate)
    slug = lead.crew.slug
    url = live_server.url + reverse("night", args=[slug, night.pk])
    view: dict[str, Any] = {"color_scheme": scheme, "viewport": {"width": width, "height": 800}}
    with opened(chromium, url, cookie(lead), **view) as page:
        for summary in page.locator("main summary").all():
            summary.click()
        assert axe(page) == []
        assert page.get_by_role("img", name="Open tracks from").count() == 1
        assert page.evaluate("document.documentElement.scrollWidth <= innerWidth")
        for name in ("nights", "calendar", "crew-home"):
            page.goto(live_server.url + reverse(name, args=[slug]))
            if name == "calendar":
                page.get_by_role("button", name="Make an address").click()
                assert page.get_by_label("Address for your calendar program").input_value().endswith(".ics")
            assert axe(page) == [], name
            assert page.evaluate("document.documentElement.scrollWidth <= innerWidth"), name


def test_a_night_is_changed_without_a_script(lead: Membership, crate: Crate, live_server, chromium) -> None:
    night = night_of(lead, crate)
    url = live_server.url + reverse("night", args=[lead.crew.slug, night.pk])
    with opened(chromium, url, cookie(lead), java_script_enabled=False) as page:
        page.get_by_text("Change the night", exact=True).first.click()
        page.get_by_label("Time zone").fill("Europe/Athens")
        page.get_by_label("Doors open at").fill("23:15")
        page.get_by_role("button", name="Change the night").click()
        assert "doors 23:15 (Europe/Athens)" in page.locator("main").inner_text()
    night.refresh_from_db()
    assert (night.time_zone, night.doors_at) == ("Europe/Athens", dt.time(23, 15))
