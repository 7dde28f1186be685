"""House checks on the page: they follow the markers, put things right by button and key, and stop what is blocked."""

from __future__ import annotations

import pytest
from django.urls import reverse

from crewprep.models import Proposal
from crewprep.review.services import approve_proposal
from tests import factories
from tests.web.browser import axe, cookie, opened

pytestmark = [pytest.mark.browser, pytest.mark.django_db(transaction=True)]


def findings(page) -> str:
    return page.locator("#findings").inner_text()


def test_findings_follow_the_markers_and_are_put_right(scene, chromium):
    lead, url = scene.lead, scene.url
    with opened(chromium, url, cookie(lead)) as page:
        page.locator("button.marker[data-slot='2']").focus()
        page.keyboard.press("ArrowRight")
        page.locator("#findings", has_text="It is not at the start of a phrase; the nearest is 3.1.1").wait_for()
        page.get_by_role("button", name="Put right slot 2: Start of a phrase").click()
        marker = page.locator("button.marker[data-slot='2']")
        assert "3.1.1" in marker.get_attribute("aria-label")
        page.locator("#findings", has_text="The house checks find nothing.").wait_for()
        marker.focus()
        for _ in range(6):
            page.keyboard.press("Alt+ArrowRight")
        page.locator("#findings", has_text="6 ms after the grid").wait_for()
        assert "6 ms after the grid" in page.locator(".note__why").inner_text(), "and at the marker itself"
        page.keyboard.press("f")
        assert "3.1.1, 0:30.250" in marker.get_attribute("aria-label")
        page.keyboard.press("u")
        assert "0:30.256" in marker.get_attribute("aria-label")
        page.locator("#findings", has_text="6 ms after the grid").wait_for()
        page.reload()
        page.locator(".cursor").wait_for(state="attached")
        assert "6 ms after the grid" in findings(page), "they are those of the work that came back"


def test_a_blocked_sheet_is_proposed_with_a_reason_that_the_reviewer_reads(scene, chromium):
    lead, url = scene.lead, scene.url
    with opened(chromium, url, cookie(lead), refusals=1) as page:
        assert not page.get_by_label("Why the blockers may stay").is_visible()
        page.locator("button.marker[data-slot='4']").focus()
        page.keyboard.press("Delete")
        page.locator("#findings", has_text="The convention requires it").wait_for()
        assert axe(page) == []
        page.get_by_role("button", name="Propose this sheet").click()
        assert "A house check stops this sheet. Slot 4:" in page.locator("#error").inner_text()
        page.get_by_label("Why the blockers may stay").fill("It has no drop.")
        page.get_by_role("button", name="Propose this sheet").click()
        page.wait_for_url("**/proposals/**")
        assert "It has no drop." in page.content()
    assert Proposal.objects.get().override_reason == "It has no drop."


@pytest.mark.parametrize(("width", "scheme"), [(1440, "light"), (320, "dark")])
def test_the_audit_under_axe(live_server, chromium, width, scheme):
    lead = factories.crew_with()
    proposal = factories.proposal(factories.member_of(lead.crew), into=factories.crate(lead))
    sheet = approve_proposal(member=lead, proposal=proposal, seen_revision=1)
    type(sheet).objects.update(findings=[{"check": "grid", "slot": 2, "sentence": "It stands 9 ms after the grid."}])
    url = live_server.url + reverse("checks", args=[lead.crew.slug])
    with opened(chromium, url, cookie(lead), viewport={"width": width, "height": 900}, color_scheme=scheme) as page:
        assert axe(page) == []
        assert page.evaluate("document.documentElement.scrollWidth") == width
        page.get_by_role("link", name="1 sheet").click()
        assert "It stands 9 ms after the grid." in page.content()
        assert axe(page) == []
