"""Markers on the rows in a real browser: moved, dragged, labelled, made longer, and how they look."""

from __future__ import annotations

import pytest

from crewprep.models import DraftMarker, Proposal
from tests.web.browser import cookie, marker_names, opened, place

pytestmark = [pytest.mark.browser, pytest.mark.django_db(transaction=True)]


def test_a_loop_is_made_longer_and_shorter(scene, chromium):
    with opened(chromium, scene.url, cookie(scene.resident)) as page:
        page.locator("button.marker[data-slot='8']").focus()
        page.keyboard.press("[")
        assert page.locator("#said").inner_text() == "Slot 8 lasts 2 bars"
        page.get_by_role("button", name="Double the loop's length").click()
        assert page.locator("#said").inner_text() == "Slot 8 lasts 4 bars"
        page.locator("button.marker[data-slot='4']").click()
        page.locator("button.marker[data-slot='4']").focus()
        page.keyboard.press("]")
        assert "a point has no length" in page.locator("#said").inner_text()
        assert not page.get_by_role("button", name="Double the loop's length").is_visible()


def test_a_marker_is_labelled_in_the_note_and_in_the_table(scene, chromium):
    with opened(chromium, scene.url, cookie(scene.resident)) as page:
        marker = page.locator("button.marker[data-slot='4']")
        marker.click()
        page.get_by_label("Label", exact=True).fill("the bells come in")
        page.keyboard.press("Tab")
        assert marker.locator(".marker__note").inner_text() == "the bells come in"
        assert page.get_by_label("Label of slot 4").input_value() == "the bells come in"
        assert any(name.startswith("Slot 4, First drop “the bells come in”: 6.1.1") for name in marker_names(page))
        page.get_by_label("Label of slot 8").fill("soft")
        page.keyboard.press("Tab")
        assert page.locator("button.marker[data-slot='8'] .marker__note").inner_text() == "soft"
        assert page.get_by_label("Label of slot 7").is_disabled(), "an empty slot has nothing to label"
        page.get_by_role("button", name="Undo").click()
        assert page.get_by_label("Label of slot 8").input_value() == ""
        page.get_by_role("button", name="Propose this sheet").click()
        page.wait_for_url("**/proposals/**")
        assert "label “the bells come in”" in page.content()
    assert Proposal.objects.get(track=scene.track).markers.get(slot=4).label == "the bells come in"


def test_a_question_mark_goes_once_its_marker_was_moved(scene, chromium):
    DraftMarker.objects.filter(draft__track=scene.track, slot=4).update(confidence=0.4)
    with opened(chromium, scene.url, cookie(scene.resident)) as page:
        note = page.locator("button.marker[data-slot='4'] .marker__note")
        assert note.inner_text() == "?"
        page.locator("button.marker[data-slot='4']").focus()
        page.keyboard.press("ArrowRight")
        assert note.inner_text() == ""


def test_the_stem_of_a_marker_off_the_grid_leans(scene, chromium):
    with opened(chromium, scene.url, cookie(scene.resident)) as page:
        marker = page.locator("button.marker[data-slot='4']")
        lean = "one => getComputedStyle(one, '::before').transform"
        assert marker.evaluate(lean) == "none"
        marker.focus()
        for _ in range(5):
            page.keyboard.press("Alt+ArrowRight")
        assert marker.evaluate(lean) != "none"
        page.keyboard.press("u")
        assert marker.evaluate(lean) == "none", "four milliseconds are on the grid"


def test_clicks_and_buttons_do_what_the_keys_do(scene, chromium):
    with opened(chromium, scene.url, cookie(scene.resident), viewport={"width": 1280, "height": 900}) as page:
        strip = page.locator(".strip__art").nth(2)
        box = strip.bounding_box()
        strip.click(position={"x": box["width"] * 0.252, "y": 10})
        assert place(page).split(",")[0].startswith("2.2.1")
        page.get_by_label("Slot to put here").select_option("7")
        page.get_by_role("button", name="Put here, at the cursor").click()
        assert page.locator("#said").inner_text() == "Slot 7, Vocal or riff: Snapped to 2.2.1"
        page.get_by_role("button", name="Later by one bar").click()
        page.get_by_role("button", name="Later by 1 ms").click()
        page.get_by_role("button", name="Earlier by one beat").click()
        assert any(name.startswith("Slot 7, Vocal or riff: 2.2.4, 0:18.532") for name in marker_names(page))
        page.get_by_role("button", name="Snap to the grid").click()
        assert any(name.startswith("Slot 7, Vocal or riff: 2.2.4, 0:18.531") for name in marker_names(page))
        page.locator("[name=start-3]").fill("5.2.1")
        page.locator("[name=start-3]").press("Tab")
        assert any(name.startswith("Slot 3, First build-up: 5.2.1") for name in marker_names(page))
        page.locator("[name=start-3]").fill("later")
        page.locator("[name=start-3]").press("Tab")
        assert page.locator("[name=start-3]").get_attribute("aria-invalid") == "true"
        assert "“later” is not a time" in page.get_by_role("alert").inner_text()
        page.locator("[name=start-3]").fill("5.1.1")
        page.locator("[name=start-3]").press("Tab")
        assert page.get_by_role("alert").inner_text() == ""


def middle(page, selector: str) -> tuple[float, float]:
    box = page.locator(selector).bounding_box()
    return box["x"] + box["width"] / 2, box["y"] + box["height"] / 2


def test_a_marker_is_dragged_to_its_snap_and_escape_takes_it_back(scene, chromium):
    with opened(chromium, scene.url, cookie(scene.resident), viewport={"width": 1440, "height": 900}) as page:
        page.locator("button.marker[data-slot='2']").scroll_into_view_if_needed()
        strip = page.locator(".strip").nth(5).bounding_box()
        beat = strip["width"] / 16
        x, y = middle(page, "button.marker[data-slot='2']")
        page.mouse.move(x, y)
        page.mouse.down()
        page.mouse.move(x + 3 * beat + 3, y, steps=5)
        assert any(name.startswith("Slot 2, First breakdown: 3.1.4") for name in marker_names(page)), "seen as it goes"
        page.keyboard.press("Escape")
        page.mouse.up()
        assert any(name.startswith("Slot 2, First breakdown: 3.1.1") for name in marker_names(page))
        page.mouse.move(x, y)
        page.mouse.down()
        page.mouse.move(x + 2 * beat + 3, y, steps=5)
        page.mouse.up()
        assert any(name.startswith("Slot 2, First breakdown: 3.1.3") for name in marker_names(page))
        page.get_by_role("button", name="Undo").click()
        assert any(name.startswith("Slot 2, First breakdown: 3.1.1") for name in marker_names(page)), "one step back"


def test_a_marker_is_dragged_by_a_finger(scene, chromium):
    size = {"width": 360, "height": 800}
    with opened(chromium, scene.url, cookie(scene.resident), viewport=size, has_touch=True) as page:
        page.locator("button.marker[data-slot='2']").scroll_into_view_if_needed()
        scrolled = page.evaluate("scrollY")
        x, y = middle(page, "button.marker[data-slot='2']")
        beat = page.locator(".strip").first.bounding_box()["width"] / 16
        touch = page.context.new_cdp_session(page)
        touch.send("Input.dispatchTouchEvent", {"type": "touchStart", "touchPoints": [{"x": x, "y": y}]})
        for step in range(1, 9):
            at = [{"x": x + step * beat, "y": y}]
            touch.send("Input.dispatchTouchEvent", {"type": "touchMove", "touchPoints": at})
        touch.send("Input.dispatchTouchEvent", {"type": "touchEnd", "touchPoints": []})
        assert any(name.startswith("Slot 2, First breakdown: 3.3.1") for name in marker_names(page))
        assert page.evaluate("scrollY") == scrolled
