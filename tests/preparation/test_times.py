"""Time spent on a track: short gaps between signs of work count, long ones do not; proposing settles it."""

from __future__ import annotations

import datetime as dt
from statistics import fmean

import pytest

from crewprep.crews.models import Membership
from crewprep.models import Crate, DraftMarker, PreparationTime, Track
from crewprep.preparation.estimate import CrewFactor
from crewprep.preparation.selectors import estimates_of, facts_of
from crewprep.preparation.services import claim_track, keep_work
from crewprep.preparation.times import factor_of, note_work, settle_time
from crewprep.review.services import approve_proposal, propose
from crewprep.sheets.keeping import Work
from crewprep.sheets.markers import MarkerInput
from tests import factories

pytestmark = pytest.mark.django_db
START = dt.datetime(2026, 3, 1, 20, tzinfo=dt.UTC)


@pytest.fixture
def track(lead: Membership, crate: Crate) -> Track:
    return factories.analysed_track(lead, crate)


def after(minutes: float) -> dt.datetime:
    return START + dt.timedelta(minutes=minutes)


def test_short_gaps_add_up_and_idle_ones_do_not(track: Track):
    for minutes in (0, 2, 5, 25, 26.5):
        note_work(track, at=after(minutes))
    row = PreparationTime.objects.get()
    assert row.active_ms == (5 + 1.5) * 60_000
    note_work(track, at=after(1))
    row.refresh_from_db()
    assert (row.active_ms, row.last_at) == (6.5 * 60_000, after(26.5)), "a clock that went back takes nothing away"


def test_proposing_settles_it_once_and_the_next_sheet_has_its_own(
    lead: Membership, resident: Membership, crate: Crate, track: Track
):
    factories.draft(track, crate.convention_version)
    claim_track(member=resident, track=track)
    proposal = factories.proposal(resident, made=track, into=crate)
    row = PreparationTime.objects.get()
    assert row.proposed_at is not None
    plain = estimates_of([track.pk], crate.convention_version, factor_of(track.crew_id))[track.pk].plain
    assert row.expected_minutes == pytest.approx(plain)
    settle_time(track, at=after(60), expected_minutes=99)
    row.refresh_from_db()
    assert row.expected_minutes == pytest.approx(plain)
    approve_proposal(member=lead, proposal=proposal, seen_revision=1)
    note_work(track, at=after(90))
    assert list(PreparationTime.objects.order_by("sheet_number").values_list("sheet_number", flat=True)) == [1, 2]


def test_work_that_is_kept_is_a_sign_and_work_beside_anothers_claim_is_none(
    lead: Membership, resident: Membership, crate: Crate, track: Track
):
    work = Work([MarkerInput(1, 0)], "", "draft/0")
    keep_work(member=resident, track=track, version=crate.convention_version, work=work, seen_revision=0)
    first = PreparationTime.objects.get().last_at
    keep_work(member=lead, track=track, version=crate.convention_version, work=work, seen_revision=0)
    assert PreparationTime.objects.get().last_at == first
    keep_work(member=resident, track=track, version=crate.convention_version, work=work, seen_revision=1)
    assert PreparationTime.objects.get().last_at > first


def test_the_crew_learns_from_its_tracks_and_not_from_those_of_programs(lead: Membership, crate: Crate):
    for minutes in (20, 20, 20, 20, 20, 0.2):
        track = factories.analysed_track(lead, crate)
        PreparationTime.objects.create(
            crew=lead.crew, track=track, sheet_number=1, active_ms=round(minutes * 60_000), last_at=START,
            proposed_at=START, expected_minutes=10,
        )  # fmt: skip
    found = factor_of(lead.crew_id)
    assert found.recorded == 5
    assert found.value == pytest.approx(2**0.5)
    assert factor_of(factories.crew_with().crew_id).recorded == 0


def test_estimates_read_drafts_and_grids_in_four_queries(lead: Membership, crate: Crate, django_assert_num_queries):
    tracks = [factories.analysed_track(lead, crate) for _ in range(3)]
    for one in tracks[:2]:
        factories.draft(one, crate.convention_version)
    waiting = factories.track(lead, crate)
    ids = [one.pk for one in (*tracks, waiting)]
    version = crate.convention_version
    with django_assert_num_queries(4):
        found = estimates_of(ids, version, CrewFactor())
    assert found[tracks[0].pk] == found[tracks[1].pk]
    assert found[tracks[2].pk].plain > found[tracks[0].pk].plain, "every required slot is open"
    assert found[waiting.pk].assumed


def test_facts_are_those_of_the_newest_draft(lead: Membership, crate: Crate):
    version, track = crate.convention_version, factories.analysed_track(lead, crate)
    draft = factories.draft(track, version)
    markers = {marker.slot: marker.confidence for marker in draft.markers.all()}
    required = {slot.number for slot in version.slots.all() if slot.required}
    found = facts_of([track.pk], version)[track.pk]
    assert found.markers == len(markers)
    assert found.confidence == pytest.approx(fmean(markers.values()))
    assert found.open_slots == len(required - markers.keys())
    DraftMarker.objects.filter(draft=draft, slot=min(required & markers.keys())).delete()
    assert facts_of([track.pk], version)[track.pk].open_slots == found.open_slots + 1
    version.slots.update(required=False)
    assert facts_of([track.pk], version)[track.pk].open_slots == 0
    DraftMarker.objects.filter(draft=draft).delete()
    bare = facts_of([track.pk], version)[track.pk]
    assert (bare.drafted, bare.markers, bare.confidence) == (True, 0, None)


def test_a_proposal_of_a_program_is_settled_too(resident: Membership, crate: Crate, track: Track):
    propose(
        member=resident, track=track, convention_version=crate.convention_version,
        markers=factories.eight_markers(factories.analysis_result()),
    )  # fmt: skip
    assert PreparationTime.objects.get().active_ms == 0
    assert factor_of(track.crew_id).recorded == 0
