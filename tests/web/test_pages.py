"""Every page but the track's: what it shows, to whom, and what it says where something is refused."""

from __future__ import annotations

import json
from typing import Any

import pytest
from django.core.files.uploadedfile import SimpleUploadedFile
from django.db import connection
from django.test import Client
from django.test.utils import CaptureQueriesContext
from django.urls import reverse

from crewprep.conventions.selectors import current_version, draft_of
from crewprep.conventions.services import starter
from crewprep.crates.models import Crate
from crewprep.crews.models import Membership
from crewprep.jobs.models import Job, JobState
from crewprep.models import Proposal, SheetVersion, Track
from crewprep.review.content import digest_of
from crewprep.review.services import approve_proposal
from tests import factories
from tests.factories.people import PASSWORD

pytestmark = pytest.mark.django_db


def signed_in(member: Membership) -> Client:
    client = Client()
    client.force_login(member.user)
    return client


def at(name: str, member: Membership, *more: Any) -> str:
    return reverse(name, args=[member.crew.slug, *more])


def test_signing_in_and_out(lead: Membership) -> None:
    client = Client()
    assert client.get("/").status_code == 302
    wrong = client.post(reverse("sign-in"), {"username": lead.user.username, "password": "not it"})
    assert "do not belong together" in wrong.content.decode()
    right = client.post(reverse("sign-in"), {"username": lead.user.username, "password": PASSWORD})
    assert right.status_code == 302
    assert client.get("/", follow=True).status_code == 200
    client.post(reverse("sign-out"))
    assert client.get(at("crew-home", lead)).status_code == 302


def test_too_many_wrong_passwords_rest_for_a_while(lead: Membership) -> None:
    client = Client()
    answers = [
        client.post(reverse("sign-in"), {"username": lead.user.username, "password": f"guess {number}"}).status_code
        for number in range(11)
    ]
    assert answers[0] == 200
    assert answers[-1] == 429
    locked = client.post(reverse("sign-in"), {"username": lead.user.username, "password": PASSWORD})
    assert locked.status_code == 429
    assert client.get("/").status_code == 302


def test_home_leads_to_the_one_crew_or_lists_them(lead: Membership) -> None:
    assert signed_in(lead).get("/").url == at("crew-home", lead)  # type: ignore[attr-defined]  # a redirect has one
    other = factories.crew_with(lead.user)
    listed = signed_in(lead).get("/").content.decode()
    assert lead.crew.name in listed
    assert other.crew.name in listed


def test_a_crate_is_made_by_residents_and_not_by_newcomers(
    resident: Membership, newcomer: Membership, crate: Crate
) -> None:
    answer = signed_in(resident).post(at("crew-home", resident), {"name": "Friday", "night_date": "2027-03-05"})
    made = Crate.objects.get(name="Friday")
    assert answer.url == at("crate", resident, made.pk)  # type: ignore[attr-defined]  # a redirect has one
    assert made.night is not None

    refused = signed_in(newcomer).post(at("crew-home", newcomer), {"name": "Sunday"})
    assert refused.status_code == 403
    assert "leads and residents" in refused.content.decode()
    assert not Crate.objects.filter(name="Sunday").exists()


@pytest.mark.parametrize(
    ("given", "words"),
    [
        ({"name": ""}, "Give the crate a name"),
        ({"name": "x" * 81}, "at most 80"),
        ({"name": "Friday", "night_date": "soon"}, "year-month-day"),
    ],
)
def test_a_wrong_crate_form_keeps_what_was_typed(
    resident: Membership, crate: Crate, given: dict[str, str], words: str
) -> None:
    answer = signed_in(resident).post(at("crew-home", resident), given)
    body = answer.content.decode()
    assert answer.status_code in {400, 422}
    assert words in body
    assert all(value in body for value in given.values())


def test_files_are_taken_in_one_by_one_and_refusals_are_told_beside_their_names(
    resident: Membership, crate: Crate
) -> None:
    client = signed_in(resident)
    good = SimpleUploadedFile("good.wav", factories.wav_bytes())
    bad = SimpleUploadedFile("bad.mp3", b"this is no sound at all")
    page = client.post(at("crate-upload", resident, crate.pk), {"audio": [good, bad]}, follow=True).content.decode()
    assert [track.title for track in Track.objects.all()] == ["good"]
    assert "bad.mp3" in page
    assert "not a sound file" in page

    single = client.post(
        at("crate-upload", resident, crate.pk),
        {"audio": SimpleUploadedFile("bad.mp3", b"no sound")},
        headers={"accept": "application/json"},
    )
    assert (single.status_code, single.json()["code"]) == (422, "audio:not-audio")


def test_a_newcomer_uploads_nothing(newcomer: Membership, crate: Crate) -> None:
    answer = signed_in(newcomer).post(
        at("crate-upload", newcomer, crate.pk), {"audio": SimpleUploadedFile("good.wav", factories.wav_bytes())}
    )
    assert answer.status_code == 403
    assert not Track.objects.exists()


def test_the_list_says_nothing_new_until_something_changes(resident: Membership, crate: Crate) -> None:
    track = factories.track(resident, crate)
    client = signed_in(resident)
    page = client.get(at("crate", resident, crate.pk)).content.decode()
    assert "every 2s" in page
    address = page.split('hx-get="')[1].split('"')[0].replace("&amp;", "&")
    assert client.get(address).status_code == 204
    Job.objects.filter(track=track).update(state=JobState.LEASED, token=track.pk, lease_until=track.created_at)
    assert client.get(address).status_code == 200


def test_a_given_up_job_shows_its_reason_and_a_retry(resident: Membership, newcomer: Membership, crate: Crate) -> None:
    track = factories.track(resident, crate)
    Job.objects.filter(track=track).update(
        state=JobState.DEAD, error_code="job:gave-up", error_detail="The work stopped 5 times."
    )
    job = Job.objects.get(track=track)
    client = signed_in(resident)
    assert "The work stopped 5 times." in client.get(at("crate", resident, crate.pk)).content.decode()
    assert signed_in(newcomer).post(at("crate-retry", newcomer, crate.pk, job.pk)).status_code == 403
    client.post(at("crate-retry", resident, crate.pk, job.pk))
    job.refresh_from_db()
    assert job.state == JobState.QUEUED


def test_the_crate_page_asks_as_often_for_many_tracks_as_for_one(resident: Membership, crate: Crate) -> None:
    client = signed_in(resident)

    def queries() -> int:
        client.get(at("crate", resident, crate.pk))  # the first look brings what has changed up to date
        with CaptureQueriesContext(connection) as asked:
            assert client.get(at("crate", resident, crate.pk)).status_code == 200
        return len(asked)

    factories.proposal(resident, into=crate)
    factories.draft(factories.analysed_track(resident, crate), crate.convention_version)
    few = queries()
    for _ in range(4):
        factories.proposal(resident, into=crate)
        factories.draft(factories.analysed_track(resident, crate), crate.convention_version)
        factories.track(resident, crate)
    assert queries() == few
    assert few <= 20


def slots_form(document: dict[str, Any], **changes: Any) -> dict[str, Any]:
    """The convention form as a browser sends it."""
    slots = document["slots"]
    form: dict[str, Any] = {
        "name": document["name"],
        "slots-TOTAL_FORMS": len(slots),
        "slots-INITIAL_FORMS": len(slots),
    }
    for index, slot in enumerate(slots):
        for field, value in slot.items():
            if value is not None and value is not False:
                typed = ", ".join(value) if isinstance(value, list) else value
                form[f"slots-{index}-{field}"] = "on" if value is True else typed
    return {**form, "do": "check", **changes}


def publish_by_form(member: Membership, document: dict[str, Any]) -> Any:
    """Write the document into the form, look at what it would do, and publish it; the answer to the last."""
    client = signed_in(member)
    draft = draft_of(member)
    client.post(at("convention-draft", member), slots_form(document, seen_revision=draft.revision if draft else 0))
    assert "What the draft would do" in client.get(at("convention-publish", member)).content.decode()
    draft = draft_of(member)
    return client.post(at("convention-publish", member), {"do": "publish", "seen_revision": draft and draft.revision})


def test_a_lead_publishes_the_next_version_and_others_may_not(lead: Membership, resident: Membership) -> None:
    document = starter("eight")
    assert publish_by_form(lead, document).status_code == 302
    version = current_version(lead)
    assert version is not None
    assert [slot.name for slot in version.slots.all()] == [slot["name"] for slot in document["slots"]]

    file = signed_in(resident).get(at("convention-document", resident, version.pk))
    assert json.loads(file.content) == document
    for page in ("convention-draft", "convention-publish", "convention-import"):
        assert signed_in(resident).get(at(page, resident)).status_code == 403
        assert signed_in(resident).post(at(page, resident), slots_form(document)).status_code == 403
    assert current_version(lead) == version


def test_a_wrong_convention_form_keeps_everything_and_says_where(lead: Membership) -> None:
    answer = signed_in(lead).post(
        at("convention-draft", lead),
        slots_form(starter("eight"), **{"slots-2-name": "", "slots-3-guidance": "Our own words here."}),
    )
    body = answer.content.decode()
    assert answer.status_code == 422
    assert "Give the slot a name" in body
    assert "Our own words here." in body
    assert current_version(lead) is None


def test_the_queue_tells_who_may_review(lead: Membership, resident: Membership, crate: Crate) -> None:
    proposal = factories.proposal(resident, into=crate)
    address = at("proposal", lead, proposal.pk)
    for member, words in ((lead, "Yours to review"), (resident, "You had a hand in these markers")):
        page = signed_in(member).get(at("queue", member)).content.decode()
        assert address in page
        assert words in page


def test_a_verdict_leads_on_to_the_next_in_the_queue(lead: Membership, resident: Membership, crate: Crate) -> None:
    first, second = factories.proposal(resident, into=crate), factories.proposal(resident, into=crate)
    client = signed_in(lead)
    seen = {"seen_revision": "1", "seen_digest": digest_of(first, first.markers.all())}
    answer = client.post(at("proposal-verdict", lead, first.pk), {"do": "approve", **seen})
    assert answer.url == at("proposal", lead, second.pk)  # type: ignore[attr-defined]  # a redirect has one
    assert "sheet version 1" in client.get(answer.url).content.decode()  # type: ignore[attr-defined]  # a redirect has one
    assert SheetVersion.objects.filter(track=first.track).count() == 1


def test_ones_own_proposal_explains_itself_and_takes_no_verdict(resident: Membership, crate: Crate) -> None:
    proposal = factories.proposal(resident, into=crate)
    client = signed_in(resident)
    page = client.get(at("proposal", resident, proposal.pk)).content.decode()
    assert "another member must review" in page
    assert 'value="approve"' not in page
    answer = client.post(at("proposal-verdict", resident, proposal.pk), {"do": "approve", "seen_revision": "1"})
    assert answer.status_code == 403
    assert Proposal.objects.get(pk=proposal.pk).state == "open"


def test_a_verdict_that_comes_too_late_keeps_the_words(lead: Membership, resident: Membership, crate: Crate) -> None:
    proposal = factories.proposal(resident, into=crate)
    rival = factories.member_of(lead.crew)
    approve_proposal(member=rival, proposal=proposal, seen_revision=1)
    answer = signed_in(lead).post(
        at("proposal-verdict", lead, proposal.pk),
        {"do": "return", "seen_revision": "1", "remark-4": "One phrase late, I think."},
    )
    assert answer.status_code == 409
    assert "One phrase late, I think." in answer.content.decode()


@pytest.mark.parametrize("seen", ["", "x", "0", "99999999999"])
def test_a_verdict_without_a_revision_changes_nothing(
    lead: Membership, resident: Membership, crate: Crate, seen: str
) -> None:
    proposal = factories.proposal(resident, into=crate)
    answer = signed_in(lead).post(at("proposal-verdict", lead, proposal.pk), {"do": "approve", "seen_revision": seen})
    assert answer.status_code in {409, 422}
    assert Proposal.objects.get(pk=proposal.pk).state == "open"


def test_help_tells_of_ears_and_rights() -> None:
    page = Client().get(reverse("help")).content.decode()
    assert "ears" in page
    assert "may share" in page
