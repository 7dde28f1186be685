"""Examples: few tracks for many slots, spread over tempo, the same for all; pieces that begin a bar before."""

from __future__ import annotations

import uuid
from collections.abc import Iterable

import pytest
from django.db import connection
from django.test.utils import CaptureQueriesContext
from hypothesis import given
from hypothesis import strategies as st

from analysis_worker.core.convention import FUNCTIONS, WHICH
from crewprep.analysis.musical_time import MusicalTime
from crewprep.crews.models import Membership
from crewprep.models import Copy, Crate, SheetVersion
from crewprep.onboarding.examples import LONGEST_US, MOST, Candidate, choose, examples_of, piece
from crewprep.onboarding.slips import usual_slips
from crewprep.review.services import approve_proposal
from tests import factories

SLOTS = range(1, 9)


def candidate(slots: Iterable[int] = SLOTS, tempo: float | None = 128.0) -> Candidate:
    return Candidate(uuid.uuid4(), frozenset(slots), tempo)


@given(
    st.lists(
        st.builds(
            Candidate,
            st.uuids(),
            st.frozensets(st.sampled_from(list(SLOTS))),
            st.none() | st.floats(60, 200),
        ),
        max_size=40,
        unique_by=lambda one: one.track_id,
    )
)
def test_never_more_than_five_a_slot_nor_half_of_all(candidates: list[Candidate]) -> None:
    found = choose(candidates, SLOTS)
    by_id = {one.track_id: one for one in candidates}
    assert list(found) == list(SLOTS)
    for slot, tracks in found.items():
        assert len(tracks) == len(set(tracks)) <= MOST
        assert all(slot in by_id[track].slots for track in tracks)
    used = {track for tracks in found.values() for track in tracks}
    assert len(used) <= max(1, len(candidates) // 2)
    assert choose(candidates, SLOTS) == found


def test_the_same_tracks_serve_every_slot_that_they_can() -> None:
    found = choose([candidate() for _ in range(30)], SLOTS)
    assert {tuple(tracks) for tracks in found.values()} == {tuple(found[1])}
    assert len(found[1]) == MOST


@pytest.mark.parametrize(("tracks", "a_slot"), [(0, 0), (1, 1), (5, 1), (6, 2), (12, 4), (15, 5), (300, 5)])
def test_a_third_of_few_tracks_so_that_drills_have_the_rest(tracks: int, a_slot: int) -> None:
    assert len(choose([candidate() for _ in range(tracks)], SLOTS)[3]) == a_slot


def test_tracks_that_serve_alike_are_taken_from_all_over_the_tempo_range() -> None:
    near = [candidate(tempo=tempo) for tempo in (126, 127, 128, 125, 126.5, 127.5)]
    slow, fast = candidate(tempo=92), candidate(tempo=174)
    found = choose([*near, slow, fast, candidate(tempo=None)], SLOTS)[1]
    assert found == [near[0].track_id, fast.track_id, slow.track_id]


def test_the_choice_stays_as_tracks_come_in() -> None:
    """Fifteen equal tracks and more: what is heard does not change with every sheet that is approved."""
    tracks = [candidate(tempo=128 if number else 100) for number in range(40)]
    assert choose(tracks[:15], SLOTS) == choose(tracks, SLOTS)


def test_a_slot_that_few_tracks_have_brings_one_that_has_it() -> None:
    common = [candidate(range(1, 8)) for _ in range(20)]
    rare = candidate([8])
    found = choose([*common, rare], SLOTS)
    assert found[8] == [rare.track_id]


def test_a_point_begins_a_bar_before_and_a_loop_is_whole() -> None:
    result = factories.analysis_result()
    grid, beats = MusicalTime.of(result), result.beats_us
    assert piece(grid, beats[160], None) == (beats[156], beats[176])
    assert piece(grid, beats[352], beats[368]) == (beats[352], beats[368])
    assert piece(grid, 0, None)[0] == 0
    last = result.duration_us - 10
    assert piece(grid, last, None)[1] == result.duration_us
    assert piece(grid, beats[0], beats[360]) == (beats[0], beats[0] + LONGEST_US)


@pytest.mark.parametrize("function", FUNCTIONS)
def test_every_function_has_its_slips(function: str) -> None:
    for which in WHICH:
        slips = usual_slips(function, which, kind="loop", lead_bars=4)
        assert len(set(slips)) == len(slips) >= 2
        assert all(slip.endswith(".") for slip in slips)
    assert "build-up begins" in " ".join(usual_slips("drop", "first"))


@pytest.mark.django_db
class TestFromSheets:
    """Examples cut from approved sheets."""

    def test_an_example_tells_where_to_listen(self, lead: Membership, crate: Crate) -> None:
        sheet = _heard(lead, crate)
        found = examples_of(lead, crate.convention_version)
        assert found.tracks == [sheet.track_id]
        assert found.left == 0
        by_slot = {line.slot.number: line for line in found.slots}
        assert list(by_slot) == list(SLOTS)
        drop = by_slot[4].examples[0]
        assert (drop.track, drop.sheet, drop.address) == (sheet.track, 1, "6.1.1")
        assert drop.start_us - drop.from_us == pytest.approx(4 * 60e6 / 128, abs=1)
        loop = by_slot[8].examples[0]
        assert (loop.from_us, loop.until_us) == (loop.start_us, loop.end_us)
        assert by_slot[7].examples == [], "the sheet has no marker there"

    def test_the_newest_sheet_of_a_track_is_told(self, lead: Membership, crate: Crate) -> None:
        sheet = _heard(lead, crate)
        again = factories.proposal(factories.member_of(lead.crew), made=sheet.track, into=crate)
        approve_proposal(member=lead, proposal=again, seen_revision=1)
        assert examples_of(lead, crate.convention_version).slots[0].examples[0].sheet == 2

    def test_no_sound_no_example(self, lead: Membership, crate: Crate) -> None:
        _heard(lead, crate)
        Copy.objects.update(proxy_key="")
        found = examples_of(lead, crate.convention_version)
        assert (found.tracks, found.left) == ([], 1)

    def test_another_crews_sheets_are_never_heard(self, lead: Membership, crate: Crate) -> None:
        _heard(lead, crate)
        other = factories.crew_with()
        assert examples_of(other, factories.convention(other)).tracks == []

    def test_it_asks_as_often_for_many_tracks(self, lead: Membership, crate: Crate) -> None:
        def queries() -> int:
            version = type(crate.convention_version).objects.get(pk=crate.convention_version_id)
            with CaptureQueriesContext(connection) as asked:
                examples_of(lead, version)
            return len(asked)

        _heard(lead, crate)
        few = queries()
        for _ in range(6):
            _heard(lead, crate)
        assert queries() == few <= 8


def _heard(lead: Membership, crate: Crate) -> SheetVersion:
    """An approved sheet of a track with a listening copy."""
    proposal = factories.proposal(factories.member_of(lead.crew), into=crate)
    Copy.objects.filter(track=proposal.track).update(proxy_key="listening.flac")
    return approve_proposal(member=lead, proposal=proposal, seen_revision=1)
