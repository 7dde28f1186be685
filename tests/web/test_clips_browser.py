"""Exact listening in a real browser: what is rendered is what was cut, to the sample; keys start and stop it."""

from __future__ import annotations

import io
from typing import Any

import numpy as np
import pytest
import soundfile
from django.core.files.base import ContentFile
from django.core.files.storage import default_storage
from django.urls import reverse

from analysis_worker.core.peaks import peaks_writer
from crewprep.crews.models import Membership
from crewprep.models import Job, JobState
from crewprep.tracks.selectors import reference_copy
from tests import factories
from tests.web.browser import axe, cookie, opened

pytestmark = [pytest.mark.browser, pytest.mark.django_db(transaction=True)]

RATE = 8000
SECONDS = 200

RENDER = """
async ([from, line, target, end, loops]) => {
  const base = document.getElementById("player").dataset.clipUrl;
  const pieces = await import(new URL("./pieces.js", document.querySelector("script[data-part]").src));
  const clip = async (a, b) => pieces.readWav(await (await fetch(`${base}${a}-${b}.wav`)).arrayBuffer());
  const before = await clip(from, line);
  const after = await clip(target, end);
  const joined = pieces.joined([before, after]);
  const turn = before.channels[0].length;
  const length = joined.channels[0].length + (loops ? 2 * after.channels[0].length : 0);
  const context = new OfflineAudioContext(joined.channels.length, length, joined.rate);
  const buffer = context.createBuffer(joined.channels.length, joined.channels[0].length, joined.rate);
  joined.channels.forEach((samples, channel) => buffer.copyToChannel(samples, channel));
  const source = context.createBufferSource();
  source.buffer = buffer;
  if (loops) Object.assign(source, { loop: true, loopStart: turn / joined.rate, loopEnd: buffer.length / joined.rate });
  source.connect(context.destination);
  source.start(0);
  const heard = await context.startRendering();
  return Array.from(heard.getChannelData(0), (value) => Math.round(value * 32768));
}
"""

TOLD = """
() => {
window.started = [];
const start = AudioBufferSourceNode.prototype.start;
AudioBufferSourceNode.prototype.start = function (...at) {
  const { buffer, loop, loopStart, loopEnd } = this;
  window.started.push({ frames: buffer.length, loop, loopStart, loopEnd });
  return start.apply(this, at);
};
}
"""


INKED = """
(() => {
  const canvas = document.querySelector("canvas.loupe");
  if (!canvas.width) return 0;
  const { data } = canvas.getContext("2d").getImageData(0, 0, canvas.width, canvas.height);
  return data.filter((value, at) => at % 4 === 3 && value > 0).length;
})()
"""

LOSE = """
() => {
  window.kept = window.fetch;
  window.fetch = () => Promise.reject(new TypeError("offline"));
}
"""


@pytest.fixture
def sound() -> np.ndarray:
    return np.random.default_rng(5).integers(-9000, 9000, RATE * SECONDS, dtype=np.int16)


@pytest.fixture
def scene(live_server: Any, sound: np.ndarray) -> tuple[str, str, Membership]:
    lead = factories.crew_with()
    crate = factories.crate(lead)
    track = factories.analysed_track(lead, crate)
    factories.draft(track, crate.convention_version)
    Job.objects.filter(track=track).update(state=JobState.DONE)
    file = io.BytesIO()
    soundfile.write(file, sound, RATE, format="FLAC", subtype="PCM_16")
    copy = reference_copy(track)
    copy.proxy_key = default_storage.save("listening.flac", ContentFile(file.getvalue()))
    with io.BytesIO() as drawn:
        with peaks_writer(drawn, sample_rate=RATE) as writer:
            writer.write((sound[:, None] / 32768).astype(np.float32))
        copy.peaks_key = default_storage.save("peaks.bin", ContentFile(drawn.getvalue()))
    copy.save()
    return live_server.url + reverse("track-page", args=[lead.crew.slug, crate.pk, track.pk]), cookie(lead), lead


def until(page: Any, condition: str) -> None:
    """Wait until a script's condition holds; asked again and again, as the policy forbids scripts made of text."""
    for _ in range(100):
        if page.evaluate(condition):
            return
        page.wait_for_timeout(100)
    pytest.fail(f"never: {condition}")


@pytest.mark.parametrize("loops", [False, True])
def test_a_jump_is_exact_to_the_sample(scene, chromium, sound, loops):
    from_us, line_us, target_us, end_us = 11_031_250, 15_250_000, 75_250_000, 82_750_000
    with opened(chromium, scene[0], scene[1]) as page:
        heard = page.evaluate(RENDER, [from_us, line_us, target_us, end_us, loops])
    at = [(2 * time_us * RATE + 1_000_000) // 2_000_000 for time_us in (from_us, line_us, target_us, end_us)]
    after = sound[at[2] : at[3]]
    expected = np.concatenate([sound[at[0] : at[1]], *[after] * (3 if loops else 1)])
    assert len(heard) == len(expected)
    assert int(np.sum(np.array(heard) != expected)) == 0, "samples off"


def test_keys_loop_a_marker_hear_its_seam_and_jump(scene, chromium):
    with opened(chromium, scene[0], scene[1]) as page:
        page.evaluate(TOLD)
        page.locator("button.marker[data-slot='8']").focus()
        page.keyboard.press("l")
        until(page, "window.started.length === 1")
        loop = page.evaluate("window.started[0]")
        # Four bars at 128 BPM are 7.5 s.
        assert (loop["frames"], loop["loop"], loop["loopStart"], loop["loopEnd"]) == (60_000, True, 0, 7.5)
        before = page.evaluate("document.querySelector('.cursor').style.transform")
        until(page, f"document.querySelector('.cursor').style.transform !== {before!r}")
        page.keyboard.press("s")
        until(page, "window.started.length === 2")
        assert page.evaluate("window.started[1].frames") == 15_000, "four beats"
        page.keyboard.press("Escape")
        page.locator("button.marker[data-slot='4']").focus()
        page.keyboard.press("s")
        assert "is a point and has no seam" in page.locator("#said").inner_text()
        page.keyboard.press("j")
        until(page, "window.started.length === 3")
        assert page.locator("#said").inner_text() == "Jumps at the end of the bar"
        page.keyboard.press("Escape")
        page.locator("button.marker[data-slot='8']").focus()
        page.get_by_role("button", name="Jump here at the next phrase").click()
        until(page, "window.started.length === 4")
        jump = page.evaluate("window.started[3]")
        assert jump["loop"] is True
        assert jump["loopEnd"] - jump["loopStart"] == 7.5
        assert axe(page) == []
        page.keyboard.press("k")
        page.keyboard.press("Escape")


def test_a_lost_connection_is_said_and_the_key_works_again(scene, chromium):
    with opened(chromium, scene[0], scene[1]) as page:
        page.evaluate(TOLD)
        page.evaluate(LOSE)
        page.locator("button.marker[data-slot='3']").focus()
        page.keyboard.press("l")
        until(page, "document.getElementById('said').textContent.includes('could not be loaded')")
        page.evaluate("() => { window.fetch = window.kept; }")
        page.keyboard.press("l")
        until(page, "window.started.length === 1")


def test_the_loupe_shows_the_sound_around_a_marker(scene, chromium):
    with opened(chromium, scene[0], scene[1]) as page:
        page.locator("button.marker[data-slot='4']").click()
        until(page, f"({INKED}) > 1000")
        before = page.evaluate(INKED)
        page.keyboard.press("Alt+ArrowRight")
        until(page, "document.getElementById('said').textContent.includes('1:15.251')")
        assert page.evaluate(INKED) > before / 2
        assert axe(page) == []


def test_a_right_draft_is_approved_in_two_keys_and_what_was_heard_is_told(live_server, scene, chromium):
    lead = scene[2]
    with opened(chromium, scene[0], scene[1]) as page:
        page.get_by_role("slider", name="Place in the track").focus()
        page.keyboard.press("p")
        page.wait_for_url("**/proposals/**")
        url = page.url
    reviewer = factories.member_of(lead.crew)
    with opened(chromium, url, cookie(reviewer)) as page:
        page.evaluate(TOLD)
        page.locator(".marker[href='#slot-8']").focus()
        page.keyboard.press("l")
        until(page, "document.getElementById('heard').textContent === 'You have heard 1 of 7 markers.'")
        assert axe(page) == []
    with opened(chromium, url, cookie(reviewer)) as page:
        page.keyboard.press("a")
        page.wait_for_url("**/queue/")
        assert "has sheet version 1 now" in page.content()


def first_marker_moved_and_proposed(page: Any) -> None:
    """From the cursor: to the first marker, a phrase on, propose."""
    page.get_by_role("slider", name="Place in the track").focus()
    for key in ("Tab", "ArrowDown", "p"):
        page.keyboard.press(key)
    page.wait_for_url("**/proposals/**")


def test_a_marker_is_moved_a_phrase_and_proposed_in_three_keys(scene, chromium):
    with opened(chromium, scene[0], scene[1]) as page:
        first_marker_moved_and_proposed(page)
        assert "moved 8 bars later" in page.content()


def test_before_and_after_by_one_key(scene, chromium):
    with opened(chromium, scene[0], scene[1]) as page:
        first_marker_moved_and_proposed(page)
        new = page.locator(".marker--new")
        assert new.is_visible()
        page.get_by_role("slider", name="Place in the track").focus()
        page.keyboard.press("d")
        assert not new.is_visible()
        assert page.locator(".marker--old").is_visible()
        page.keyboard.press("d")
        assert new.is_visible()
        page.evaluate(TOLD)
        new.focus()
        page.keyboard.press("o")
        until(page, "window.started.length === 1")
        # Two bars at 128 BPM, 0.4 s of silence, two bars.
        assert page.evaluate("window.started[0].frames") == 30_000 + 3_200 + 30_000
        page.locator(".marker--kept").first.focus()
        page.keyboard.press("o")
        assert "stands where it stood" in page.locator("#said").inner_text()


def test_a_remark_is_written_at_its_marker_and_stands_in_the_margin(live_server, scene, chromium):
    lead = scene[2]
    with opened(chromium, scene[0], scene[1]) as page:
        first_marker_moved_and_proposed(page)
        url = page.url
    reviewer = factories.member_of(lead.crew)
    with opened(chromium, url, cookie(reviewer), viewport={"width": 1440, "height": 900}) as page:
        marker = page.locator(".marker--kept[href='#slot-4']")
        marker.focus()
        page.keyboard.press("c")
        page.keyboard.type("A bar later?")
        margin = page.locator(".row:has(.marker[href='#slot-4']) .row__remarks")
        assert margin.inner_text() == "4\nA bar later?"
        assert axe(page) == []
        page.keyboard.press("Escape")
        assert marker.evaluate("one => one === document.activeElement")
        page.keyboard.press("r")
        page.wait_for_url("**/queue/")
    with opened(chromium, scene[0], scene[1], viewport={"width": 1440, "height": 900}) as page:
        margin = page.locator(".row:has(.marker[data-slot='4']) .row__remarks")
        assert "A bar later?" in margin.inner_text()
        strips = page.locator(".row:has(.marker[data-slot='4']) .row__strips").bounding_box()
        assert margin.bounding_box()["x"] >= strips["x"] + strips["width"], "beside the row"
        page.set_viewport_size({"width": 360, "height": 800})
        strips = page.locator(".row:has(.marker[data-slot='4']) .row__strips").bounding_box()
        assert margin.bounding_box()["y"] >= strips["y"] + strips["height"], "under the row on a phone"
        assert axe(page) == []
