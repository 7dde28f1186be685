"""A crew of four gets a crate of ten ready for a night: split, a hold taken over, a proposal returned, every sheet
approved; then the convention changes, and its re-check list says what must be looked at again."""

from __future__ import annotations

import datetime as dt
import re
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from typing import Any

import pytest
from django.urls import reverse
from django.utils import timezone

from crewprep.crews.models import Membership, Role
from crewprep.models import (
    ConventionVersion,
    Crate,
    Job,
    JobState,
    Night,
    Proposal,
    ProposalState,
    Recheck,
    RecheckEnd,
    SheetVersion,
    Track,
)
from tests import factories
from tests.web.browser import axe, cookie, opened, ready

pytestmark = [pytest.mark.browser, pytest.mark.django_db(transaction=True), pytest.mark.timeout(600)]

TRACKS = 10


@dataclass
class CrewOfFour:
    """Who is there, and what they have to do."""

    url: str
    chromium: str
    lead: Membership
    ana: Membership
    ben: Membership
    nia: Membership
    crate: Crate
    tracks: list[Track]

    def address(self, name: str, *arguments: Any) -> str:
        return self.url + reverse(name, args=[self.lead.crew.slug, *arguments])

    def track_page(self, track: Track) -> str:
        return self.address("track-page", self.crate.pk, track.pk)

    @contextmanager
    def at(self, member: Membership, url: str, **more: Any) -> Iterator[Any]:
        with opened(self.chromium, url, cookie(member), **more) as page:
            yield page


@pytest.fixture
def crew(live_server: Any, chromium: str) -> CrewOfFour:
    lead = factories.crew_with(factories.user("lena"))
    ana, ben = (factories.member_of(lead.crew, Role.RESIDENT, person=factories.user(name)) for name in ("ana", "ben"))
    nia = factories.member_of(lead.crew, Role.NEWCOMER, person=factories.user("nia"))
    crate = factories.crate(lead, "Friday")
    tracks = [factories.analysed_track(lead, crate) for _ in range(TRACKS)]
    for number, track in enumerate(tracks, start=1):
        Track.objects.filter(pk=track.pk).update(title=f"Tune {number:02}")
        track.refresh_from_db()
        factories.draft(track, crate.convention_version)
    Job.objects.update(state=JobState.DONE)
    return CrewOfFour(live_server.url, chromium, lead, ana, ben, nia, crate, tracks)


def board(page: Any) -> str:
    """What the board says of open tracks."""
    found: str = page.locator("dl.standing").inner_text()
    return " ".join(found.split())


def plan_the_night(crew: CrewOfFour) -> None:
    date = (timezone.localdate() + dt.timedelta(days=3)).isoformat()
    with crew.at(crew.lead, crew.address("nights")) as page:
        page.get_by_label("Name").fill("Opening")
        page.get_by_label("Date").fill(date)
        page.get_by_role("button", name="Make the night").click()
        page.get_by_label("Crate", exact=True).select_option("Friday")
        page.get_by_role("button", name="Put it under this night").click()
        assert "10 of 10 tracks" in board(page)
        assert axe(page) == []
    assert Night.objects.get(name="Opening").crates.get() == crew.crate


def split_the_crate(crew: CrewOfFour) -> None:
    with crew.at(crew.lead, crew.address("split", crew.crate.pk)) as page:
        for member, minutes in ((crew.lead, 30), (crew.ana, 60), (crew.ben, 60), (crew.nia, 20)):
            page.locator(f"input[name=free-{member.pk}]:visible").fill(str(minutes))
        page.get_by_role("button", name="Look at the split").click()
        assert axe(page) == []
        # Whatever the minutes say, these four go to known people, so that the rest of the night can be told.
        for track, member in zip(crew.tracks, (crew.nia, crew.ana, crew.ben, crew.ben), strict=False):
            page.get_by_label(f"Who prepares {track.title}").select_option(str(member.pk))
            reviewer = crew.lead if member != crew.lead else crew.ana
            page.get_by_label(f"Who reviews {track.title}").select_option(str(reviewer.pk))
        page.get_by_role("button", name="Apply this split").click()
        page.get_by_role("status").or_(page.locator(".notice--good")).first.wait_for()
    with crew.at(crew.nia, crew.address("crew-home")) as page:
        yours = page.get_by_role("region", name="Yours to do")
        assert "Tune 01" in yours.inner_text()


def propose(crew: CrewOfFour, member: Membership, *tracks: Track) -> None:
    with crew.at(member, crew.address("crate", crew.crate.pk)) as page:
        for track in tracks:
            page.goto(crew.track_page(track))
            ready(page)
            page.get_by_role("slider", name="Place in the track").focus()
            page.keyboard.press("p")
            page.wait_for_url("**/proposals/**")


def review(crew: CrewOfFour, member: Membership, *tracks: Track) -> None:
    proposals = Proposal.objects.filter(track__in=tracks, state=ProposalState.OPEN)
    addresses = [crew.address("proposal", proposal.pk) for proposal in proposals]
    assert len(addresses) == len(tracks)
    with crew.at(member, crew.address("queue")) as page:
        for address in addresses:
            page.goto(address)
            page.get_by_role("button", name="Approve", exact=True).click()
            page.get_by_role("status").get_by_text("approved").wait_for()


def take_over(crew: CrewOfFour, track: Track) -> None:
    """Ben holds a track and cannot come; Ana takes it with a word to him, and he reads of it."""
    with crew.at(crew.ben, crew.track_page(track)) as page:
        page.locator("details.claim summary").click()
        page.get_by_role("button", name="Hold it").click()
        assert "You hold this track" in page.locator("details.claim").inner_text()
    with crew.at(crew.ana, crew.track_page(track)) as page:
        page.get_by_label("A word to Ben").fill("You are on the train, I do it.")
        page.get_by_role("button", name="Take it over").click()
        assert "You hold this track" in page.locator("details.claim").inner_text()
    propose(crew, crew.ana, track)


def return_and_mend(crew: CrewOfFour, track: Track) -> None:
    """The newcomer's first sheet comes back with a remark on the drop; they move it and it is approved."""
    propose(crew, crew.nia, track)
    proposal = Proposal.objects.get(track=track)
    with crew.at(crew.lead, crew.address("proposal", proposal.pk)) as page:
        line = page.locator("#slot-4")
        line.get_by_text("Remark").first.click()
        line.get_by_role("textbox", name="Remark on slot 4").fill("The drop comes a bar later.")
        page.get_by_role("button", name="Return with remarks").click()
        page.wait_for_url("**/queue/")
    with crew.at(crew.nia, crew.address("proposal", proposal.pk)) as page:
        assert "The drop comes a bar later." in page.locator("#slot-4").inner_text()
        page.get_by_role("link", name="Change markers").click()
        ready(page)
        page.get_by_role("button", name="Slot 4").first.focus()
        page.keyboard.press("Shift+ArrowRight")
        page.keyboard.press("p")
        page.wait_for_url("**/proposals/**")
    with crew.at(crew.lead, crew.address("proposal", proposal.pk)) as page:
        assert "Changed since you saw it" in page.locator("#slot-4").inner_text()
        assert "As you saw it" in page.locator("#slot-2").inner_text()
    proposal.refresh_from_db()
    assert (proposal.state, proposal.revision) == (ProposalState.OPEN, 2)
    review(crew, crew.lead, track)


def lengthen_the_exit_loop(crew: CrewOfFour) -> ConventionVersion:
    """The lead wants exit loops of eight bars: told beforehand that all ten are too short, then published."""
    with crew.at(crew.lead, crew.address("convention-draft")) as page:
        page.locator("#slot-8 > summary").click()
        page.locator("#slot-8 input[name$=loop_bars]").fill("8")
        page.get_by_role("button", name="See what it would do").click()
        effect = page.get_by_role("region", name="Approved sheets").inner_text()
        assert "10 loops" in effect
        assert axe(page) == []
        page.get_by_role("button", name="Publish version 2").click()
        page.get_by_text("is published").first.wait_for()
    version = ConventionVersion.objects.get(number=2)
    assert set(Recheck.objects.filter(convention_version=version, ended="").values_list("track", flat=True)) == {
        track.pk for track in crew.tracks
    }
    return version


def check_again(crew: CrewOfFour, version: ConventionVersion) -> None:
    """One sheet of the list is still right, says Ben; the crate moves, and another gets a new sheet."""
    still_right, anew = crew.tracks[0], crew.tracks[1]
    with crew.at(crew.ben, crew.address("rechecks", version.pk)) as page:
        page.get_by_label(f"Why it is still right, {still_right.title}").fill("It is only played for four bars.")
        page.get_by_role("button", name=re.compile(f"Still right ?: {still_right.title}")).click()
        assert "1 of 10" in page.locator("#recheck-progress").inner_text()
        assert axe(page) == []
    with crew.at(crew.lead, crew.address("crate-move", crew.crate.pk) + f"?to={version.pk}") as page:
        page.get_by_role("button", name="Move to").click()
        page.wait_for_url("**/crates/*/")
    for track in crew.tracks:
        factories.draft(track, version)
    Job.objects.update(state=JobState.DONE)
    with crew.at(crew.ana, crew.track_page(anew)) as page:
        page.get_by_role("button", name="Slot 8").first.focus()
        page.keyboard.press("]")
        page.keyboard.press("p")
        page.wait_for_url("**/proposals/**")
    review(crew, crew.ben, anew)
    ends = {check.track_id: (check.ended, check.closed_by) for check in Recheck.objects.exclude(ended="")}
    assert ends == {
        still_right.pk: (RecheckEnd.STILL_RIGHT, crew.ben.user), anew.pk: (RecheckEnd.SHEET, crew.ben.user),
    }  # fmt: skip
    loop = SheetVersion.objects.get(track=anew, number=2).markers.get(slot=8)
    before = SheetVersion.objects.get(track=anew, number=1).markers.get(slot=8)
    assert loop.end_us is not None
    assert before.end_us is not None
    assert loop.end_us - loop.start_us == pytest.approx(2 * (before.end_us - before.start_us), abs=2)


def test_a_crate_of_ten_is_ready_for_its_night_and_stays_so(crew: CrewOfFour) -> None:
    plan_the_night(crew)
    split_the_crate(crew)
    first, second, third, *others = crew.tracks
    return_and_mend(crew, first)
    propose(crew, crew.ana, second)
    review(crew, crew.ben, second)
    take_over(crew, third)
    review(crew, crew.lead, third)
    propose(crew, crew.ben, *others)
    review(crew, crew.ana, *others)
    night = Night.objects.get(name="Opening")
    with crew.at(crew.nia, crew.address("night", night.pk)) as page:
        assert "0 of 10 tracks" in board(page)
    assert SheetVersion.objects.filter(track__in=crew.tracks).count() == TRACKS
    assert not any(sheet.approved_by_id == sheet.proposed_by_id for sheet in SheetVersion.objects.all())

    version = lengthen_the_exit_loop(crew)
    check_again(crew, version)
