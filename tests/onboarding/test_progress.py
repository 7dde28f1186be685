"""What drills show of a member, held to figures that were worked out by hand and to other implementations."""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass

import pytest
from django.db import connection
from django.test.utils import CaptureQueriesContext
from django.utils import timezone
from hypothesis import given
from hypothesis import strategies as st

from crewprep.analysis.musical_time import MusicalTime
from crewprep.common.errors import NotFound, Refused
from crewprep.crates.models import Crate
from crewprep.crews.models import Membership
from crewprep.onboarding.figures import NOTHING, Pooled, Share, taken_for
from crewprep.onboarding.progress import functions_set, newcomers_of, progress_for, progress_of
from crewprep.onboarding.scoring import score
from crewprep.sheets.markers import MarkerInput
from crewprep.sheets.publishing import publish_document
from tests import factories
from tests.factories.music import analysis_result, convention_document

TIME = MusicalTime.of(analysis_result())
FUNCTIONS = {slot["number"]: slot["function"] for slot in convention_document()["slots"]}
ALL_RIGHT = Share(7, 7)


@pytest.mark.django_db
def test_nobody_has_drilled_yet(newcomer: Membership, crate: Crate) -> None:
    progress = progress_of(newcomer)
    assert (progress.drills, progress.weeks, progress.half_second) == ((), (), None)
    assert [one.name for one in progress.slots][:2] == ["Mix-in", "First breakdown"]
    assert progress.within["beat"].trials == 0
    assert progress.slots[0].usual is None


@pytest.mark.django_db
def test_shares_are_of_the_slots_that_the_sheet_has(lead: Membership, newcomer: Membership, crate: Crate) -> None:
    first, second = factories.approved_sheet(lead, crate), factories.approved_sheet(lead, crate)
    # Half a beat, three beats and 32 beats (a phrase) late; slot 5 left out; slot 7 is not in the sheet.
    factories.drill(newcomer, first, {1: 0.5, 2: 3.0, 4: 32.0, 5: None}, placed={7: first.analysis.result.beats_us[90]})
    factories.drill(newcomer, second)
    progress = progress_of(newcomer)
    one = progress.drills[0]
    assert {limit: share.successes for limit, share in one.within.items()} == {
        "quarter": 3, "beat": 4, "bar": 5, "phrase": 6,
    }  # fmt: skip
    assert {share.trials for share in one.within.values()} == {7}
    assert (one.extra, progress.extra) == (1, 1)
    assert progress.drills[1].within["quarter"] == ALL_RIGHT
    assert progress.within["beat"] == Pooled((Share(4, 7), ALL_RIGHT))
    by_number = {slot.slot.number: slot for slot in progress.slots if slot.slot}
    assert by_number[5].within["phrase"] == Share(1, 2)
    assert by_number[7].within["beat"] == Share(0, 0)
    assert by_number[7].extra == 1
    usual = by_number[4].usual
    assert usual is not None
    assert (usual.miss, usual.times, usual.phrases) == ("phrase", 1, 1)
    assert progress.latest(1)["beat"] == Pooled((ALL_RIGHT,))


@pytest.mark.django_db
def test_places_found_are_as_mir_eval_finds_them(lead: Membership, newcomer: Membership, crate: Crate) -> None:
    """mir_eval.onset.f_measure with the same windows, on the same times in seconds; the mean of the two drills."""
    mir_eval = pytest.importorskip("mir_eval")
    np = pytest.importorskip("numpy")
    sheets = [factories.approved_sheet(lead, crate) for _ in range(2)]
    # At 128 BPM a beat is 469 ms: half a beat lies within half a second, and not within a quarter of a beat.
    drills = [factories.drill(newcomer, sheets[0], {1: 0.5, 2: 1.5, 3: None}), factories.drill(newcomer, sheets[1])]
    progress = progress_of(newcomer)
    for window, found in ((0.5, "half_second"), (60 / 128 / 4, "quarter_beat")):
        expected = [
            mir_eval.onset.f_measure(
                np.array(sorted(marker.start_us / 1e6 for marker in sheet.markers.all())),
                np.array(sorted(marker["start_us"] / 1e6 for marker in drill.markers)), window=window,
            )[0]
            for sheet, drill in zip(sheets, drills, strict=True)
        ]  # fmt: skip
        assert [getattr(one, found) for one in progress.drills] == pytest.approx(expected)
        assert getattr(progress, found) == pytest.approx(sum(expected) / 2)
    assert progress.drills[0].half_second > progress.drills[0].quarter_beat


@pytest.mark.django_db
def test_weeks_begin_on_monday_where_the_service_is(lead: Membership, newcomer: Membership, crate: Crate) -> None:
    zone = timezone.get_default_timezone()
    sunday, monday = dt.datetime(2027, 6, 6, 23, 30, tzinfo=zone), dt.datetime(2027, 6, 7, 0, 30, tzinfo=zone)
    for at in (sunday, monday, monday + dt.timedelta(days=15)):
        factories.drill(newcomer, factories.approved_sheet(lead, crate), at=at)
    weeks = progress_of(newcomer).weeks
    assert [(week.monday, week.drills) for week in weeks] == [
        (dt.date(2027, 5, 31), 1), (dt.date(2027, 6, 7), 1), (dt.date(2027, 6, 21), 1),
    ]  # fmt: skip


@pytest.mark.django_db
def test_a_slot_is_what_it_is_for(lead: Membership, newcomer: Membership, crate: Crate) -> None:
    """Another version numbers and names the slots anew, and has no exit loop."""
    factories.drill(newcomer, factories.approved_sheet(lead, crate), {4: 1.5})
    document = convention_document(slots=4)
    for slot in document["slots"]:
        slot["number"], slot["name"] = 5 - slot["number"], f"Our {slot['name'].lower()}"
    document["slots"].reverse()
    publish_document(member=lead, document=document)
    slots = progress_of(newcomer).slots
    assert [one.name for one in slots[:2]] == ["Our first drop", "Our first build-up"]
    assert slots[0].within["beat"] == Share(0, 1)
    assert [one.name for one in slots[4:]] == ["breakdown, second", "drop, strongest", "exit loop, last"]


@pytest.mark.django_db
def test_drills_that_are_not_handed_in_count_for_nothing(lead: Membership, newcomer: Membership, crate: Crate) -> None:
    made = factories.drill(newcomer, factories.approved_sheet(lead, crate))
    type(made).objects.filter(pk=made.pk).update(handed_in_at=None)
    assert progress_of(newcomer).drills == ()
    assert newcomers_of(lead) == [(newcomer, ())]


@pytest.mark.django_db
def test_who_may_look(lead: Membership, resident: Membership, newcomer: Membership) -> None:
    stranger = factories.crew_with()
    assert progress_for(newcomer, newcomer.pk).other == newcomer
    assert progress_for(lead, newcomer.pk).other == newcomer
    with pytest.raises(Refused, match="progress:lead-only"):
        progress_for(resident, newcomer.pk)
    with pytest.raises(NotFound):
        progress_for(stranger, newcomer.pk)


@pytest.mark.django_db
def test_many_drills_ask_no_more_than_few(lead: Membership, newcomer: Membership, crate: Crate) -> None:
    def asked() -> tuple[int, int]:
        with CaptureQueriesContext(connection) as progress:
            progress_of(newcomer)
        with CaptureQueriesContext(connection) as newcomers:
            newcomers_of(lead)
        return len(progress), len(newcomers)

    factories.drill(newcomer, factories.approved_sheet(lead, crate))
    few = asked()
    for _ in range(5):
        factories.drill(newcomer, factories.approved_sheet(lead, crate), {4: None})
    assert asked() == few == (6, 2)


@pytest.mark.django_db
def test_the_list_of_newcomers_says_the_same(lead: Membership, newcomer: Membership, crate: Crate) -> None:
    for off in ({1: 1.0, 2: 1.01}, {8: None, 3: -0.9}):
        sheet = factories.approved_sheet(lead, crate)
        factories.drill(newcomer, sheet, off, placed={7: sheet.analysis.result.beats_us[90]})
    ((other, shares),) = newcomers_of(lead)
    assert other == newcomer
    assert (
        list(shares) == [drill.within["beat"] for drill in progress_of(newcomer).drills] == [Share(6, 7), Share(6, 7)]
    )


@dataclass(frozen=True)
class Row:
    """As much of a score as a confusion needs."""

    slot: int
    function: str
    miss: str
    other_slot: int | None


def at(beat: float) -> int:
    return TIME.time(beat)


SHEETS = st.lists(st.integers(0, 90), unique=True, max_size=8).map(
    lambda bars: {slot: bar * 4.0 for slot, bar in enumerate(bars, start=1)}
)
"""Places on bar lines, so that no two lie within a beat of each other."""


PLACED = st.dictionaries(
    st.integers(1, 8), st.tuples(st.integers(0, 9), st.sampled_from([0.0, 0.2, -0.8, 1.4, 32.0])), max_size=8
)


@given(truth=SHEETS, near=PLACED)
def test_functions_set_as_the_grid_has_it(truth: dict[int, float], near: dict[int, tuple[int, float]]) -> None:
    """Read off the scores alone, it is what ``figures.taken_for`` finds on the grid."""
    places = [*truth.values(), 17.0, 173.5]
    placed = {slot: max(0.0, places[place % len(places)] + off) for slot, (place, off) in near.items()}
    right = [MarkerInput(slot, at(beat)) for slot, beat in truth.items()]
    theirs = [MarkerInput(slot, at(beat)) for slot, beat in placed.items()]
    rows = [Row(one.slot, FUNCTIONS[one.slot], one.miss, one.other) for one in score(right, theirs, TIME)]
    expected = taken_for(right, theirs, FUNCTIONS, TIME)
    starts = ({one.slot: one.start_us for one in markers} for markers in (right, theirs))
    assert sorted(functions_set(rows, *starts)) == sorted(expected)


def test_a_marker_at_another_place_is_that_function() -> None:
    rows = [Row(3, "build-up", "function", 4), Row(4, "drop", "missing", None), Row(7, "free", "extra", None)]
    pairs = functions_set(rows, {3: 0, 4: 15_000_000}, {3: 15_100_000, 7: 40_000_000})
    assert pairs == [("build-up", NOTHING), ("drop", "build-up"), (NOTHING, "free")]
