"""A newcomer is invited by a link that works once, takes the first hour, does five drills with a typical slip each that
is named right, is signed off by the lead, and reviews for the first time."""

from __future__ import annotations

import io
import re
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from typing import Any
from urllib.parse import urlsplit

import numpy as np
import pytest
import soundfile
from django.core.files.base import ContentFile
from django.core.files.storage import default_storage
from django.test import Client
from django.urls import reverse

from crewprep.crews.models import Membership, Role
from crewprep.models import Copy, Crate, Drill, Proposal, ProposalState, SheetVersion, SignOff, Track
from crewprep.review.services import approve_proposal
from tests import factories
from tests.factories.people import PASSWORD
from tests.web.browser import axe, cookie, opened, ready

pytestmark = [pytest.mark.browser, pytest.mark.django_db(transaction=True), pytest.mark.timeout(600)]

HEARD, DRILLED = 2, 5
SECONDS = 183
RIGHT = {1: "1.1.1", 2: "3.1.1", 3: "5.1.1", 4: "6.1.1", 5: "8.1.1", 6: "10.1.1", 8: "12.1.1"}
"""Where the sheets of the made-up tracks have their slots."""

SLIPS = (
    ({2: "2.1.1"}, 2, "A whole phrase early"),
    ({4: "5.1.1"}, 4, "You marked the first build-up; the first drop is 8 bars on"),
    ({3: "5.1.2½"}, 3, "In the right bar, a beat and a half late"),
    ({5: "8.1.3"}, 5, "Half a bar late"),
    ({6: ""}, 6, "Slot 6 is at 10.1.1"),
)
"""What is typed otherwise, in which slot, and what the newcomer reads."""


@dataclass
class School:
    """A crew with approved sheets, and one more that waits for a review."""

    url: str
    chromium: str
    lead: Membership
    ana: Membership
    crate: Crate
    waiting: Proposal

    def address(self, name: str, *arguments: Any) -> str:
        return self.url + reverse(name, args=[self.lead.crew.slug, *arguments])

    @contextmanager
    def at(self, member: Membership, url: str, **more: Any) -> Iterator[Any]:
        with opened(self.chromium, url, cookie(member), **more) as page:
            yield page


@pytest.fixture
def school(live_server: Any, chromium: str) -> School:
    lead = factories.crew_with(factories.user("lena"))
    ana = factories.member_of(lead.crew, Role.RESIDENT, person=factories.user("ana"))
    crate = factories.crate(lead, "Friday")
    tracks = [factories.analysed_track(lead, crate) for _ in range(HEARD + DRILLED + 1)]
    proposals = [factories.proposal(ana, track, crate) for track in tracks]
    *approved, waiting = proposals
    for proposal in approved:
        approve_proposal(member=lead, proposal=proposal, seen_revision=1)
    for track in tracks[:HEARD]:
        let_it_be_heard(track)
    return School(live_server.url, chromium, lead, ana, crate, waiting)


def let_it_be_heard(track: Track) -> None:
    sound = io.BytesIO()
    soundfile.write(sound, 0.1 * np.sin(np.arange(8000 * SECONDS) * 0.1), 8000, format="FLAC", subtype="PCM_16")
    key = default_storage.save("listening.flac", ContentFile(sound.getvalue()))
    Copy.objects.filter(track=track).update(proxy_key=key)


def invite(school: School) -> str:
    with school.at(school.lead, school.address("crew-members")) as page:
        page.get_by_label("Role", exact=True).select_option(Role.NEWCOMER.value)
        page.get_by_label("Whom it is for").fill("Nia")
        page.get_by_role("button", name="Make a link").click()
        link: str = page.get_by_label("Link", exact=True).input_value()
        return link


def join(school: School, link: str) -> Membership:
    with opened(school.chromium, link, "nobody") as page:
        page.get_by_label("Name to sign in with").fill("nia")
        page.get_by_label("Name that your crew sees").fill("Nia")
        page.locator("input[name=password]").fill(PASSWORD)
        page.locator("input[name=password_again]").fill(PASSWORD)
        page.get_by_role("button", name="Make the account and join").click()
        page.get_by_text("you are a newcomer").wait_for()
        assert page.get_by_role("heading", name="First steps", level=1).is_visible()
    assert Client().get(urlsplit(link).path).status_code == 404, "the link works once"
    return Membership.objects.get(crew=school.lead.crew, user__username="nia")


def done(page: Any, step: str) -> None:
    page.get_by_role("button", name=re.compile(f"^Done ?: {step}")).click()


def first_hour(school: School, nia: Membership) -> None:
    """Reads what each slot is for, hears them in the crew's tracks, learns the usual slips."""
    with school.at(nia, school.address("start")) as page:
        page.get_by_role("link", name="Open the convention").click()
        assert "How to find the first drop." in page.locator("main").inner_text()
        page.goto(school.address("start"))
        done(page, "Read what each slot is for")
        page.get_by_role("link", name="Hear the examples").click()
        page.get_by_role("heading", level=1).wait_for()
        assert axe(page) == []
        for step in ("Hear each slot", "Know the usual slips"):
            page.goto(school.address("start"))
            done(page, step)
        page.get_by_text("3 of 6 done").wait_for()
        page.get_by_role("link", name="Go to Practice").first.click()
        page.get_by_role("button", name="Begin a drill").wait_for()


def drill_on_five(school: School, nia: Membership) -> None:
    with school.at(nia, school.address("practice"), refusals=1) as page:
        page.get_by_role("button", name="Begin a drill").click()
        for number, (typed, slot, named) in enumerate(SLIPS, start=1):
            page.get_by_role("button", name="Hand in").wait_for()
            ready(page)
            for one, place in {**RIGHT, **typed}.items():
                page.get_by_label(f"Slot {one} starts at").fill(place)
            page.keyboard.press("Tab")
            page.get_by_role("button", name="Hand in", exact=True).click()
            if "" in typed.values():  # a required slot left empty is asked about
                ready(page)
                page.get_by_role("button", name="Hand in all the same").click()
            page.get_by_role("heading", name="Slot by slot").wait_for()
            ready(page)
            assert page.locator(f"#slot-{slot} .change__what").inner_text().endswith(named), number
            assert page.locator(".change__what", has_text="Exact").count() == len(RIGHT) - 1, number
            if number < DRILLED:
                page.get_by_role("button", name="Next drill").click()
        page.goto(school.address("practice"))
        page.get_by_text("No track is left").wait_for()
        assert page.get_by_text("6 of 7 slots").count() == DRILLED


def sign_off(school: School, nia: Membership) -> None:
    with school.at(school.lead, school.address("practice")) as page:
        newcomers = page.get_by_role("region", name="1 newcomer")
        assert "Ready for the sign-off" in newcomers.inner_text()
        newcomers.get_by_role("link", name="Nia").click()
        assert axe(page) == []
        page.get_by_role("button", name="Sign Nia off").click()
        page.get_by_text("Nia is a resident now").wait_for()


def review_for_the_first_time(school: School, nia: Membership) -> None:
    with school.at(nia, school.address("start")) as page:
        page.get_by_role("link", name="Open the queue").first.click()
        page.get_by_role("link", name=school.waiting.track.title).click()
        ready(page)
        page.get_by_role("button", name="Approve", exact=True).click()
        page.get_by_role("status").get_by_text("Approved").wait_for()


def test_from_the_invitation_to_the_first_review(school: School) -> None:
    nia = join(school, invite(school))
    assert nia.role == Role.NEWCOMER
    first_hour(school, nia)
    drill_on_five(school, nia)
    drills = Drill.objects.filter(membership=nia).exclude(handed_in_at=None)
    assert len({drill.track_id for drill in drills}) == DRILLED
    sign_off(school, nia)
    nia.refresh_from_db()
    assert nia.role == Role.RESIDENT
    assert SignOff.objects.get(person=nia.user).by == school.lead.user
    review_for_the_first_time(school, nia)
    school.waiting.refresh_from_db()
    assert (school.waiting.state, school.waiting.reviewed_by) == (ProposalState.APPROVED, nia.user)
    assert SheetVersion.objects.get(track=school.waiting.track).approved_by == nia.user
