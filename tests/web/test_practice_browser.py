"""A drill in a real browser: five markers with typical slips by keyboard, each named right; axe on all three pages."""

from __future__ import annotations

import re
from typing import Any
from urllib.parse import urljoin

import pytest
from django.urls import reverse

from crewprep.crews.models import Membership, Role
from crewprep.onboarding.drills import begin_drill, hand_in
from crewprep.review.services import approve_proposal
from crewprep.sheets.markers import MarkerInput
from tests import factories
from tests.onboarding.scene import approved_sheet
from tests.web.browser import axe, cookie, marker_names, opened, place, ready
from tests.web.test_keeping_browser import saved
from tests.web.test_keyboard_journey_browser import tab_to

pytestmark = [pytest.mark.browser, pytest.mark.django_db(transaction=True)]

BY_KEYS = (
    ("ArrowRight", "1"),  # 1.1.1, right
    ("ArrowDown", "2"),  # 2.1.1, the breakdown begins a phrase later
    ("ArrowDown", "ArrowDown", "ArrowDown", "4"),  # 5.1.1, where the build-up begins
    ("ArrowRight", "3"),  # 5.1.2, a beat late
    ("ArrowLeft", "ArrowDown", "ArrowDown", "ArrowDown", "ArrowRight", "ArrowRight", "5"),  # 8.1.3
)
NAMED = {
    1: "Exact",
    2: "A whole phrase early",
    3: "A beat late",
    4: "You marked the first build-up; the first drop is 8 bars on",
    5: "Half a bar late",
    6: "Slot 6 is at 10.1.1",
    7: "Left empty, as on the sheet",
    8: "Slot 8 is at 12.1.1",
}


@pytest.fixture
def newcomer(scene: Any) -> Membership:
    """Somebody who has seen nothing of the scene's track, whose sheet is approved."""
    proposal = factories.proposal(scene.resident, scene.track, scene.crate)
    approve_proposal(member=scene.lead, proposal=proposal, seen_revision=1)
    return factories.member_of(scene.lead.crew, Role.NEWCOMER)


def at(scene: Any, name: str, *arguments: Any) -> str:
    return urljoin(scene.url, reverse(name, args=[scene.lead.crew.slug, *arguments]))


def test_five_markers_by_keyboard_and_every_slip_named(scene, newcomer, chromium):
    with opened(chromium, at(scene, "practice"), cookie(newcomer), refusals=2) as page:
        assert axe(page) == []
        tab_to(page, "Begin a drill")
        page.keyboard.press("Enter")
        page.wait_for_url("**/practice/drills/*/")
        ready(page)
        assert marker_names(page) == []
        tab_to(page, "Place in the track")
        for keys in BY_KEYS:
            for key in keys:
                page.keyboard.press(key)
        assert "8.1.3" in place(page)
        assert [name.split(",")[0] for name in marker_names(page)] == [
            "Slot 1", "Slot 2", "Slot 4", "Slot 3", "Slot 5",
        ]  # fmt: skip
        saved(page)
        page.locator("#slot-4 summary").click()
        assert "How to find the first drop." in page.locator("#slot-4").inner_text()
        assert axe(page) == []
        page.get_by_role("slider", name="Place in the track").focus()
        page.keyboard.press("o")
        assert "before you hand in" in page.locator("#said").inner_text()
        page.keyboard.press("p")
        page.get_by_text("Every track needs slot 6 (Strongest drop), which is empty.").wait_for()
        ready(page)
        assert len(marker_names(page)) == 5, "nothing is lost"
        page.get_by_role("button", name="Hand in all the same").focus()
        page.keyboard.press("Enter")
        page.get_by_role("heading", name="Slot by slot").wait_for()
        ready(page)
        for slot, words in NAMED.items():
            assert page.locator(f"#slot-{slot} .change__what").inner_text().endswith(words), slot
        assert axe(page) == []
        page.get_by_role("button", name=re.compile("^Hear both ?, slot 2$")).click()
        page.get_by_text("Two bars from your place, then two from the sheet's").wait_for(state="attached")
        page.locator("a.marker--new[href='#slot-4']").focus()
        page.keyboard.press("d")
        assert page.locator("#said").inner_text() == "As you marked it"
        page.keyboard.press("o")
        page.get_by_text("Two bars from your place, then two from the sheet's").wait_for(state="attached")
        page.get_by_role("button", name="Next drill").click()
        page.get_by_text("No track is left").wait_for()
        assert "2 of 7 slots" in page.get_by_role("row").nth(1).inner_text()


def test_two_windows_of_a_drill_lose_nothing(scene, newcomer, chromium):
    drill = begin_drill(member=newcomer)
    with opened(chromium, at(scene, "drill", drill.pk), cookie(newcomer), refusals=1) as page:
        other = page.context.new_page()
        other.goto(page.url)
        ready(other)
        for one, slot in ((other, "1"), (page, "2")):
            one.get_by_role("slider", name="Place in the track").focus()
            one.keyboard.press(slot)
            if one is other:
                saved(other)
        page.locator(".stand .notice", has_text="in another window too").wait_for()
        page.get_by_role("button", name="Keep these").click()
        saved(page)
        page.reload()
        ready(page)
        assert [name[:6] for name in marker_names(page)] == ["Slot 2"]


@pytest.mark.parametrize("scheme", ["light", "dark"])
@pytest.mark.parametrize("width", [360, 1440])
def test_the_pages_are_for_everyone(scene, newcomer, chromium, width, scheme):
    first = begin_drill(member=newcomer)
    beats, markers = first.sheet.analysis.result.beats_us, factories.eight_markers(first.sheet.analysis)
    slipped = [MarkerInput(2, beats[8 * 4]), MarkerInput(3, beats[33 * 4 + 1]), MarkerInput(4, beats[32 * 4])]
    hand_in(member=newcomer, drill=first, markers=[*slipped, *markers[4:]], seen_revision=1)
    approved_sheet(scene.lead, scene.resident, scene.crate)
    second = begin_drill(member=newcomer)
    view = {"viewport": {"width": width, "height": 900}, "color_scheme": scheme}
    with opened(chromium, at(scene, "practice"), cookie(newcomer), **view) as page:
        for url in (page.url, at(scene, "drill", second.pk), at(scene, "drill", first.pk)):
            page.goto(url)
            ready(page)
            assert axe(page) == []
            assert page.evaluate("document.documentElement.scrollWidth") <= width, f"{url} scrolls sideways"
