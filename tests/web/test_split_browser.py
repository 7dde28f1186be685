"""Splitting in a browser at both widths, and the warning before a hold lapses."""

from __future__ import annotations

import datetime as dt
import re

import pytest
from django.urls import reverse
from django.utils import timezone

from crewprep.crews.models import Role
from crewprep.models import Assignment, Claim
from crewprep.preparation.services import claim_track
from tests import factories
from tests.web.browser import axe, cookie, opened

pytestmark = [pytest.mark.browser, pytest.mark.django_db(transaction=True)]


@pytest.mark.parametrize(
    ("width", "scheme", "scripts"), [(1440, "light", True), (320, "dark", True), (360, "light", False)]
)
def test_a_lead_splits_a_crate(live_server, chromium, width, scheme, scripts):
    lead = factories.crew_with()
    resident = factories.member_of(lead.crew)
    newcomer = factories.member_of(lead.crew, Role.NEWCOMER)
    crate = factories.crate(lead)
    for _ in range(4):
        factories.draft(factories.analysed_track(lead, crate), crate.convention_version)
    url = live_server.url + reverse("split", args=[lead.crew.slug, crate.pk])
    options = {"viewport": {"width": width, "height": 900}, "color_scheme": scheme, "java_script_enabled": scripts}
    with opened(chromium, url, cookie(lead), **options) as page:
        for person, minutes in ((lead, "60"), (resident, "90"), (newcomer, "90")):
            page.get_by_label(str(person.user)).fill(minutes)
        page.get_by_role("button", name="Look at the split").click()
        page.get_by_role("heading", name="How it would be divided").wait_for()
        if scripts:
            assert axe(page) == []
            assert page.evaluate("document.documentElement.scrollWidth") == width
        page.get_by_role("button", name="Apply this split").click()
        page.get_by_text("The split is applied.").wait_for()
        page.get_by_role("link", name=re.compile(f"Drops out.*{newcomer.user}")).click()
        page.get_by_text(f"{newcomer.user} drops out.").wait_for()
        page.get_by_role("button", name="Apply this split").click()
        page.get_by_text("The split is applied.").wait_for()
    assert not Assignment.objects.filter(preparer=newcomer.user).exists()


def test_a_hold_that_is_about_to_lapse_is_renewed_by_one_key(scene, chromium):
    claim_track(member=scene.lead, track=scene.track)
    Claim.objects.update(until=timezone.now() + dt.timedelta(minutes=8))
    with opened(chromium, scene.url, cookie(scene.lead)) as page:
        box = page.locator(".stand .notice")
        box.get_by_text(re.compile("in [78] minutes")).wait_for()
        assert axe(page) == []
        page.get_by_role("slider", name="Place in the track").focus()
        page.keyboard.press("y")
        box.wait_for(state="detached")
        assert "You hold this track until" in page.locator("#claim-words").inner_text()
    assert Claim.objects.get().until - timezone.now() > dt.timedelta(minutes=110)


def test_a_hold_that_has_lapsed_says_so_and_is_begun_again_by_a_button(scene, chromium):
    claim_track(member=scene.lead, track=scene.track)
    with opened(chromium, scene.url, cookie(scene.lead)) as page:
        # As after a night in which the machine slept.
        page.evaluate(
            """() => {
                const real = Date.now;
                Date.now = () => real() + 3 * 3600 * 1000;
                document.dispatchEvent(new Event("visibilitychange"));
            }"""
        )
        box = page.locator(".stand .notice")
        box.get_by_text("Your hold of this track has lapsed.").wait_for()
        page.get_by_role("button", name="Hold it again").click()
        box.wait_for(state="detached")
