"""How the track page feels in Chromium: a drafted track of ten minutes, 128 BPM, 320 bars, with a listening copy.

Beside each figure stand its goal and a baseline from the same run: the sign-in page for what loading costs, and frames
with nothing moving for what the machine gives. Rendering is by software here, so a reader's screen does no worse.
"""

from __future__ import annotations

import json
import shutil
import tempfile
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from tests.servers import Service, environment, running

RUNS = 5
PLAY_S = 4.0

_SEED = """
import io
import json
import numpy as np
import soundfile
from django.contrib.auth import BACKEND_SESSION_KEY, HASH_SESSION_KEY, SESSION_KEY
from django.contrib.sessions.backends.db import SessionStore
from django.core.files.base import ContentFile
from django.core.files.storage import default_storage
from analysis_worker.core.peaks import peaks_writer
from crewprep.tracks.selectors import reference_copy
from tests import factories

lead = factories.crew_with(slug="bench")
crate = factories.crate(lead)
result = factories.analysis_result(bars=320)
track = factories.analysed_track(lead, crate, result)
factories.draft(track, crate.convention_version)
rate = 44_100
sound = 0.05 * np.random.default_rng(1).standard_normal((result.duration_us * rate // 1_000_000, 2)).astype(np.float32)
flac, drawn = io.BytesIO(), io.BytesIO()
soundfile.write(flac, sound, rate, format="FLAC", subtype="PCM_16")
with peaks_writer(drawn, sample_rate=rate) as writer:
    writer.write(sound)
copy = reference_copy(track)
copy.proxy_key = default_storage.save("listening.flac", ContentFile(flac.getvalue()))
copy.peaks_key = default_storage.save("peaks.bin", ContentFile(drawn.getvalue()))
copy.save()
session = SessionStore()
session[SESSION_KEY] = str(lead.user.pk)
session[BACKEND_SESSION_KEY] = "django.contrib.auth.backends.ModelBackend"
session[HASH_SESSION_KEY] = lead.user.get_session_auth_hash()
session.create()
print(json.dumps({"session": session.session_key, "crate": str(crate.pk), "track": str(track.pk)}))
"""

_WATCH = """
window.shifted = 0;
new PerformanceObserver((list) => list.getEntries().forEach((entry) => { window.shifted += entry.value; }))
  .observe({ type: "layout-shift", buffered: true });
const start = AudioBufferSourceNode.prototype.start;
window.pressed = 0;
window.sounded = [];
window.addEventListener("keydown", (event) => { window.pressed = event.timeStamp; }, true);
AudioBufferSourceNode.prototype.start = function (when = 0) {
  const wait = Math.max(0, when - this.context.currentTime);
  window.sounded.push(performance.now() - window.pressed + 1000 * (wait + this.context.baseLatency));
  return start.call(this, when);
};
"""

_LOADED = """
() => {
  const [page] = performance.getEntriesByType("navigation");
  const paint = performance.getEntriesByName("first-contentful-paint")[0];
  const rest = performance.getEntriesByType("resource").filter((one) => !/audio|clip|peaks/.test(one.name));
  return {
    draw_ms: paint.startTime - page.responseEnd,
    weight: rest.reduce((sum, one) => sum + one.transferSize, page.transferSize),
    nodes: document.querySelectorAll("svg, svg *").length,
    shift: window.shifted,
  };
}
"""

_FRAMES = """
(seconds) => new Promise((done) => {
  const times = [];
  const tick = (now) => {
    times.push(now);
    if (now - times[0] < seconds * 1000) requestAnimationFrame(tick);
    else done((times.length - 1) / ((now - times[0]) / 1000));
  };
  requestAnimationFrame(tick);
})
"""


@dataclass(frozen=True, slots=True)
class Figure:
    """One measured thing. ``goal`` is the most (or, with ``least``, the least) it should be."""

    name: str
    value: float
    goal: float
    baseline: float | None = None
    least: bool = False

    @property
    def met(self) -> bool:
        """Whether the goal is met."""
        return self.value >= self.goal if self.least else self.value <= self.goal


def track_page() -> list[Figure]:
    """Measure; an empty list where no Chromium is installed."""
    chromium = shutil.which("chromium") or shutil.which("chromium-browser")
    if chromium is None:
        return []
    with tempfile.TemporaryDirectory() as folder:
        service = Service(Path(folder), environment(Path(folder), CREWPREP_LOG_LEVEL="ERROR"))
        with running(service, worker=False):
            seed = json.loads(service.manage(program=_SEED).strip().splitlines()[-1])
            return _in_browser(chromium, service.url, seed)


def print_figures(figures: list[Figure]) -> None:
    """One line each: value, goal, baseline and their ratio."""
    if not figures:
        print("\nTrack page: no Chromium is installed, so nothing was measured.")
        return
    print(f"\n{'track page, ten minutes, in Chromium':<44}{'value':>9}{'goal':>9}{'':>8}{'baseline':>10}{'ratio':>8}")
    for figure in figures:
        base = "" if figure.baseline is None else f"{figure.baseline:10.2f}{figure.value / figure.baseline:8.2f}"
        print(f"{figure.name:<44}{figure.value:9.2f}{figure.goal:9.1f}  {'met' if figure.met else 'MISSED':<6}{base}")


def _in_browser(chromium: str, url: str, seed: dict[str, str]) -> list[Figure]:
    from playwright.sync_api import sync_playwright

    page_url = f"{url}/c/bench/crates/{seed['crate']}/tracks/{seed['track']}/"
    with sync_playwright() as playwright:
        browser = playwright.chromium.launch(
            executable_path=chromium,
            args=["--no-sandbox", "--disable-gpu", "--autoplay-policy=no-user-gesture-required"],
        )

        def load(address: str) -> tuple[Any, dict[str, float]]:
            """A page in a fresh context, so that nothing is cached, and what loading it took."""
            context = browser.new_context(viewport={"width": 1440, "height": 900})
            context.add_cookies([{"name": "sessionid", "value": seed["session"], "url": url}])
            context.add_init_script(_WATCH)
            page = context.new_page()
            page.goto(address, wait_until="networkidle")
            return page, page.evaluate(_LOADED)

        load(page_url)[0].context.close()
        loads: list[dict[str, float]] = []
        plain: list[dict[str, float]] = []
        next_loads: list[dict[str, float]] = []
        next_plain: list[dict[str, float]] = []
        for _ in range(RUNS):
            for address, kept, again in ((page_url, loads, next_loads), (f"{url}/help/", plain, next_plain)):
                page, found = load(address)
                kept.append(found)
                page.goto(address, wait_until="networkidle")
                again.append(page.evaluate(_LOADED))
                page.context.close()
        page, _ = load(page_url)
        still = page.evaluate(_FRAMES, PLAY_S)
        page.get_by_role("slider", name="Place in the track").focus()
        page.keyboard.press(" ")
        page.wait_for_timeout(1000)
        moving = page.evaluate(_FRAMES, PLAY_S)
        page.keyboard.press("Escape")
        page.locator("button.marker[data-slot='8']").click()
        page.wait_for_timeout(1500)
        page.locator("button.marker[data-slot='8']").focus()
        for _ in range(RUNS + 1):
            page.keyboard.press("l")
            page.wait_for_timeout(300)
            page.keyboard.press("Escape")
        pressed = page.evaluate("window.sounded")
        browser.close()

    def middle(rows: list[dict[str, float]], name: str) -> float:
        return sorted(row[name] for row in rows)[len(rows) // 2]

    return [
        Figure("first draw after the HTML, ms", middle(next_loads, "draw_ms"), 100, middle(next_plain, "draw_ms")),
        Figure("the same in a new browser, ms", middle(loads, "draw_ms"), 100, middle(plain, "draw_ms")),
        Figure("page weight without audio, KB", middle(loads, "weight") / 1000, 250, middle(plain, "weight") / 1000),
        Figure("SVG nodes", middle(loads, "nodes"), 999),
        Figure("layout shift while scripts start", max(row["shift"] for row in loads), 0.01),
        Figure("frames a second while the cursor moves", moving, 58, still, least=True),
        # The first press also starts the audio device; a set is prepared with it open.
        Figure("press to sound, prepared piece, ms", sorted(pressed[1:])[len(pressed[1:]) // 2], 60),
        Figure("the first press, ms", pressed[0], 60),
    ]
