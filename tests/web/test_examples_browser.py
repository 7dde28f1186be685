"""Examples and first steps in a real browser: one plays at a time, quiet at first; keys, axe, narrow and wide."""

from __future__ import annotations

from typing import Any

import pytest
from django.urls import reverse

from crewprep.crews.models import Membership, Role
from tests import factories
from tests.web.browser import axe, cookie, opened
from tests.web.examples_scene import RATE, heard_sheet
from tests.web.test_clips_browser import until

pytestmark = [pytest.mark.browser, pytest.mark.django_db(transaction=True)]

TOLD = """
() => {
window.started = [];
const start = AudioBufferSourceNode.prototype.start;
AudioBufferSourceNode.prototype.start = function (...at) {
  window.started.push({ frames: this.buffer.length, loop: this.loop });
  return start.apply(this, at);
};
window.levels = [];
const made = AudioContext.prototype.createGain;
AudioContext.prototype.createGain = function () {
  const node = made.call(this);
  window.levels.push(node.gain);
  return node;
};
}
"""


@pytest.fixture
def newcomer(live_server: Any) -> Membership:
    lead = factories.crew_with()
    crate = factories.crate(lead)
    for title in ("Cold Kettle", "Marsh Lamp", "Tin Harbour"):
        heard_sheet(lead, crate, title)
    return factories.member_of(lead.crew, Role.NEWCOMER)


def address(live_server: Any, name: str, member: Membership) -> str:
    return str(live_server.url + reverse(name, args=[member.crew.slug]))


def test_one_example_plays_at_a_time_and_starts_quiet(live_server, newcomer, chromium):
    with opened(chromium, address(live_server, "convention-examples", newcomer), cookie(newcomer)) as page:
        page.evaluate(TOLD)
        assert page.locator("audio").count() == 0
        drop = page.locator("#slot-4 .example button").first
        drop.focus()
        page.keyboard.press("Enter")
        until(page, "window.started.length === 1")
        # Five bars at 128 BPM are 9.375 s.
        assert page.evaluate("window.started[0]") == {"frames": int(9.375 * RATE), "loop": False}
        # 30 % of full scale at a track 8.5 dB over the common level.
        assert page.evaluate("window.levels[0].value") == pytest.approx(0.3 * 10 ** (-8.5 / 20), abs=1e-4)
        loop = page.locator("#slot-8 .example button").first
        loop.click()
        until(page, "window.started.length === 2")
        assert page.evaluate("window.started[1]") == {"frames": int(7.5 * RATE), "loop": True}
        assert drop.inner_text().startswith("Play")
        assert loop.inner_text().startswith("Stop")
        page.keyboard.press("Escape")
        assert loop.inner_text().startswith("Play")
        assert axe(page) == []


def test_without_scripts_the_browser_plays(live_server, newcomer, chromium):
    url = address(live_server, "convention-examples", newcomer)
    with opened(chromium, url, cookie(newcomer), java_script_enabled=False) as page:
        assert page.locator("#slot-4 audio[controls]").first.is_visible()
        assert not page.locator("#slot-4 .example button").first.is_visible()


@pytest.mark.parametrize("scheme", ["light", "dark"])
@pytest.mark.parametrize("width", [360, 1440])
def test_first_steps_and_examples_on_every_screen(live_server, newcomer, chromium, width, scheme):
    looks = {"viewport": {"width": width, "height": 900}, "color_scheme": scheme}
    with opened(chromium, address(live_server, "start", newcomer), cookie(newcomer), **looks) as page:
        for name in ("start", "convention-examples", "crew-home"):
            page.goto(address(live_server, name, newcomer))
            assert axe(page) == []
            assert page.evaluate("document.documentElement.scrollWidth <= window.innerWidth")


def test_the_steps_are_taken_by_keys(live_server, newcomer, chromium):
    with opened(chromium, address(live_server, "start", newcomer), cookie(newcomer)) as page:
        page.get_by_role("button", name="Read what each slot is for").focus()
        page.keyboard.press("Enter")
        page.get_by_text("1 of 6 done").wait_for()
        page.get_by_role("link", name="Hear the examples").focus()
        page.keyboard.press("Enter")
        page.get_by_role("button", name="I have heard the examples").focus()
        page.keyboard.press("Enter")
        page.get_by_text("2 of 6 done").wait_for()
