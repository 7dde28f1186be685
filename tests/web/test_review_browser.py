"""A review in a real browser: threads in place, findings as remarks by one press, a merge, and axe on it all."""

from __future__ import annotations

from urllib.parse import urljoin

import pytest
from django.urls import reverse

from crewprep.crews.models import Role
from crewprep.models import Proposal, Remark
from crewprep.review.again import reopen_proposal
from crewprep.review.options import set_options
from crewprep.review.services import (
    RemarkInput,
    amend_proposal,
    approve_proposal,
    propose,
    return_proposal,
    withdraw_proposal,
)  # fmt: skip
from crewprep.sheets.markers import MarkerInput
from tests import factories
from tests.web.browser import axe, cookie, opened

pytestmark = [pytest.mark.browser, pytest.mark.django_db(transaction=True)]


@pytest.fixture
def talked(scene) -> Proposal:
    """Open again after a return with a remark, changed at slot 4, off the grid at slot 3, and overtaken by sheet 2."""
    lead, resident = scene.lead, scene.resident
    beats = factories.analysis_result().beats_us
    first = factories.proposal(resident, scene.track, scene.crate)
    approve_proposal(member=lead, proposal=first, seen_revision=1)

    def given(**at: int) -> list[MarkerInput]:
        markers = factories.eight_markers(factories.analysis_result())
        return [MarkerInput(m.slot, at.get(f"s{m.slot}", m.start_us), m.end_us) for m in markers]

    def another(**at: int) -> Proposal:
        return propose(
            member=resident, track=scene.track, convention_version=scene.crate.convention_version,
            markers=given(**at), note="The first drop by the pick-up.",
        )  # fmt: skip

    mine = another(s3=beats[33 * 4] + 60_000, s4=beats[44 * 4])
    remarks = [RemarkInput(4, "A phrase late, I think.")]
    return_proposal(member=lead, proposal=mine, seen_revision=1, remarks=remarks, heard=[1, 2])
    amend_proposal(
        member=resident, proposal=mine, seen_revision=1, markers=given(s3=beats[33 * 4] + 60_000, s4=beats[48 * 4])
    )
    withdraw_proposal(member=resident, proposal=mine, seen_revision=2)
    approve_proposal(member=lead, proposal=another(s2=beats[8 * 4], s4=beats[41 * 4]), seen_revision=1)
    return reopen_proposal(member=resident, proposal=mine, seen_revision=2)


def test_talk_tick_and_merge(scene, talked, chromium):
    lead = scene.lead
    url = urljoin(scene.url, reverse("proposal", args=[lead.crew.slug, talked.pk]))
    with opened(chromium, url, cookie(lead)) as page:
        assert axe(page) == []
        assert page.get_by_text("Changed since you saw it").count() == 1
        assert page.locator("#heard").inner_text() == "You have heard 2 of 7 markers."

        tick = page.locator("input[data-slot='3']").first
        tick.check()
        field = page.get_by_label("Remark on slot 3", exact=True)
        assert "before the grid" in field.input_value()
        tick.uncheck()
        assert field.input_value() == ""
        tick.check()
        field.fill(field.input_value() + " Put it back, please.")

        thread = page.locator(".thread")
        thread.locator("summary").click()
        thread.get_by_label("Your reply").fill("Better now.")
        thread.get_by_role("button", name="Send the reply").click()
        page.get_by_text("Better now.").wait_for()
        thread.get_by_role("button", name="Settle").click()
        page.locator(".thread--settled").wait_for()
        assert field.input_value().endswith("Put it back, please."), "what was typed elsewhere stays"
        assert axe(page) == []
    remark = Remark.objects.get()
    assert (remark.resolved_by, [one.text for one in remark.replies.all()]) == (lead.user, ["Better now."])

    other = factories.member_of(lead.crew, Role.RESIDENT)
    with opened(chromium, url, cookie(other), java_script_enabled=False) as page:
        page.get_by_role("radio", name="from this proposal for slot 4").check()
        page.get_by_role("button", name="Merge with version 2").click()
        page.get_by_text("starts from sheet version 2").first.wait_for()
    talked.refresh_from_db()
    assert (talked.revision, talked.changed_by) == (4, other.user)


def test_asking_without_a_verdict_by_keyboard(scene, talked, chromium):
    lead = scene.lead
    url = urljoin(scene.url, reverse("proposal", args=[lead.crew.slug, talked.pk]))
    with opened(chromium, url, cookie(lead)) as page:
        page.locator("#heard", has_text="You have heard").wait_for()
        for slot, words in ((2, "Typed, and not sent."), (5, "Why here, and not a phrase later?")):
            page.locator(f"#say-{slot} summary").focus()
            page.keyboard.press("Enter")
            page.keyboard.press("Tab")
            page.keyboard.type(words)
        margin = page.locator(".row__remarks li", has_text="Why here")
        assert margin.get_attribute("class") == "remark--typed"
        page.keyboard.press("Tab")
        page.keyboard.press("Enter")
        page.locator("#slot-5 .thread:focus").wait_for()
        assert page.locator("#remark-5").input_value() == ""
        assert page.locator("#remark-2").input_value() == "Typed, and not sent."
        assert (margin.count(), margin.get_attribute("class")) == (1, None), "it stands there for good"
        assert str(lead.user) in margin.text_content()

        page.locator("#say-5 summary").click()
        page.locator("#say-5").get_by_role("button").click()
        page.get_by_text("Write a word first").wait_for()
        page.locator("#remark-5:focus").wait_for()
        page.keyboard.type("And a fill?")
        assert page.locator(".row__remarks li", has_text="And a fill?").count() == 1, "a field that came anew is live"
        assert axe(page) == []
    talked.refresh_from_db()
    assert (talked.state, talked.revision) == ("open", 3)
    assert Remark.objects.get(slot=5).text == "Why here, and not a phrase later?"


@pytest.mark.parametrize(("width", "scheme"), [(360, "light"), (360, "dark"), (1440, "light"), (1440, "dark")])
def test_asking_without_scripts(scene, talked, chromium, width, scheme):
    newcomer = factories.member_of(scene.lead.crew, Role.NEWCOMER)
    url = urljoin(scene.url, reverse("proposal", args=[scene.lead.crew.slug, talked.pk]))
    view = {"viewport": {"width": width, "height": 900}, "color_scheme": scheme}
    with opened(chromium, url, cookie(newcomer), refusals=1, **view, java_script_enabled=False) as page:
        for slot, words in ((2, "Typed, and not sent."), (5, " ")):
            page.locator(f"#say-{slot} summary").click()
            page.locator(f"#remark-{slot}").fill(words)
        page.locator("#say-5").get_by_role("button").click()
        assert page.get_by_text("Write a word first").count() == 1
        page.locator("#remark-5").fill("Why here?")
        page.locator("#say-5").get_by_role("button").click()
        page.locator("#slot-5 .thread").wait_for()
        assert page.locator("#remark-2").input_value() == "Typed, and not sent."
    with opened(chromium, url, cookie(newcomer), **view) as page:
        page.locator("#say-5 summary").click()
        assert axe(page) == []
        assert page.evaluate("document.documentElement.scrollWidth") <= width
    assert Remark.objects.get(slot=5).by == newcomer.user


@pytest.mark.parametrize("width", [320, 1440])
def test_the_other_pages_are_for_everyone(scene, talked, chromium, width):
    lead = scene.lead
    set_options(member=lead, two_reviewers=True, bulk_confidence=0.8)
    track = factories.analysed_track(scene.resident, scene.crate)
    draft = factories.draft(track, scene.crate.convention_version)
    propose(
        member=scene.resident, track=track, convention_version=scene.crate.convention_version,
        markers=[MarkerInput(m.slot, m.start_us, m.end_us) for m in draft.markers.all()],
    )  # fmt: skip
    for name, more in (("queue", []), ("bulk", []), ("review-options", []), ("sheet-versions", [scene.track.pk])):
        url = urljoin(scene.url, reverse(name, args=[lead.crew.slug, *more]))
        for scheme in ("light", "dark"):
            view = {"width": width, "height": 900}
            with opened(chromium, url, cookie(lead), viewport=view, color_scheme=scheme) as page:
                assert axe(page) == [], name
                assert page.evaluate("document.documentElement.scrollWidth") <= width, f"{name} scrolls sideways"
