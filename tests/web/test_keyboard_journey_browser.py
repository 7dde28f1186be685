"""The whole job by keyboard alone: from the sign-in to an approved sheet, with the focus in sight at every stop."""

from __future__ import annotations

import pytest
from django.urls import reverse

from crewprep.crews.models import Membership
from crewprep.models import Job, JobState, SheetVersion
from tests import factories
from tests.factories.people import PASSWORD
from tests.web.browser import opened, ready

pytestmark = [pytest.mark.browser, pytest.mark.django_db(transaction=True)]

MOST_STOPS = 60

FOCUSED = """
() => {
  const one = document.activeElement;
  if (one === document.body) return null; // the page has only just come
  const box = one.getBoundingClientRect();
  const stand = document.querySelector(".stand")?.getBoundingClientRect();
  const covered = stand && !one.closest(".stand") && box.top >= stand.top && box.bottom <= stand.bottom;
  return {
    name: one.getAttribute("aria-label") || one.textContent.trim(),
    seen: getComputedStyle(one).outlineStyle !== "none" && box.bottom > 0 && box.top < innerHeight && !covered,
  };
}
"""


def tab_to(page, name: str) -> None:
    """Press Tab until what has that name has the focus; every stop on the way must be in sight."""
    for _ in range(MOST_STOPS):
        page.keyboard.press("Tab")
        focused = page.evaluate(FOCUSED)
        if focused is None:
            continue
        assert focused["seen"], f"the focus cannot be seen on “{focused['name'][:40]}”"
        if focused["name"].startswith(name):
            return
    pytest.fail(f"Tab does not lead to “{name}”")


def sign_in(page, member: Membership) -> None:
    page.keyboard.type(member.user.username)
    page.keyboard.press("Tab")
    page.keyboard.type(PASSWORD)
    page.keyboard.press("Enter")
    page.wait_for_url("**/c/**")


def follow(page, name: str, url: str) -> None:
    tab_to(page, name)
    page.keyboard.press("Enter")
    page.wait_for_url(url)
    ready(page)


def test_from_the_sign_in_to_an_approved_sheet(live_server, chromium):
    lead = factories.crew_with()
    reviewer = factories.member_of(lead.crew)
    crate = factories.crate(lead, "Friday")
    track = factories.analysed_track(lead, crate)
    factories.draft(track, crate.convention_version)
    Job.objects.filter(track=track).update(state=JobState.DONE)
    with opened(chromium, live_server.url + reverse("sign-in"), "nobody") as page:
        sign_in(page, lead)
        follow(page, "Friday", "**/crates/*/")
        follow(page, track.title, "**/tracks/*/")
        tab_to(page, "Place in the track")
        tab_to(page, "Slot 2")
        page.keyboard.press("Shift+ArrowRight")
        page.keyboard.press("p")
        page.wait_for_url("**/proposals/**")
        follow(page, "Sign out", "**/sign-in/**")
        sign_in(page, reviewer)
        follow(page, "Review", "**/queue/")
        follow(page, track.title, "**/proposals/**")
        page.keyboard.press("a")
        page.wait_for_url("**/queue/")
    sheet = SheetVersion.objects.get(track=track)
    assert (sheet.number, sheet.approved_by) == (1, reviewer.user)
