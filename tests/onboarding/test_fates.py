"""What became of a draft's markers: each fate, which sheets tell one, and that it is written with the approval."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any

import pytest
from django.core.management import call_command
from django.db import transaction
from hypothesis import given
from hypothesis import strategies as st

from crewprep.activity import services as activity
from crewprep.activity.models import Activity
from crewprep.analysis.correction import half_a_beat_later
from crewprep.analysis.musical_time import MusicalTime
from crewprep.analysis.selectors import current_analysis
from crewprep.common.models import CrewRow
from crewprep.crates.models import Crate
from crewprep.crews.models import Membership
from crewprep.models import Fate, MarkerFate, Proposal, SheetVersion, Track
from crewprep.onboarding.fates import SlotFate, fates_of, note_approval, recount, uncounted
from crewprep.review.corrections import correct_grid
from crewprep.review.services import approve_proposal, propose
from crewprep.sheets.markers import MarkerInput
from tests import factories

BEAT_US = 468_750  # 60 s / 128
TIME = MusicalTime.of(factories.analysis_result())


@dataclass(frozen=True)
class At:
    """A drafted or approved marker, placed in beats."""

    slot: int
    beat: float
    length: float | None = None
    confidence: float = 0.7

    @property
    def start_us(self) -> int:
        return TIME.time(self.beat)

    @property
    def end_us(self) -> int | None:
        return None if self.length is None else TIME.time(self.beat + self.length)


def fate(before: At | None, after: At | None) -> SlotFate:
    (found,) = fates_of([before] if before else [], [after] if after else [], TIME)
    return found


@pytest.mark.parametrize("off", [0, 0.25, -0.25, 0.1])
def test_a_marker_within_a_quarter_of_a_beat_was_kept(off: float):
    found = fate(At(1, 64), At(1, 64 + off))
    assert found.fate == Fate.KEPT
    assert found.off_beats == pytest.approx(off, abs=1e-4)
    assert found.phrases is None
    assert found.confidence == 0.7


@pytest.mark.parametrize(
    ("off", "phrases"), [(0.5, None), (-1, None), (16, None), (32, 1), (-64, -2), (33, 1), (34, None)]
)
def test_a_marker_further_away_was_moved_by_beats_and_perhaps_by_whole_phrases(off: float, phrases: int | None):
    found = fate(At(1, 160), At(1, 160 + off))
    assert (found.fate, found.phrases) == (Fate.MOVED, phrases)
    assert found.off_beats == pytest.approx(off, abs=1e-4)
    assert found.off_us == pytest.approx(off * BEAT_US, abs=2)


def test_a_loop_is_kept_with_its_end_and_moved_where_its_end_moved():
    assert fate(At(8, 64, 16), At(8, 64.25, 16)).fate == Fate.KEPT
    shorter = fate(At(8, 64, 16), At(8, 64, 8))
    assert (shorter.fate, shorter.off_us) == (Fate.MOVED, -8 * BEAT_US)
    both = fate(At(8, 64, 16), At(8, 68, 16))
    assert (both.fate, both.off_us) == (Fate.MOVED, 4 * BEAT_US)
    assert fate(At(8, 64, 16), At(8, 64)).fate == Fate.MOVED  # a loop became a point


def test_a_slot_that_one_of_the_two_leaves_empty_was_dropped_or_added():
    assert fate(At(3, 64), None) == SlotFate(3, Fate.DROPPED, 0.7)
    assert fate(None, At(3, 64)) == SlotFate(3, Fate.ADDED)
    assert fates_of([], [], TIME) == []


_MARKS = st.lists(
    st.builds(
        At, st.integers(1, 16), st.integers(0, 380).map(float), st.none() | st.integers(1, 4).map(float),
        st.floats(0, 1),
    ),
    unique_by=lambda mark: mark.slot,
)  # fmt: skip


@given(_MARKS, _MARKS)
def test_every_slot_has_one_fate_and_the_order_of_markers_does_not_matter(before: list[At], after: list[At]):
    found = fates_of(before, after, TIME)
    drafted, approved = {mark.slot for mark in before}, {mark.slot for mark in after}
    assert [one.slot for one in found] == sorted(drafted | approved)
    by_fate = {kind: {one.slot for one in found if one.fate == kind} for kind in Fate}
    assert by_fate[Fate.DROPPED] == drafted - approved
    assert by_fate[Fate.ADDED] == approved - drafted
    assert by_fate[Fate.KEPT] | by_fate[Fate.MOVED] == drafted & approved
    assert fates_of(before[::-1], after[::-1], TIME) == found


@given(_MARKS, st.integers(-400, 400).map(lambda quarters: quarters / 4))
def test_a_draft_moved_as_a_whole_was_moved_by_that_and_the_other_way_round_by_its_opposite(marks: list[At], by: float):
    after = [replace(mark, beat=mark.beat + by) for mark in marks]
    there, back = fates_of(marks, after, TIME), fates_of(after, marks, TIME)
    for one, other in zip(there, back, strict=True):
        assert one.fate == other.fate == (Fate.KEPT if abs(by) <= 0.25 else Fate.MOVED)
        assert one.off_us == -other.off_us  # type: ignore[operator]  # both have a marker
        assert one.off_beats == pytest.approx(by, abs=1e-4)
        assert one.phrases == (None if other.phrases is None else -other.phrases)


# In the database


@pytest.fixture
def track(resident: Membership, crate: Crate) -> Track:
    made = factories.analysed_track(resident, crate)
    factories.draft(made, crate.convention_version)
    return made


def markers(track: Track, **beats_by_slot: float | None) -> list[MarkerInput]:
    """The eight markers of the draft, with slots (``s4=2``) so many beats later, or taken away."""
    analysis = current_analysis(track)
    assert analysis is not None
    found = []
    for marker in factories.eight_markers(analysis):
        off = beats_by_slot.get(f"s{marker.slot}", 0.0)
        if off is not None:
            by_us = round(off * BEAT_US)
            end_us = None if marker.end_us is None else marker.end_us + by_us
            found.append(replace(marker, start_us=marker.start_us + by_us, end_us=end_us))
    return found


def approved(lead: Membership, author: Membership, track: Track, crate: Crate, given: Sequence[MarkerInput]) -> Any:
    proposal = propose(
        member=author, track=track, convention_version=crate.convention_version, markers=given,
        override_reason="Only to see.",
    )  # fmt: skip
    return approve_proposal(member=lead, proposal=proposal, seen_revision=1)


def told(sheet: SheetVersion) -> dict[int, str]:
    return dict(MarkerFate.objects.filter(sheet=sheet).values_list("slot", "fate"))


def rows() -> list[tuple[Any, ...]]:
    return list(
        MarkerFate.objects.order_by("sheet", "slot").values_list(
            "sheet", "slot", "engine", "function", "which", "fate", "confidence", "off_us", "off_beats", "phrases"
        )
    )


@pytest.mark.django_db
def test_an_approval_writes_one_row_a_slot(lead: Membership, resident: Membership, track: Track, crate: Crate):
    given = [*markers(track, s2=32, s5=None), MarkerInput(7, 9_000_000)]
    sheet = approved(lead, resident, track, crate, given)
    assert told(sheet) == {
        1: "kept", 2: "moved", 3: "kept", 4: "kept", 5: "dropped", 6: "kept", 7: "added", 8: "kept",
    }  # fmt: skip
    moved = MarkerFate.objects.get(slot=2)
    assert (moved.crew, moved.engine, moved.function, moved.which) == (lead.crew, "3", "breakdown", "first")
    assert (moved.confidence, moved.phrases) == (0.8, 1)
    assert moved.off_beats == pytest.approx(32)
    assert MarkerFate.objects.get(slot=7).confidence is None


@pytest.mark.django_db
def test_only_a_first_sheet_that_was_drafted_before_it_was_proposed_tells_one(
    lead: Membership, resident: Membership, track: Track, crate: Crate
):
    by_hand = factories.analysed_track(resident, crate)
    proposal = factories.proposal(resident, by_hand, crate)
    factories.draft(by_hand, crate.convention_version)  # came too late to have been started from
    assert told(approve_proposal(member=lead, proposal=proposal, seen_revision=1)) == {}
    first = approved(lead, resident, track, crate, markers(track))
    second = approved(lead, resident, track, crate, markers(track, s4=4))
    assert set(told(first).values()) == {"kept"}
    assert told(second) == {}
    other = factories.draft(factories.analysed_track(resident, crate), crate.convention_version)
    assert not MarkerFate.objects.filter(sheet__track=other.track).exists()


@pytest.mark.django_db
def test_of_a_corrected_grid_the_draft_of_the_correction_counts(
    lead: Membership, resident: Membership, track: Track, crate: Crate
):
    before = current_analysis(track)
    assert before is not None
    made = correct_grid(
        member=resident, track=track, seen=str(before.pk), change=half_a_beat_later, words="half a beat later"
    )
    on_old = factories.eight_markers(before)
    draft = factories.draft(track, crate.convention_version)
    assert draft.analysis == made
    sheet = approved(lead, resident, track, crate, on_old)
    assert set(told(sheet).values()) == {"moved"}
    offs = MarkerFate.objects.filter(slot__lt=7).values_list("off_beats", flat=True)
    # The first beat of the corrected grid lies half a beat before the old one.
    assert {round(off or 0, 4) for off in offs} == {0.5}
    assert MarkerFate.objects.values_list("engine", flat=True).first() == made.engine


@pytest.mark.django_db
def test_without_a_draft_on_the_corrected_grid_nothing_is_told(
    lead: Membership, resident: Membership, track: Track, crate: Crate
):
    before = current_analysis(track)
    assert before is not None
    correct_grid(member=resident, track=track, seen=str(before.pk), change=half_a_beat_later, words="later")
    assert told(approved(lead, resident, track, crate, factories.eight_markers(before))) == {}


@pytest.mark.django_db
def test_an_approval_that_is_undone_leaves_no_fates(lead: Membership, resident: Membership, track: Track, crate: Crate):
    seen = []

    def fails(row: Activity, subject: CrewRow) -> None:
        if row.verb == "approved":
            seen.append(MarkerFate.objects.count())
            raise RuntimeError("a later listener fails")

    activity.listen(fails)
    try:
        with pytest.raises(RuntimeError):
            approved(lead, resident, track, crate, markers(track))
    finally:
        activity._listeners.remove(fails)
    assert seen == [7]
    assert not MarkerFate.objects.exists()
    assert Proposal.objects.get().state == "open"


@pytest.mark.django_db
def test_a_record_that_comes_twice_changes_nothing(lead: Membership, resident: Membership, track: Track, crate: Crate):
    sheet = approved(lead, resident, track, crate, markers(track, s2=8))
    before = rows()
    with transaction.atomic():
        note_approval(Activity.objects.filter(verb="approved").latest("created_at"), sheet.proposal)
    assert rows() == before


@pytest.mark.django_db
def test_counting_again_finds_what_was_written_and_fills_in_and_mends_what_was_not(
    lead: Membership, resident: Membership, track: Track, crate: Crate
):
    other = factories.analysed_track(resident, crate)
    factories.draft(other, crate.convention_version)
    sheet = approved(lead, resident, track, crate, [*markers(track, s2=32, s5=None), MarkerInput(7, 9_000_000)])
    approved(lead, resident, other, crate, markers(other, s8=-4))
    approved(lead, resident, other, crate, markers(other, s8=4))
    written = rows()
    assert recount() == (2, 0)
    assert rows() == written
    MarkerFate.objects.filter(sheet=sheet).delete()
    assert list(uncounted()) == [sheet]
    MarkerFate.objects.filter(slot=8).update(fate=Fate.KEPT, slot=16)
    assert recount() == (2, 2)
    assert rows() == written
    assert not uncounted().exists()


@pytest.mark.django_db
def test_the_command_says_how_many(capsys: pytest.CaptureFixture[str], lead, resident, track: Track, crate: Crate):
    approved(lead, resident, track, crate, markers(track))
    MarkerFate.objects.all().delete()
    call_command("recount_fates")
    assert "1 sheets made from drafts, 1 with other fates than before." in capsys.readouterr().out
