"""Correcting a grid: who may, what is kept, what stands in the way."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import pytest
from django.db import IntegrityError, transaction
from django.urls import reverse

from analysis_worker.core.results import Reading, TrackAnalysis
from crewprep.analysis.correction import half_a_beat_later, moved
from crewprep.analysis.selectors import current_analysis, measured_analysis
from crewprep.analysis.services import store_correction
from crewprep.common.errors import Conflict, Invalid
from crewprep.crews.models import Membership, Role
from crewprep.models import Activity, Analysis, Crate, Job, JobKind, Track
from crewprep.review.corrections import correct_grid
from crewprep.review.services import approve_proposal
from tests import factories

pytestmark = pytest.mark.django_db


@pytest.fixture
def track(lead: Membership, crate: Crate) -> Track:
    return factories.analysed_track(lead, crate)


def now(track: Track) -> Analysis:
    analysis = current_analysis(track)
    assert analysis is not None
    return analysis


def correct(
    member: Membership,
    track: Track,
    change: Callable[[TrackAnalysis], TrackAnalysis] = half_a_beat_later,
    words: str = "half a beat later",
    seen: str = "",
) -> Analysis:
    return correct_grid(member=member, track=track, seen=seen or str(now(track).pk), change=change, words=words)


def test_a_correction_is_the_next_analysis_with_its_author_and_a_new_draft(track: Track, crate: Crate):
    newcomer = factories.member_of(track.crew, Role.NEWCOMER)
    before = now(track)
    made = correct(newcomer, track)
    assert now(track) == made
    assert (made.made_by, made.follows, made.correction) == (newcomer.user, before, "half a beat later")
    assert made.result.beats_us != before.result.beats_us
    assert made.pcm_sha256 == before.pcm_sha256
    asked = Job.objects.get(kind=JobKind.DRAFT, params__analysis=str(made.pk))
    assert asked.params["convention_version"] == str(crate.convention_version.pk)
    row = Activity.objects.get(verb="grid corrected")
    assert (row.actor, row.details) == (newcomer.user, {"words": "half a beat later"})


def test_it_can_be_taken_back_and_the_history_stays(lead: Membership, track: Track):
    found = now(track)
    correct(lead, track)
    correct(lead, track)
    back = correct(lead, track, change=lambda _: measured_analysis(now(track)).result, words="back")
    back.refresh_from_db()
    assert back.facts == found.facts
    assert measured_analysis(back) == found
    assert Analysis.objects.filter(track=track).count() == 4


def test_of_two_at_once_the_second_is_told(lead: Membership, resident: Membership, track: Track):
    seen = str(now(track).pk)
    correct(lead, track)
    with pytest.raises(Conflict, match="corrected this grid"):
        correct(resident, track, seen=seen)


def test_the_database_holds_one_correction_to_one_analysis(lead: Membership, track: Track):
    first = now(track)
    correct(lead, track)
    with pytest.raises(IntegrityError), transaction.atomic():
        store_correction(member=lead, base=first, result=first.result, words="again")


def test_a_pending_proposal_stands_on_its_grid(lead: Membership, resident: Membership, track: Track, crate: Crate):
    proposal = factories.proposal(lead, track, crate)
    with pytest.raises(Conflict, match="has proposed markers on this grid"):
        correct(resident, track)
    sheet = approve_proposal(member=resident, proposal=proposal, seen_revision=proposal.revision)
    correct(resident, track)
    sheet.refresh_from_db()
    assert sheet.analysis != now(track)


def test_what_cannot_be_done_is_said_and_changes_nothing(lead: Membership, track: Track):
    before = now(track)
    with pytest.raises(Invalid, match="at most 500 milliseconds"):
        correct(lead, track, change=lambda result: moved(result, 900_000))
    assert now(track) == before


@pytest.fixture
def post(client, lead: Membership, crate: Crate, track: Track):
    client.force_login(lead.user)
    where = [lead.crew.slug, crate.pk, track.pk]

    def send(**fields: str) -> str:
        fields = {"seen": str(now(track).pk), **fields}
        answer = client.post(reverse("grid-fix", args=where), fields, follow=True)
        assert answer.redirect_chain == [(reverse("track-page", args=where), 302)]
        return answer.content.decode()

    return send


@pytest.mark.parametrize(
    ("fields", "said"),
    [
        ({"do": "half-beat"}, "half a beat later"),
        ({"do": "one", "at": "0:02.1"}, "the one at 0:02.100"),
        ({"do": "one", "at": "2.1.3"}, "the one at "),
        ({"do": "half"}, "half the tempo"),
        ({"do": "double"}, "double the tempo"),
        ({"do": "move", "ms": "−5"}, "moved by −5 ms"),
        ({"do": "tempo", "bpm": "127,5", "at": "0:00.25"}, "127.5 BPM throughout"),
        ({"do": "tempo-from", "bpm": "100", "at": "1:00"}, "100 BPM from 1:00.000"),
    ],
)
def test_each_button_of_the_page_does_what_it_says(post, lead: Membership, track: Track, fields, said: str):
    html = post(**fields)
    assert f"Grid corrected: {said}" in html
    assert f"{lead.user} corrected this grid on" in html
    assert now(track).made_by == lead.user
    assert "Grid corrected: back to what the analysis found" in post(do="back")


@pytest.mark.parametrize(
    ("fields", "said"),
    [
        ({"do": "one", "at": "soon"}, "“soon” is no time in this track."),
        ({"do": "one", "at": "59:00"}, "“59:00” is no time in this track."),
        ({"do": "move", "ms": "much"}, "“much” is not a number."),
        ({"do": "move", "ms": "nan"}, "“nan” is not a number."),
        ({"do": "tempo", "bpm": "9000", "at": "0:01"}, "A tempo lies between 20 and 400"),
        ({"do": "reading", "reading": "7"}, "That reading is not in the list."),
        ({"do": "dance"}, "Choose one of the corrections on the page."),
        ({"do": "half", "seen": ""}, "Somebody corrected this grid"),
    ],
)
def test_wrong_input_is_one_sentence_and_the_grid_stays(post, track: Track, fields, said: str):
    before = now(track)
    html = post(**fields)
    assert said in html.replace("&#x27;", "'")
    assert now(track) == before


def test_the_readings_that_the_analysis_kept_are_offered_with_their_odds(client, lead: Membership, crate: Crate):
    result = factories.analysis_result()
    late = result.beats_us[0] + (result.beats_us[1] - result.beats_us[0]) // 2
    readings = (
        Reading(128.0, result.beats_us[0], 4, 0.8, "as chosen"),
        Reading(128.0, late, 4, 0.15, "half a beat later"),
        Reading(64.0, result.beats_us[0], 4, 0.004, "half the tempo"),
    )
    track = factories.analysed_track(lead, crate, replace(result, readings=readings))
    client.force_login(lead.user)
    where = [lead.crew.slug, crate.pk, track.pk]
    html = client.get(reverse("track-page", args=where)).content.decode()
    assert "128.00 BPM, likely to 15 %" in html
    assert "64.00 BPM, likely to less than 1 %" in html
    assert "As chosen" not in html
    client.post(reverse("grid-fix", args=where), {"do": "reading", "reading": "1", "seen": str(now(track).pk)})
    assert late in now(track).result.beats_us
