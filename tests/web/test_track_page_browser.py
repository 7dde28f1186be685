"""The track page in a real browser: by keyboard, without scripts, narrow, wide and dark, and under axe."""

from __future__ import annotations

from dataclasses import replace

import pytest
from django.urls import reverse

from crewprep.models import Job, JobState, Proposal
from crewprep.review.services import RemarkInput, return_proposal
from tests import factories
from tests.web.browser import axe, cookie, marker_names, opened, place, questions

pytestmark = [pytest.mark.browser, pytest.mark.django_db(transaction=True)]


def test_a_sheet_is_corrected_and_proposed_by_keyboard_alone(scene, chromium):
    with opened(chromium, scene.url, cookie(scene.resident)) as page:
        page.get_by_role("slider", name="Place in the track").focus()
        page.keyboard.press("ArrowRight")
        assert place(page).startswith("1.1.1, 0:00.250, slot 1, Mix-in")
        for key, expected in [
            ("ArrowRight", "1.1.2"), ("Shift+ArrowRight", "1.2.1"), ("ArrowDown", "2.2.1"), ("End", "2.8.4"),
            ("Home", "2.1.1"), ("Alt+ArrowRight", "2.1.1"), ("Shift+ArrowLeft", "2.1.1"), ("ArrowUp", "1.1.1"),
            ("ArrowDown", "2.1.1"), ("ArrowDown", "3.1.1"),
        ]:  # fmt: skip
            page.keyboard.press(key)
            assert place(page).split(",")[0] == expected, key
        page.keyboard.press("7")
        assert page.locator("#said").inner_text() == "Slot 7, Vocal or riff: at 3.1.1"
        assert any(name.startswith("Slot 7, Vocal or riff: 3.1.1, 0:30.250") for name in marker_names(page))
        page.keyboard.press("u")
        assert not any(name.startswith("Slot 7") for name in marker_names(page))
        page.keyboard.press("Shift+U")
        assert any(name.startswith("Slot 7") for name in marker_names(page))

        page.keyboard.press("Tab")
        assert page.evaluate("document.activeElement.dataset.slot") == "1", "Tab walks the markers in order of time"
        page.locator("button.marker[data-slot='4']").focus()
        page.keyboard.press("ArrowRight")
        page.keyboard.press("Alt+ArrowRight")
        assert page.evaluate("document.activeElement.dataset.slot") == "4", "the marker keeps the focus as it moves"
        assert any(name.startswith("Slot 4, First drop: 6.1.2, 1:15.720") for name in marker_names(page))
        assert page.locator("[name=start-4]").input_value() == "1:15.720", "the table follows"
        page.locator("button.marker[data-slot='8']").focus()
        page.keyboard.press("Delete")
        assert not any(name.startswith("Slot 8,") for name in marker_names(page))

        page.get_by_role("button", name="Propose this sheet").focus()
        page.keyboard.press("Enter")
        page.wait_for_url("**/proposals/**")
    made = {marker.slot: marker.start_us for marker in Proposal.objects.get(track=scene.track).markers.all()}
    assert sorted(made) == [1, 2, 3, 4, 5, 6, 7]
    assert made[4] == 75_250_000 + 468_750 + 1_000
    assert made[7] == 30_250_000


def test_one_key_corrects_the_grid_and_unsent_markers_stay(scene, chromium):
    with opened(chromium, scene.url, cookie(scene.resident)) as page:
        page.get_by_role("slider", name="Place in the track").focus()
        page.keyboard.press("ArrowDown")
        page.keyboard.press("7")
        put = next(name for name in marker_names(page) if name.startswith("Slot 7"))
        assert put.startswith("Slot 7, Vocal or riff: 2.1.1, 0:15.250")
        with page.expect_navigation():
            page.keyboard.press("h")
        # A beat lasts 468.75 ms; half of one later, the marker stands on the last half beat of the row before.
        assert place(page).startswith("1.8.4½, 0:15.250")
        assert page.evaluate("document.activeElement.getAttribute('role')") == "slider", "one stands where one stood"
        put = next(name for name in marker_names(page) if name.startswith("Slot 7"))
        assert put.startswith("Slot 7, Vocal or riff: 1.8.4½, 0:15.250")
        page.locator("#grid summary").click()
        assert (
            "markers are on no beat" in page.locator("#grid").inner_text()
            or "One marker is on no beat" in page.locator("#grid").inner_text()
        )
        page.get_by_role("button", name="Put them on beats").click()
        put = next(name for name in marker_names(page) if name.startswith("Slot 7"))
        assert put.startswith("Slot 7, Vocal or riff: 2.1.1, 0:15.484")
        assert axe(page) == []
        with page.expect_navigation():
            page.get_by_role("button", name="Back to what the analysis found").click()
        page.get_by_role("slider", name="Place in the track").focus()
        page.keyboard.press("ArrowRight")
        with page.expect_navigation():
            page.keyboard.press("b")
        assert "Grid corrected: the one at" in page.content()
        assert place(page).split(",")[0].endswith(".1.1")


def test_a_correction_that_is_refused_is_read_and_changes_nothing(scene, chromium):
    factories.proposal(scene.lead, scene.track, scene.crate)
    with opened(chromium, scene.url, cookie(scene.resident)) as page:
        page.get_by_role("slider", name="Place in the track").focus()
        page.keyboard.press("ArrowDown")
        with page.expect_navigation():
            page.keyboard.press("h")
        refusal = page.locator("#messages .notice--bad")
        assert "has proposed markers on this grid" in refusal.inner_text()
        assert page.evaluate("document.activeElement.id") == "messages"
        assert page.evaluate("window.scrollY") == 0
        assert place(page).startswith("2.1.1, 0:15.250")


def test_sixteen_bars_stand_in_a_line_where_the_window_is_wide(scene, chromium):
    with opened(chromium, scene.url, cookie(scene.resident), viewport={"width": 1920, "height": 1000}) as page:
        first, second = (page.locator(".stanza").first.locator(".row").nth(n).bounding_box() for n in range(2))
        assert first["y"] + first["height"] == pytest.approx(second["y"] + second["height"], abs=2)
        assert second["x"] > first["x"] + first["width"]
        slider = page.get_by_role("slider", name="Place in the track")
        slider.focus()
        page.keyboard.press("ArrowDown")
        assert place(page).startswith("2.1.1")
        assert page.evaluate("document.documentElement.scrollWidth") == 1920
        assert axe(page) == []


def test_a_tempo_is_tapped_along(scene, chromium):
    with opened(chromium, scene.url, cookie(scene.resident)) as page:
        slider = page.get_by_role("slider", name="Place in the track")
        slider.focus()
        page.keyboard.press("ArrowRight")
        for _ in range(6):
            page.keyboard.press("t")
            page.keyboard.press("ArrowRight")
            page.keyboard.press("ArrowRight")
        assert "64 BPM from" in page.locator("[data-taps]").inner_text()
        assert page.locator("#grid input[name=bpm]").input_value() == "64"


def test_unsent_work_survives_a_reload(scene, chromium):
    with opened(chromium, scene.url, cookie(scene.resident)) as page:
        page.locator("button.marker[data-slot='2']").focus()
        page.keyboard.press("Delete")
        asked = questions(page)
        page.reload()
        assert asked == ["beforeunload"]
        assert page.locator("button.marker[data-slot='2']").count() == 0
        assert "not proposed yet are back" in page.locator("#said").inner_text()
        page.get_by_role("button", name="Undo").click()
        assert page.locator("button.marker[data-slot='2']").count() == 1
        page.reload()
        page.get_by_role("button", name="Redo").click()
        assert page.locator("button.marker[data-slot='2']").count() == 0, "undo and redo survive a reload"


def test_letters_and_figures_can_be_switched_off(scene, chromium):
    with opened(chromium, scene.url, cookie(scene.resident)) as page:
        page.get_by_role("slider", name="Place in the track").focus()
        page.keyboard.press("?")
        page.get_by_label("Figures, letters and signs do something").uncheck()
        page.keyboard.press("Escape")
        page.get_by_role("slider", name="Place in the track").focus()
        page.keyboard.press("7")
        assert page.locator("button.marker[data-slot='7']").count() == 0
        page.keyboard.press("ArrowRight")
        assert place(page).startswith("1.1.1")


def test_listening_starts_quiet_moves_the_cursor_and_stops_where_it_began(scene, chromium):
    with opened(chromium, scene.url, cookie(scene.resident)) as page:
        page.get_by_role("slider", name="Place in the track").focus()
        page.keyboard.press("ArrowDown")
        began = place(page)
        page.keyboard.press("Enter")
        heard_until(page, 15.5)
        volume = page.evaluate("document.getElementById('audio').volume")
        moved = page.evaluate("document.querySelector('.cursor').style.transform")
        page.keyboard.press("Escape")
        assert page.evaluate("document.getElementById('audio').paused")
        assert place(page) == began
        assert page.evaluate("document.querySelector('.cursor').style.transform") != moved
        page.locator("button.marker[data-slot='2']").focus()
        page.keyboard.press("Shift+Enter")
        heard_until(page, 26.6)
        # Slot 2 stands at 30.25 s; two bars at 128 BPM are 3.75 s.
        assert page.evaluate("document.getElementById('audio').currentTime") < 29
    assert volume == pytest.approx(0.3 * 10 ** (-8.5 / 20), abs=1e-3), "30 %, brought from -9.5 to -18 LUFS"


def test_without_scripts_the_rows_the_table_and_the_form_still_work(scene, chromium):
    with opened(chromium, scene.url, cookie(scene.resident), java_script_enabled=False) as page:
        links = page.locator("a.marker")
        assert links.count() == 7
        assert links.first.get_attribute("href") == "#slot-1"
        left, strip = links.nth(3).bounding_box(), page.locator(".strip:has(a.marker)").nth(3).bounding_box()
        assert left["x"] == pytest.approx(strip["x"], abs=2)
        page.locator("[name=start-4]").fill("6.1.2")
        page.locator("[name=note]").fill("by hand")
        page.get_by_role("button", name="Propose this sheet").click()
        page.wait_for_url("**/proposals/**")
    proposal = Proposal.objects.get(track=scene.track)
    assert proposal.note == "by hand"
    assert proposal.markers.get(slot=4).start_us == 75_250_000 + 468_750


@pytest.mark.parametrize("width", [320, 360, 1440])
def test_nothing_scrolls_sideways_and_addresses_do_not_depend_on_the_width(scene, chromium, width):
    with opened(chromium, scene.url, cookie(scene.resident), viewport={"width": width, "height": 800}) as page:
        page.locator("button.marker[data-slot='8']").click()
        assert page.evaluate("document.documentElement.scrollWidth") == width
        assert any(name.startswith("Slot 8, Exit loop: 12.1.1") for name in marker_names(page))
        tops = page.eval_on_selector_all(".row:nth-child(2) .strip", "all => all.map(one => one.offsetTop)")
        assert (tops[0] == tops[1]) is (width > 1000)
        small = page.eval_on_selector_all(
            "#desk button, #desk input, #markers button, #markers input",
            "all => all.filter(one => one.offsetParent && (one.offsetWidth < 24 || one.offsetHeight < 24)).length",
        )
        assert small == 0, "WCAG 2.2, 2.5.8"


def heard_until(page, seconds: float) -> None:
    """Wait for the sound to get there; asked again and again, as the policy forbids scripts that are made of text."""
    for _ in range(200):
        if page.evaluate("document.getElementById('audio').currentTime") > seconds:
            return
        page.wait_for_timeout(100)
    pytest.fail(f"the sound did not reach {seconds} s")


@pytest.mark.parametrize(("width", "scheme"), [(1440, "light"), (1440, "dark"), (320, "light"), (360, "dark")])
def test_axe_finds_nothing_in_any_state(scene, live_server, chromium, width, scheme):
    member = scene.lead
    bare = replace(
        factories.analysis_result(), tempo_bpm=None, tempo_candidates=(), tempo_segments=(), beats_us=(),
        downbeats_us=(), phrases_us=(), sections=(), drops=(), energy=(),
        contour=replace(factories.analysis_result().contour, loudness=(), low=(), onsets=()),
    )  # fmt: skip
    returned = factories.proposal(scene.resident, into=scene.crate)
    return_proposal(member=member, proposal=returned, seen_revision=1, note="no", remarks=[RemarkInput(4, "later")])
    waiting = factories.track(member, scene.crate)
    dead = factories.track(member, scene.crate)
    Job.objects.filter(track=dead).update(state=JobState.DEAD, error_detail="The work stopped 5 times.")
    tracks = [scene.track, returned.track, factories.analysed_track(member, scene.crate, bare), waiting, dead]
    paths = [reverse("track-page", args=[member.crew.slug, scene.crate.pk, track.pk]) for track in tracks]
    with opened(
        chromium, scene.url, cookie(member), viewport={"width": width, "height": 900}, color_scheme=scheme
    ) as page:
        for path in paths:
            page.goto(live_server.url + path)
            page.wait_for_selector("#desk .cursor, #state")
            assert not page.locator("dialog").is_visible(), "the list of keys waits until it is asked for"
            if page.locator(".cursor").count():
                page.locator(".cursor").focus()  # clear of the stand at the foot of the window
            assert axe(page) == [], path
        page.goto(live_server.url + paths[0])
        page.locator("button.marker[data-slot='4']").click()
        assert axe(page) == [], "with a marker chosen"
        page.get_by_label("Label", exact=True).fill("half a minute in")
        page.get_by_role("button", name="Later by 1 ms").click(click_count=6)
        page.locator("#grid summary").click()
        assert axe(page) == [], "with a label, a marker off the grid and the corrections of the grid open"
        assert page.evaluate("document.documentElement.scrollWidth") == width
        page.get_by_role("slider", name="Place in the track").focus()
        page.keyboard.press("?")
        assert axe(page) == [], "with the list of keys open"
