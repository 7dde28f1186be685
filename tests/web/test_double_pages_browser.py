"""A double marking before a browser: marked with the keys of the track page, kept as one goes, both places heard, the
guidance reworded; axe finds nothing and nothing scrolls sideways at both widths, in light and dark."""

from __future__ import annotations

import os
from pathlib import Path
from typing import Any

import pytest
from django.urls import reverse

from crewprep.crews.models import Membership
from crewprep.onboarding.double import blind_sheet_for, hand_in_blind, open_double_marking
from crewprep.onboarding.models import DoubleMarking
from crewprep.sheets.markers import MarkerInput
from tests import factories
from tests.web.browser import axe, cookie, opened, ready
from tests.web.conftest import Scene

pytestmark = [pytest.mark.browser, pytest.mark.django_db(transaction=True)]

PICTURES = os.environ.get("CREWPREP_TEST_PICTURES", "")


def marking_of(scene: Scene, other: Membership) -> DoubleMarking:
    return open_double_marking(
        member=scene.lead, name="November", version=scene.crate.convention_version, tracks=[scene.track],
        members=[scene.resident, other],
    )  # fmt: skip


def hand_in(scene: Scene, marking: DoubleMarking, member: Membership, *markers: MarkerInput) -> None:
    sheet = blind_sheet_for(member, marking, scene.track.pk)
    hand_in_blind(member=member, sheet=sheet, markers=markers, seen_revision=sheet.revision)


def fine(page: Any, name: str) -> None:
    if PICTURES:
        page.screenshot(path=Path(PICTURES) / f"{name}.png", full_page=True)
    assert axe(page) == [], name
    assert page.evaluate("document.documentElement.scrollWidth <= innerWidth"), name


def test_a_track_is_marked_by_keys_and_handed_in(scene: Scene, chromium) -> None:
    other = factories.member_of(scene.lead.crew)
    marking = marking_of(scene, other)
    server = scene.url.partition("/c/")[0]
    where = server + reverse("blind-track", args=[scene.lead.crew.slug, marking.pk, scene.track.pk])
    with opened(chromium, where, cookie(scene.resident), refusals=1) as page:
        assert page.locator(".stanza__head").count() == 0
        page.get_by_role("slider", name="Place in the track").focus()
        page.keyboard.press("ArrowRight")
        page.keyboard.press("4")
        page.get_by_text("Saved", exact=True).wait_for()
        page.reload()
        ready(page)
        assert page.locator("button.marker").count() == 1
        page.get_by_role("button", name="Hand in", exact=True).click()
        page.get_by_text("The convention asks every track for").wait_for()
        page.get_by_role("button", name="Hand in all the same").click()
        page.get_by_text("is handed in").wait_for()
    assert [one["slot"] for one in blind_sheet_for(scene.resident, marking, scene.track.pk).markers] == [4]


@pytest.mark.parametrize(("scheme", "width"), [("light", 360), ("dark", 360), ("light", 1440), ("dark", 1440)])
def test_its_pages_are_for_everybody(scheme: str, width: int, scene: Scene, chromium) -> None:
    other = factories.member_of(scene.lead.crew)
    slug = scene.lead.crew.slug
    server = scene.url.partition("/c/")[0]
    fresh = factories.analysed_track(scene.lead, scene.crate)
    marking = marking_of(scene, other)
    hand_in(scene, marking, other, MarkerInput(1, 250_000), MarkerInput(4, 75_250_000), MarkerInput(5, 105_250_000))
    view: dict[str, Any] = {"color_scheme": scheme, "viewport": {"width": width, "height": 800}}
    shot = f"{width}-{scheme}"
    url = server + reverse("double-marking", args=[slug, marking.pk])
    with opened(chromium, url, cookie(scene.resident), **view) as page:
        fine(page, f"open-{shot}")
        page.goto(server + reverse("blind-track", args=[slug, marking.pk, scene.track.pk]))
        ready(page)
        fine(page, f"track-{shot}")
    hand_in(scene, marking, scene.resident, MarkerInput(1, 250_000), MarkerInput(4, 90_250_000))
    with opened(chromium, url, cookie(scene.lead), **view) as page:
        fine(page, f"report-{shot}")
        button = page.locator("button[data-clips]")
        clips = button.get_attribute("data-clips").split()
        with page.expect_response(lambda answer: clips[1] in answer.url) as second:
            button.click()
            page.get_by_role("button", name="Stop").wait_for()
        assert second.value.ok, "the second place follows the first"
        page.goto(server + reverse("double-markings", args=[slug]))
        fine(page, f"list-{shot}")
        page.get_by_role("link", name="Open a double marking").click()
        for one in (scene.resident, other):
            page.get_by_label(str(one.user)).check()
        page.get_by_role("button", name="Show tracks").click()
        page.get_by_label(fresh.title).wait_for()
        fine(page, f"new-{shot}")
        page.goto(url)
        page.get_by_role("link", name="Reword slot 4").click()
        focused = page.locator("textarea:focus, input:focus")
        assert focused.get_attribute("name") == "slots-3-guidance"
        fine(page, f"reword-{shot}")
