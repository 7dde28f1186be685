"""A new crew comes to its first approved sheet by its pages' links and forms alone, and each step shows as it is done.

The worker’s part is stood in for.
"""

from __future__ import annotations

import re

import pytest
from django.core.files.uploadedfile import SimpleUploadedFile
from django.test import Client

from analysis_worker.core.results import Decode
from crewprep.analysis.services import store_analysis
from crewprep.crews.models import Membership, Role
from crewprep.models import Job, JobKind, JobState, Night, SheetVersion, Track
from crewprep.onboarding.start import start_of
from tests import factories
from tests.factories.music import analysis_result
from tests.factories.people import PASSWORD
from tests.web.following import Follower
from tests.web.test_pages import signed_in

pytestmark = pytest.mark.django_db


def worker_is_done(track: Track) -> None:
    """What the worker leaves behind: facts and a draft."""
    result = analysis_result()
    job = Job.objects.get(track=track, kind=JobKind.ANALYSE)
    Job.objects.filter(pk=job.pk).update(state=JobState.DONE)
    job.refresh_from_db()
    decode = Decode("test", "1", 0, 44_100, 2, result.duration_us * 441 // 10_000, "0" * 64)
    store_analysis(
        job=job, decode=decode, facts=result.to_facts(), proxy_key="", peaks_key="", warnings=(), title="", artist=""
    )
    track.refresh_from_db()
    factories.draft(track, track.crates.get().convention_version)


def test_from_an_empty_crew_to_the_first_approved_sheet() -> None:
    founder = factories.crew_with(factories.user("anka"))
    lead = Follower(signed_in(founder))
    assert "It takes two of you" not in lead.text

    lead.follow("All steps")
    assert "It takes two of you" in lead.text
    lead.follow("Choose a convention")
    lead.follow("Eight slots")
    lead.send("See what it would do")
    lead.send("Publish version 1")

    home(lead)
    lead.follow("Invite a member")
    lead.send("Make a link", role="resident")
    link = re.search(r'value="(http://[^"]+/join/[^"]+)"', lead.text)
    assert link is not None

    home(lead)
    lead.follow("Make a crate")
    lead.send("Make the crate", name="Friday")
    sound = SimpleUploadedFile("kettle.wav", factories.wav_bytes(), content_type="audio/wav")
    lead.send("Upload", audio=sound)
    track = Track.objects.get()
    assert next_step(founder) == "Plan a night", "while the worker listens"
    worker_is_done(track)
    assert next_step(founder) == "Correct the first draft and propose it"

    home(lead)
    lead.follow("Correct the first draft")
    lead.follow(track.title)
    lead.send("Propose this sheet", note="As heard.")
    assert "It stands in the queue" in lead.text

    second = Follower(Client(), link[1].removeprefix("http://testserver"))
    typed = {"username": "bo", "display_name": "Bo", "password": PASSWORD, "password_again": PASSWORD}
    second.send("Make the account and join", **typed)
    assert "First steps" in second.text
    second.follow("Open the queue")
    second.follow(track.title)
    second.send("Approve")
    sheet = SheetVersion.objects.get()
    assert (sheet.track, str(sheet.proposed_by), str(sheet.approved_by)) == (track, "Anka", "Bo")

    home(lead)
    lead.follow("Plan a night")
    lead.send("Make the night", name="Tannery Yard", date="2031-06-07")
    assert Night.objects.get().name == "Tannery Yard"
    assert start_of(founder).next is None
    home(lead)
    assert "All steps," not in lead.text
    assert Membership.objects.get(user__username="bo").role == Role.RESIDENT


def home(member: Follower) -> None:
    """To the crew's home, by the crew's name at the top of every page."""
    member.follow("Crew ")


def next_step(member: Membership) -> str:
    step = start_of(member).next
    assert step is not None
    return step.title
