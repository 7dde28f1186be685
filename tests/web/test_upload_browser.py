"""Bringing files in with a browser: one after another, each refusal beside its name until it is dismissed."""

from __future__ import annotations

import pytest
from django.urls import reverse

from crewprep.tracks.models import Track
from tests import factories
from tests.web.browser import cookie, opened

pytestmark = [pytest.mark.browser, pytest.mark.django_db(transaction=True)]

DROP = """(names) => {
  const bag = new DataTransfer();
  for (const name of names) bag.items.add(new File([new Uint8Array(8)], name));
  const form = document.querySelector("#upload");
  form.dispatchEvent(new DragEvent("dragover", { dataTransfer: bag, bubbles: true, cancelable: true }));
  form.dispatchEvent(new DragEvent("drop", { dataTransfer: bag, bubbles: true, cancelable: true }));
}"""


@pytest.fixture
def place():
    lead = factories.crew_with()
    crate = factories.crate(lead)
    return lead, reverse("crate", args=[lead.crew.slug, crate.pk])


def test_picked_files_are_sent_and_the_list_follows(live_server, chromium, place):
    lead, address = place
    files = [
        {"name": "first.wav", "mimeType": "audio/wav", "buffer": factories.wav_bytes()},
        {"name": "words.txt", "mimeType": "text/plain", "buffer": b"words"},
        {"name": "empty.wav", "mimeType": "audio/wav", "buffer": b""},
        {"name": "second.wav", "mimeType": "audio/wav", "buffer": factories.wav_bytes()},
    ]
    with opened(chromium, live_server.url + address, cookie(lead)) as page:
        page.set_input_files("#upload-files", files)
        page.click("#upload button")
        page.get_by_role("link", name="second").wait_for()
        page.get_by_role("link", name="first").wait_for()
        refused = page.locator("[data-uploads] > li")
        assert refused.count() == 2
        assert "not a sound file that we read" in refused.nth(0).inner_text()
        assert "words.txt" in refused.nth(0).inner_text()
        assert "holds no sound" in refused.nth(1).inner_text()
        page.get_by_role("button", name="Dismiss words.txt").click()
        assert refused.count() == 1
        # The focus goes on to the next refusal instead of getting lost.
        assert page.evaluate("document.activeElement.getAttribute('aria-label')") == "Dismiss empty.wav"
        page.get_by_role("button", name="Dismiss empty.wav").click()
        assert page.evaluate("document.activeElement.id") == "upload-files"
        assert "2 tracks" in page.locator("#crate-summary").inner_text()
    assert sorted(Track.objects.values_list("title", flat=True)) == ["first", "second"]


def test_a_dropped_file_that_the_service_refuses_keeps_its_sentence(live_server, chromium, place):
    lead, address = place
    with opened(chromium, live_server.url + address, cookie(lead), refusals=1) as page:
        page.evaluate(DROP, ["not really.wav"])
        line = page.locator(".uploads--refused")
        line.wait_for()
        assert "not really.wav" in line.inner_text()
        assert "not a sound file that we read" in line.inner_text()
        assert page.locator(".drop--over").count() == 0
    assert not Track.objects.exists()


def test_too_large_is_told_before_anything_is_sent(live_server, chromium, place):
    lead, address = place
    with opened(chromium, live_server.url + address, cookie(lead)) as page:
        asked = []
        page.on("request", lambda request: asked.append(request.method))
        page.evaluate(
            """() => {
              const file = new File([new Uint8Array(1)], "long night.wav");
              Object.defineProperty(file, "size", { value: 200000001 });
              const bag = { types: ["Files"], files: [file] };
              const event = new Event("drop", { bubbles: true, cancelable: true });
              Object.defineProperty(event, "dataTransfer", { value: bag });
              document.querySelector("#upload").dispatchEvent(event);
            }"""
        )
        assert "larger than 200 MB" in page.locator(".uploads--refused").inner_text()
        assert "POST" not in asked


def test_without_scripts_the_form_sends_them_all(live_server, chromium, place):
    lead, address = place
    files = [
        {"name": "first.wav", "mimeType": "audio/wav", "buffer": factories.wav_bytes()},
        {"name": "bad.wav", "mimeType": "audio/wav", "buffer": b"no sound at all"},
    ]
    with opened(chromium, live_server.url + address, cookie(lead), java_script_enabled=False) as page:
        page.set_input_files("#upload-files", files)
        page.click("#upload button")
        told = page.locator("#messages").inner_text()
        assert "bad.wav: This is not a sound file" in told
        assert "1 of 2 files taken in" in told
        assert page.get_by_role("link", name="first").count() == 1
