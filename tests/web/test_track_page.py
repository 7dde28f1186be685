"""The track page in each of its states, and what a POST to it does; refused beside allowed."""

from __future__ import annotations

import gzip
import json
import re
from dataclasses import replace

import pytest
from django.core.files.base import ContentFile
from django.core.files.storage import default_storage
from django.db import transaction
from django.test import Client
from django.urls import reverse

from crewprep.analysis.selectors import current_analysis
from crewprep.conventions.services import publish_convention
from crewprep.crews.models import Membership
from crewprep.jobs.models import Job, JobState
from crewprep.jobs.services import claim, fail
from crewprep.models import Activity, Crate, DraftMarker, Proposal, Track
from crewprep.review.models import ProposalState
from crewprep.review.services import RemarkInput, approve_proposal, return_proposal
from crewprep.sheets.publishing import move_crate
from crewprep.tracks.selectors import reference_copy
from crewprep.tracks.services import refuse_track
from tests import factories
from tests.factories.music import convention_document

pytestmark = pytest.mark.django_db


@pytest.fixture
def ready(lead: Membership, crate: Crate) -> Track:
    return factories.analysed_track(lead, crate)


@pytest.fixture
def drafted(ready: Track, crate: Crate) -> Track:
    factories.draft(ready, crate.convention_version)
    return ready


def browser(member: Membership) -> Client:
    client = Client()
    client.force_login(member.user)
    return client


def address(crate: Crate, track: Track) -> str:
    return reverse("track-page", args=[crate.crew.slug, crate.pk, track.pk])


def page(member: Membership, crate: Crate, track: Track) -> str:
    response = browser(member).get(address(crate, track))
    assert response.status_code == 200
    return response.content.decode()


def script(html: str, name: str):
    found = re.search(rf'<script id="{name}" type="application/json">(.*?)</script>', html, re.DOTALL)
    assert found, name
    return json.loads(found[1])


def markers_of(track: Track) -> list[dict[str, object]]:
    analysis = current_analysis(track)
    assert analysis is not None
    return [
        {"slot": marker.slot, "start_us": marker.start_us, "end_us": marker.end_us, "label": ""}
        for marker in factories.eight_markers(analysis)
    ]


def test_pages_are_sent_small_where_the_browser_can_and_sound_as_it_is(lead: Membership, crate: Crate, drafted: Track):
    client = browser(lead)
    plain = client.get(address(crate, drafted))
    small = client.get(address(crate, drafted), headers={"accept-encoding": "gzip"})
    assert "Content-Encoding" not in plain
    assert small["Content-Encoding"] == "gzip"
    assert "Accept-Encoding" in small["Vary"]
    assert len(small.content) < len(plain.content) / 3
    assert b"Phrase rows" in gzip.decompress(small.content)
    copy = reference_copy(drafted)
    copy.proxy_key = default_storage.save("listening.flac", ContentFile(b"fLaC" + bytes(5000)))
    copy.save()
    sound = client.get(
        reverse("track-audio", args=[lead.crew.slug, drafted.pk]),
        headers={"accept-encoding": "gzip", "range": "bytes=0-3"},
    )
    assert "Content-Encoding" not in sound
    assert sound.getvalue() == b"fLaC"


def test_a_track_that_is_being_analysed_shows_its_stage_and_asks_again(lead, crate):
    track = factories.track(lead, crate)
    job = Job.objects.get(track=track)
    Job.objects.filter(pk=job.pk).update(state=JobState.LEASED, token=job.pk, lease_until=job.created_at, stage="grid")
    html = page(lead, crate, track)
    assert "Being analysed" in html
    assert "grid" in html
    assert 'hx-trigger="every 2s"' in html
    state = browser(lead).get(
        reverse("track-state", args=[crate.crew.slug, crate.pk, track.pk]), headers={"HX-Request": "true"}
    )
    assert "HX-Refresh" not in state.headers


def test_a_settled_track_tells_the_waiting_page_to_load_anew(lead, crate, ready):
    Job.objects.filter(track=ready).update(state=JobState.DONE)
    state = browser(lead).get(
        reverse("track-state", args=[crate.crew.slug, crate.pk, ready.pk]), headers={"HX-Request": "true"}
    )
    assert state.headers["HX-Refresh"] == "true"


def test_a_refused_track_says_why_and_what_to_do(lead, crate):
    track = factories.track(lead, crate)
    held = claim(Job.objects.get(track=track).pk)
    assert held is not None
    fail(held, "audio:too-short", "", lambda job: refuse_track(job=job, code="audio:too-short"))
    html = page(lead, crate, track)
    assert "The track is shorter than a second. Send the whole track." in html
    assert "hx-get" not in html


def test_given_up_work_may_be_retried_by_a_resident_and_not_by_a_newcomer(lead, newcomer, crate):
    track = factories.track(lead, crate)
    Job.objects.filter(track=track).update(state=JobState.DEAD, error_detail="The work stopped 5 times.")
    assert ">Retry</button>" in page(lead, crate, track)
    assert ">Retry</button>" not in page(newcomer, crate, track)


def test_a_ready_track_without_a_draft_can_be_marked_by_hand(lead, crate, ready):
    html = page(lead, crate, ready)
    assert "No draft yet." in html
    assert script(html, "desk-data")["markers"] == []
    assert "Propose this sheet" in html


def test_a_draft_is_drawn_listed_and_explained(lead, crate, drafted):
    html = page(lead, crate, drafted)
    assert "This is a draft." in html
    assert "Slot 4, First drop: 6.1.1, 1:15.250, sure, made up for slot 4" in html
    assert "Slot 8, Exit loop: 12.1.1, 2:45.250, loop of 4 bars, sure, made up for slot 8" in html
    assert "Draft sure (80%): made up for slot 4" in html
    assert "Left empty: Free slots are left to you." in html
    assert 'value="1:15.250"' in html


def test_a_marker_that_the_draft_is_unsure_of_has_a_question_mark(lead, crate, drafted):
    DraftMarker.objects.filter(draft__track=drafted, slot=4).update(confidence=0.4)
    DraftMarker.objects.filter(draft__track=drafted, slot=8).update(confidence=0.4)
    html = page(lead, crate, drafted)
    notes = re.findall(r'<span class="marker__note">([^<]*)</span>', html)
    assert notes == ["?", "4 bars ?"]


def test_agreed_labels_are_offered_at_the_slot_that_has_them(lead, crate, drafted):
    assert "<datalist" not in page(lead, crate, drafted)
    document = convention_document()
    document["slots"][6]["labels"] = ["Bells", "R & B"]
    version = publish_convention(member=lead, document=document)
    move_crate(member=lead, crate=crate, version=version, seen_version=crate.convention_version)
    html = page(lead, crate, drafted)
    assert re.search(r'<input[^>]*name="label-7"[^>]* list="labels-7">', html)
    (offered,) = re.findall(r'<datalist id="labels-7">(.*?)</datalist>', html)
    assert re.findall(r'value="([^"]*)"', offered) == ["Bells", "R &amp; B"]
    assert html.count("<datalist") == 1


def test_the_page_says_what_was_measured_in_words(lead, crate, drafted):
    html = page(lead, crate, drafted)
    for said in ("128.00 BPM", "steady; could also be read as 64.00", "A minor", "−9.5 LUFS", "−0.4 dBTP", "3:02",
                 "test 1"):  # fmt: skip
        assert said in html, said


def test_warnings_are_sentences(lead, crate, drafted):
    drafted.warnings = ["audio:truncated"]
    drafted.save()
    assert "The file ends before its own header says." in page(lead, crate, drafted)


def test_a_track_without_a_grid_says_so_and_follows_the_clock(lead, crate):
    result = replace(
        factories.analysis_result(), tempo_bpm=None, tempo_candidates=(), tempo_segments=(), beats_us=(),
        downbeats_us=(), phrases_us=(), sections=(), drops=(), energy=(),
        contour=replace(factories.analysis_result().contour, loudness=(), low=(), onsets=()),
    )  # fmt: skip
    html = page(lead, crate, factories.analysed_track(lead, crate, result))
    assert "No steady beat was found" in html
    assert "no steady beat found" in html


def test_the_page_carries_no_inline_style_or_handler(lead, crate, drafted):
    html = page(lead, crate, drafted)
    assert not re.search(r"\sstyle=|\son[a-z]+=|<style", html)


def test_proposing_makes_an_open_proposal_with_what_was_sent(resident, crate, drafted):
    sent = markers_of(drafted)[:3]
    response = browser(resident).post(
        address(crate, drafted),
        {"markers": json.dumps(sent), "note": "moved the drop", "seen_sheet": "0", "override_reason": "no drop yet"},
    )
    proposal = Proposal.objects.get(track=drafted)
    assert response.headers["Location"] == reverse("proposal", args=[crate.crew.slug, proposal.pk])
    assert (proposal.proposed_by, proposal.note, proposal.state) == (resident.user, "moved the drop", "open")
    assert proposal.override_reason == "no drop yet"
    assert list(proposal.markers.values_list("slot", "start_us")) == [(m["slot"], m["start_us"]) for m in sent]


def test_a_newcomer_may_propose_too(newcomer, crate, drafted):
    browser(newcomer).post(address(crate, drafted), {"markers": json.dumps(markers_of(drafted)), "seen_sheet": "0"})
    assert Proposal.objects.get(track=drafted).proposed_by == newcomer.user


def test_without_scripts_the_fields_of_the_table_make_the_proposal(resident, crate, drafted):
    """Fields left alone keep their microseconds; a time, an address and a loop without an end are read."""
    html = page(resident, crate, drafted)
    fields = dict(re.findall(r'name="((?:start|end)-\d+)" value="([^"]*)"', html))
    fields |= {"start-1": "0:15.25", "start-4": "6.1.2", "start-7": "", "start-8": "11.1.1", "seen_sheet": "0"}
    fields["label-4"] = " the bells "
    browser(resident).post(address(crate, drafted), {**fields, "markers": "", "note": "by hand"})
    analysis = current_analysis(drafted)
    assert analysis is not None
    beats = analysis.result.beats_us
    made = {marker.slot: marker for marker in Proposal.objects.get(track=drafted).markers.all()}
    assert made[1].start_us == 15_250_000
    assert made[2].start_us == beats[64], "untouched"
    assert (made[4].start_us, made[4].label) == (beats[161], "the bells")
    assert (made[8].start_us, made[8].end_us) == (beats[320], beats[336]), "four bars, as the slot asks"
    assert 7 not in made


@pytest.mark.parametrize(
    ("fields", "status", "sentence"),
    [
        ({"start-1": "soon"}, 422, "“soon” is not a time"),
        ({"start-1": "59:00"}, 422, "lies outside the audio"),
        ({"markers": "[{}]"}, 422, "times are whole microseconds"),
        ({"markers": "{"}, 422, "is not JSON"),
        ({"markers": "[]"}, 422, "needs at least one marker"),
    ],
)
def test_what_cannot_stand_is_refused_in_one_sentence_and_kept(resident, crate, drafted, fields, status, sentence):
    response = browser(resident).post(
        address(crate, drafted), {"start-2": "0:33", "note": "my note", "seen_sheet": "0", **fields}
    )
    html = response.content.decode()
    assert response.status_code == status
    assert sentence in html
    assert "my note" in html
    if "markers" not in fields:
        assert f'value="{fields["start-1"]}"' in html
        assert 'value="0:33"' in html
    assert not Proposal.objects.exists()


def test_a_refused_list_of_markers_is_put_back_into_the_editor(resident, crate, drafted):
    sent = [{"slot": 4, "start_us": 10**12, "end_us": None, "label": ""}]
    response = browser(resident).post(address(crate, drafted), {"markers": json.dumps(sent), "seen_sheet": "0"})
    assert script(response.content.decode(), "desk-data")["markers"] == sent


def test_a_second_proposal_is_refused_and_names_the_first_ones_author(lead, resident, crate, drafted):
    factories.proposal(lead, drafted, crate)
    response = browser(resident).post(
        address(crate, drafted), {"markers": json.dumps(markers_of(drafted)), "seen_sheet": "0"}
    )
    assert response.status_code == 409
    assert f"{lead.user} already has a proposal for this track" in response.content.decode()


def test_a_pending_proposal_is_opened_for_change_and_whoever_changes_it_becomes_an_author(
    lead, resident, crate, drafted
):
    proposal = factories.proposal(lead, drafted, crate)
    html = page(resident, crate, drafted)
    assert f"{lead.user} has proposed a sheet." in html
    assert "you become one of its authors" in html
    sent = markers_of(drafted)[:2]
    seen = {
        "markers": json.dumps(sent),
        "proposal": str(proposal.pk),
        "seen_revision": "1",
        "override_reason": "why not",
    }
    browser(resident).post(address(crate, drafted), seen)
    proposal.refresh_from_db()
    assert (proposal.revision, proposal.changed_by, proposal.markers.count()) == (2, resident.user, 2)
    again = browser(resident).post(address(crate, drafted), seen)
    assert again.status_code == 409
    assert "changed or was decided while you looked at it" in again.content.decode()


def test_a_returned_proposal_shows_the_remarks_at_their_slots(lead, resident, crate, drafted):
    proposal = factories.proposal(resident, drafted, crate)
    return_proposal(
        member=lead, proposal=proposal, seen_revision=1, note="nearly", remarks=[RemarkInput(4, "one bar later")]
    )
    html = page(resident, crate, drafted)
    assert f"Returned by {lead.user}." in html
    assert "nearly" in html
    assert re.search(r'id="slot-4".*?one bar later', html, re.DOTALL)
    assert re.search(rf"row__remarks.*?<b>{lead.user}:</b> one bar later", html, re.DOTALL), (
        "and in the margin of its row"
    )
    assert proposal.state == ProposalState.RETURNED


def test_an_approved_sheet_is_what_an_edit_starts_from(lead, resident, crate, drafted):
    proposal = factories.proposal(resident, drafted, crate)
    approve_proposal(member=lead, proposal=proposal, seen_revision=1)
    html = page(resident, crate, drafted)
    assert "Sheet version 1 is approved" in html
    assert "becomes version 2" in html
    stale = browser(resident).post(
        address(crate, drafted), {"markers": json.dumps(markers_of(drafted)), "seen_sheet": "0"}
    )
    assert stale.status_code == 409
    assert "Another sheet of this track was approved while you worked" in stale.content.decode()
    browser(resident).post(address(crate, drafted), {"markers": json.dumps(markers_of(drafted)), "seen_sheet": "1"})
    assert Proposal.objects.get(track=drafted, state="open").base_id is not None


def test_a_crate_with_another_convention_starts_from_the_sheet_carried_over(lead, resident, drafted, crate):
    proposal = factories.proposal(resident, drafted, crate)
    approve_proposal(member=lead, proposal=proposal, seen_revision=1)
    publish_convention(member=lead, document=convention_document("Four", slots=4))
    other = factories.crate(lead)
    from crewprep.sheets.services import put_in_crate

    put_in_crate(member=lead, crate=other, track=drafted)
    html = page(lead, other, drafted)
    assert "Carried over from sheet version 1" in html
    assert len(script(html, "slots-data")) == 4
    assert [marker["slot"] for marker in script(html, "desk-data")["markers"]] == [1, 2, 3, 4]


def test_strangers_other_crates_and_missing_tracks_look_alike(lead, crate, drafted):
    stranger = factories.crew_with()
    elsewhere = factories.crate(lead)
    gone = address(crate, drafted).replace(str(drafted.pk), str(crate.pk))
    answers = {
        browser(stranger).get(address(crate, drafted)).status_code,
        browser(lead).get(address(elsewhere, drafted)).status_code,
        browser(lead).get(gone).status_code,
    }
    assert answers == {404}
    assert Client().get(address(crate, drafted)).status_code == 302


def test_looking_writes_nothing(lead, crate, drafted):
    before = Activity.objects.count()
    page(lead, crate, drafted)
    assert Activity.objects.count() == before


def test_the_page_asks_a_fixed_number_of_questions(lead, crate, drafted, django_assert_max_num_queries):
    client = browser(lead)
    # One of them asks where drafts are weak; a track with a sheet does without.
    with django_assert_max_num_queries(29):
        client.get(address(crate, drafted))


def test_the_listening_copy_is_offered_once_it_is_there(lead, crate, drafted):
    assert "There is no listening copy" in page(lead, crate, drafted)
    with transaction.atomic():
        copy = reference_copy(drafted)
        copy.proxy_key = default_storage.save("proxy.flac", ContentFile(b"fLaC"))
        copy.save()
    html = page(lead, crate, drafted)
    assert reverse("track-audio", args=[crate.crew.slug, drafted.pk]) in html
    assert 'data-gain-db="-8.5"' in html, "from -9.5 LUFS to the listening level of -18"
