"""Drills from beginning to end: begun, kept, handed in, scored, dropped."""

from __future__ import annotations

import pytest

from crewprep.activity.models import Activity
from crewprep.common.errors import Conflict, Invalid, NotFound, Refused
from crewprep.crates.models import Crate
from crewprep.crews.models import Membership, Role
from crewprep.onboarding.drills import begin_drill, drill_for, drills_of, drop_drill, hand_in, keep_drill, open_drill
from crewprep.onboarding.models import Drill, Sight, SlotCard
from crewprep.onboarding.sights import note_sight
from crewprep.sheets.markers import MarkerInput
from crewprep.sheets.models import SheetVersion
from tests import factories
from tests.onboarding.scene import approved_sheet, late, right_markers

pytestmark = pytest.mark.django_db

BEAT_US = 468_750
"""At the 128 BPM of the made-up tracks."""


@pytest.fixture
def sheet(lead: Membership, resident: Membership, crate: Crate) -> SheetVersion:
    return approved_sheet(lead, resident, crate)


@pytest.fixture
def drill(newcomer: Membership, sheet: SheetVersion) -> Drill:
    return begin_drill(member=newcomer, seed=1)


def test_a_drill_hides_an_approved_sheet(drill: Drill, sheet: SheetVersion, newcomer: Membership) -> None:
    assert (drill.sheet, drill.track, drill.markers, drill.handed_in_at) == (sheet, sheet.track, [], None)
    assert open_drill(newcomer) == drill
    assert not Sight.objects.filter(membership=newcomer).exists()


def test_the_open_drill_is_given_back(
    lead: Membership, resident: Membership, crate: Crate, drill: Drill, newcomer: Membership
) -> None:
    approved_sheet(lead, resident, crate)
    assert begin_drill(member=newcomer) == drill


def test_without_an_approved_sheet_there_is_nothing_to_drill_on(newcomer: Membership, crate: Crate) -> None:
    with pytest.raises(Conflict) as refused:
        begin_drill(member=newcomer)
    assert refused.value.code == "drill:none-left"


def test_a_track_is_drilled_on_once(drill: Drill, newcomer: Membership) -> None:
    hand_in(member=newcomer, drill=drill, markers=right_markers(drill), seen_revision=1)
    with pytest.raises(Conflict, match="none-left"):
        begin_drill(member=newcomer)


def test_kept_markers_come_back(drill: Drill, newcomer: Membership) -> None:
    kept = keep_drill(member=newcomer, drill=drill, markers=[MarkerInput(4, 1_000)], seen_revision=1)
    assert (kept.revision, kept.markers) == (2, [{"slot": 4, "start_us": 1_000, "end_us": None}])


def test_another_window_loses_nothing(drill: Drill, newcomer: Membership) -> None:
    keep_drill(member=newcomer, drill=drill, markers=[MarkerInput(4, 1_000)], seen_revision=1)
    with pytest.raises(Conflict) as refused:
        keep_drill(member=newcomer, drill=drill, markers=[MarkerInput(5, 2_000)], seen_revision=1)
    assert refused.value.code == "drill:other-window"
    assert "Nothing is lost" in refused.value.sentence
    drill.refresh_from_db()
    assert drill.markers[0]["slot"] == 4


def test_keeping_again_after_a_lost_answer_is_no_conflict(drill: Drill, newcomer: Membership) -> None:
    for _ in range(2):
        kept = keep_drill(member=newcomer, drill=drill, markers=[MarkerInput(4, 1_000)], seen_revision=1)
    assert kept.revision == 2


def test_each_slot_is_scored_and_due_again(drill: Drill, newcomer: Membership) -> None:
    markers = [one for one in late(right_markers(drill), 4, 32 * BEAT_US) if one.slot != 2]
    done = hand_in(member=newcomer, drill=drill, markers=[*markers, MarkerInput(7, 5_000_000)], seen_revision=1)
    scores = {one.slot: one for one in done.scores.all()}
    assert {slot: one.miss for slot, one in scores.items()} == {
        1: "exact", 2: "missing", 3: "exact", 4: "phrase", 5: "exact", 6: "exact", 7: "extra", 8: "exact"
    }  # fmt: skip
    assert (scores[4].function, scores[4].which, scores[4].phrases, scores[4].off_us) == (
        "drop",
        "first",
        1,
        15_000_000,
    )
    assert (scores[8].function, scores[8].length_off_beats) == ("exit loop", 0)
    due = {(card.function, card.which): card.due_at for card in SlotCard.objects.filter(membership=newcomer)}
    assert len(due) == 8
    assert due["drop", "first"] < due["drop", "strongest"]


def test_handing_in_is_recorded_without_figures_or_names(drill: Drill, newcomer: Membership) -> None:
    hand_in(member=newcomer, drill=drill, markers=right_markers(drill), seen_revision=1)
    row = Activity.objects.get(verb="drill handed in")
    assert (row.actor, row.subject_id, row.details) == (newcomer.user, drill.pk, {"track": drill.track.title})


def test_handing_in_twice_changes_nothing(drill: Drill, newcomer: Membership) -> None:
    for _ in range(2):
        done = hand_in(member=newcomer, drill=drill, markers=right_markers(drill), seen_revision=1)
    assert done.scores.count() == 7
    assert Activity.objects.filter(verb="drill handed in").count() == 1


def test_handing_in_shows_the_sheet(drill: Drill, newcomer: Membership) -> None:
    hand_in(member=newcomer, drill=drill, markers=right_markers(drill), seen_revision=1)
    assert Sight.objects.filter(membership=newcomer, track=drill.track).exists()


def test_a_drill_on_what_was_seen_meanwhile_proves_nothing(drill: Drill, newcomer: Membership) -> None:
    note_sight(newcomer, [drill.track_id])
    with pytest.raises(Conflict) as refused:
        hand_in(member=newcomer, drill=drill, markers=right_markers(drill), seen_revision=1)
    assert refused.value.code == "drill:seen"
    drill.refresh_from_db()
    assert drill.handed_in_at is None


@pytest.mark.parametrize(
    ("markers", "code"),
    [
        ([], "drill:empty"),
        ([MarkerInput(9, 0)], "marker:unknown-slot"),
        ([MarkerInput(8, 0)], "marker:loop-without-end"),
        ([MarkerInput(1, 10**12)], "marker:outside"),
    ],
)
def test_markers_that_cannot_stand_are_not_handed_in(
    drill: Drill, newcomer: Membership, markers: list[MarkerInput], code: str
) -> None:
    with pytest.raises(Invalid) as refused:
        hand_in(member=newcomer, drill=drill, markers=markers, seen_revision=1)
    assert refused.value.code == code


def test_what_is_handed_in_stays(drill: Drill, newcomer: Membership) -> None:
    done = hand_in(member=newcomer, drill=drill, markers=right_markers(drill), seen_revision=1)
    with pytest.raises(Conflict, match="handed-in"):
        keep_drill(member=newcomer, drill=done, markers=[], seen_revision=2)
    with pytest.raises(Conflict, match="handed-in"):
        hand_in(member=newcomer, drill=done, markers=[MarkerInput(1, 0)], seen_revision=2)
    with pytest.raises(Conflict, match="handed-in"):
        drop_drill(member=newcomer, drill=done)


def test_a_dropped_drill_is_gone_and_its_track_may_come_again(drill: Drill, newcomer: Membership) -> None:
    drop_drill(member=newcomer, drill=drill)
    drop_drill(member=newcomer, drill=drill)
    assert open_drill(newcomer) is None
    assert begin_drill(member=newcomer).track == drill.track


def test_only_its_member_and_the_leads_see_a_drill(
    drill: Drill, newcomer: Membership, lead: Membership, resident: Membership
) -> None:
    assert drill_for(newcomer, drill.pk) == drill_for(lead, drill.pk) == drill
    with pytest.raises(Refused):
        drill_for(resident, drill.pk)
    with pytest.raises(NotFound):
        drill_for(factories.crew_with(), drill.pk)
    assert list(drills_of(newcomer)) == [drill]
    assert not drills_of(lead).exists()


def test_nobody_works_on_anothers_drill(drill: Drill, lead: Membership) -> None:
    with pytest.raises(Refused):
        keep_drill(member=lead, drill=drill, markers=[], seen_revision=1)
    with pytest.raises(Refused):
        hand_in(member=lead, drill=drill, markers=right_markers(drill), seen_revision=1)
    with pytest.raises(Refused):
        drop_drill(member=lead, drill=drill)


def test_a_resident_may_practise_on_what_others_prepared(sheet: SheetVersion, lead: Membership) -> None:
    other = factories.member_of(lead.crew, Role.RESIDENT)
    assert begin_drill(member=other).sheet == sheet
