"""Work that is not proposed yet, in a real browser: saved as one goes, in another window, and in two at once."""

from __future__ import annotations

import re

import pytest

from crewprep.models import KeptSheet, Proposal
from tests.web.browser import cookie, opened, questions

pytestmark = [pytest.mark.browser, pytest.mark.django_db(transaction=True)]


def slots(page) -> list[str]:
    return page.eval_on_selector_all("button.marker", "all => all.map(one => one.dataset.slot).sort()")


def drop(page, slot: int) -> None:
    page.locator(f"button.marker[data-slot='{slot}']").focus()
    page.keyboard.press("Delete")


def saved(page) -> None:
    page.locator(".tools__saved", has_text=re.compile("^Saved$")).wait_for(timeout=15_000)


def test_changes_are_saved_as_one_goes_and_come_back_in_another_browser(scene, chromium):
    lead, url = scene.lead, scene.url
    with opened(chromium, url, cookie(lead)) as page:
        drop(page, 8)
        assert page.locator(".tools__saved").inner_text() == "Saving …"
        saved(page)
        page.locator("#note").fill("the loop has no place yet")
        saved(page)
        asked = questions(page)
        page.reload()
        assert asked == [], "what the service has needs no question on leaving"
    with opened(chromium, url, cookie(lead)) as page:
        assert slots(page) == ["1", "2", "3", "4", "5", "6"]
        assert page.locator("#note").input_value() == "the loop has no place yet"
        page.get_by_role("button", name="Undo").click()
        assert "8" in slots(page)
        page.get_by_role("button", name="Redo").click()
        page.get_by_role("button", name="Propose this sheet").click()
        page.wait_for_url("**/proposals/**")
    assert Proposal.objects.get().markers.count() == 6
    assert not KeptSheet.objects.exists(), "what was proposed is not kept any more"


@pytest.mark.parametrize("choice", ["Keep these", "Use the other window's"])
def test_two_windows_of_one_member_lose_nothing(scene, chromium, choice):
    lead, url = scene.lead, scene.url
    with opened(chromium, url, cookie(lead), refusals=1) as page:
        other = page.context.new_page()
        other.goto(url)
        drop(other, 3)
        saved(other)
        drop(page, 2)
        page.locator(".stand .notice", has_text="in another window too").wait_for()
        assert page.locator(".tools__saved").inner_text() == "Not saved"
        page.get_by_role("button", name=choice).click()
        saved(page)
        mine, theirs = ["1", "3", "4", "5", "6", "8"], ["1", "2", "4", "5", "6", "8"]
        assert slots(page) == (mine if choice == "Keep these" else theirs)
        page.get_by_role("button", name="Undo").click()
        assert slots(page) == (theirs if choice == "Keep these" else mine), "undo has the other window's"
        saved(page)


def test_without_the_service_work_stays_in_the_window_and_is_sent_later(scene, chromium):
    lead, url = scene.lead, scene.url
    with opened(chromium, url, cookie(lead)) as page:
        page.route("**/keep/**", lambda route: route.fulfill(status=200, body="no JSON"))
        drop(page, 2)
        page.locator(".tools__saved", has_text="Not saved").wait_for()
        assert "kept in this window" in page.locator("#said").inner_text()
        page.unroute("**/keep/**")
        saved(page)
    assert {marker["slot"] for marker in KeptSheet.objects.get().markers} == {1, 3, 4, 5, 6, 8}
