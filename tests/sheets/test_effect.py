"""What other rules do to sheets: each reason on its own, and all of it against an oracle made of house checks."""

from __future__ import annotations

from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from analysis_worker.core.convention import FUNCTIONS, SNAPS_BEATS
from crewprep.analysis.musical_time import MusicalTime
from crewprep.conventions.comparison import compare_slots
from crewprep.conventions.models import Slot
from crewprep.conventions.services import slots_from
from crewprep.sheets.carrying import carry_over
from crewprep.sheets.effect import SheetView, needs_grid, reasons
from crewprep.sheets.house_checks import check_sheet
from crewprep.sheets.markers import MarkerInput
from crewprep.sheets.models import SheetMarker
from tests import factories
from tests.factories.music import convention_document

RESULT = factories.analysis_result()
GRID = MusicalTime.of(RESULT)
BEATS = RESULT.beats_us
MARKERS = {marker.slot: (marker.start_us, marker.end_us) for marker in factories.eight_markers(RESULT)}
"""Slots 1 to 6 and 8; slot 8 is a loop of four bars, slot 7 is empty."""


def eight(*changes: tuple[int, dict[str, Any]], leave_out: tuple[int, ...] = ()) -> list[Slot]:
    document = convention_document()
    for number, fields in changes:
        document["slots"][number - 1].update(fields)
    kept = [slot for old, slot in enumerate(document["slots"], start=1) if old not in leave_out]
    return slots_from({**document, "slots": sorted(kept, key=lambda slot: slot["number"])})


def why(
    new: list[Slot],
    markers: dict[int, Any] | None = None,
    *,
    old: list[Slot] | None = None,
    labels: dict[int, str] | None = None,
) -> list[tuple[str, int]]:
    view = SheetView(MARKERS if markers is None else markers, labels=labels or {})
    return [(reason.kind, reason.slot) for reason in reasons(compare_slots(old or eight(), new), view, GRID)]


@pytest.mark.parametrize(
    ("new", "expected"),
    [
        (eight(), []),
        (eight((1, {"name": "Way in"})), []),
        (eight((1, {"colour": "black", "guidance": ""})), []),
        (eight((1, {"required": False})), []),
        (eight((7, {"required": True})), [("needed", 7)]),
        (eight((7, {"name": "Hook"})), []),  # nobody marked anything there
        (eight(leave_out=(7,)), []),
        (eight(leave_out=(3,)), [("retired", 3)]),
        (eight((4, {"number": 6}), (6, {"number": 4})), [("renumbered", 4), ("renumbered", 6)]),
        (eight((4, {"which": "last"})), [("which", 4)]),
        (eight((4, {"function": "build-up", "which": "last"})), [("function", 4), ("needed", 4)]),
        (eight((8, {"loop_bars": 8})), [("loop too short", 8)]),
        (eight((8, {"loop_bars": 2})), [("loop too long", 8)]),
        (eight((8, {"kind": "point", "loop_bars": None})), [("kind", 8)]),
        (eight((2, {"lead_bars": 8})), [("lead", 2)]),
        (eight((1, {"snap_beats": 4.0})), []),  # it stands on a bar line
    ],
)
def test_each_reason(new: list[Slot], expected: list[tuple[str, int]]) -> None:
    assert why(new) == expected


def test_a_marker_within_a_bar_is_off_a_coarser_snap() -> None:
    late = {**MARKERS, 1: (BEATS[1], None)}
    assert why(eight((1, {"snap_beats": 4.0})), late) == [("snap", 1)]
    assert why(eight((1, {"snap_beats": 1.0})), late) == []
    off_both = {**MARKERS, 1: (BEATS[1] + 40_000, None)}
    assert why(eight((1, {"snap_beats": 4.0})), off_both) == [], "it stood on no grid before"


def test_a_free_slot_that_is_marked_and_renamed() -> None:
    marked = {**MARKERS, 7: (BEATS[200], None)}
    assert why(eight((7, {"name": "Hook"})), marked) == [("renamed", 7)]
    assert why(eight((7, {"name": "vocal or RIFF"})), marked) == []


def test_a_label_that_is_not_agreed_any_more() -> None:
    asked = eight((4, {"labels": ["Big", "Small"]}))
    assert why(asked, labels={4: " BIG "}) == []
    assert why(asked, labels={4: "huge"}) == [("label", 4)]
    assert why(asked) == [("label", 4)], "a marker without a label has none of them"
    assert why(asked, {1: MARKERS[1]}, labels={}) == [], "nothing is marked there"
    assert why(eight(), old=asked, labels={4: "big"}) == [], "any label will do"
    fewer = eight((4, {"labels": ["Small"]}))
    assert why(fewer, old=asked, labels={4: "big"}) == [("label", 4)]
    assert why(fewer, old=asked, labels={4: "huge"}) == [], "it was wrong before, so it is no news"
    marked = {**MARKERS, 7: (BEATS[200], None)}
    assert why(eight((7, {"labels": ["bells"]})), marked) == [], "a free slot without a label was wrong before"
    assert why(eight((7, {"labels": ["bells"]})), marked, labels={7: "choir"}) == [("label", 7)]
    moved = eight((7, {"number": 9, "labels": ["bells"]}))
    assert why(moved, marked, labels={7: "choir"}) == [("renumbered", 9), ("label", 9)]


def test_a_loop_that_was_longer_than_asked_for_may_be_right_now() -> None:
    longer = {**MARKERS, 8: (BEATS[80 * 4], BEATS[88 * 4])}
    assert why(eight((8, {"loop_bars": 8})), longer) == []
    comparison = compare_slots(eight(), eight((8, {"loop_bars": 8})))
    assert not needs_grid(comparison, SheetView(MARKERS)), (
        "as long as the old rules ask for, so known without the facts"
    )
    assert needs_grid(comparison, SheetView(longer, frozenset({8})))
    assert needs_grid(comparison, SheetView(longer, None))


def test_what_was_missing_before_is_no_news() -> None:
    few = {1: MARKERS[1]}
    assert why(eight((1, {"name": "Way in"})), few) == []
    assert why(eight((3, {"which": "last"})), few) == [("needed", 3)]


def test_sentences_read_well() -> None:
    new = eight((4, {"number": 6}), (6, {"number": 4}), (7, {"required": True}), (8, {"loop_bars": 8}), leave_out=(2,))
    found = reasons(compare_slots(eight(), new), SheetView(MARKERS), GRID)
    assert [reason.sentence for reason in found] == [
        "Slot 2, First breakdown, is retired; its marker stays behind.",
        "Slot 6, Strongest drop, is slot 4 now.",
        "Slot 4, First drop, is slot 6 now.",
        "It needs slot 7, Vocal or riff.",
        "The loop in slot 8 lasts 4 bars where 8 are asked for now.",
    ]
    asked = eight((1, {"labels": ["Bells"]}), (2, {"labels": ["Bells", "Choir", "Strings"]}))
    found = reasons(compare_slots(eight(), asked), SheetView(MARKERS, labels={1: "drums"}), GRID)
    assert [reason.sentence for reason in found] == [
        "Slot 1 asks for the label “Bells” now, and its marker has “drums”.",
        "Slot 2 asks for the label “Bells”, “Choir” or “Strings” now, and its marker has none.",
    ]


# The oracle: a number says the same as before, and the house checks find nothing new.

_EVENTS = [(function, which) for function in FUNCTIONS if function != "free" for which in ("first", "last")]
_FREE = [("free", name) for name in ("bells", "strings", "choir")]
_AGREED = ((), (), ("high",), ("High", "low"), ("low", "hum"))
LABELS = st.sampled_from(("", "high", " HIGH ", "low", "noise"))

Markers = dict[int, tuple[int, int | None]]
Labels = dict[int, str]
Case = tuple[list[Slot], list[Slot], Markers, Labels]


@st.composite
def conventions(draw: st.DrawFn) -> list[Slot]:
    """Four to six slots with gaps, no two for the same thing."""
    purposes = draw(st.lists(st.sampled_from(_EVENTS[:6] + _FREE), min_size=4, max_size=6, unique=True))
    numbers = sorted(draw(st.lists(st.integers(1, 7), min_size=len(purposes), max_size=len(purposes), unique=True)))
    found = []
    for number, (function, which) in zip(numbers, purposes, strict=True):
        kind = draw(st.sampled_from(("point", "point", "loop")))
        found.append(
            Slot(
                number=number, function=function, which="first" if function == "free" else which,
                name=which if function == "free" else f"{which} {function}", kind=kind,
                loop_bars=draw(st.sampled_from((2, 4))) if kind == "loop" else None,
                lead_bars=draw(st.sampled_from((0, 0, 4))), snap_beats=draw(st.sampled_from(SNAPS_BEATS)),
                required=draw(st.booleans()), colour="black", shape="circle",
                labels=list(draw(st.sampled_from(_AGREED))),
            )
        )  # fmt: skip
    return found


@st.composite
def cases(draw: st.DrawFn) -> Case:
    """Old rules, new rules (the old ones with some fields and numbers changed, or others altogether), and a sheet."""
    old = draw(conventions())
    new = draw(conventions())
    if draw(st.booleans()):
        numbers = [slot.number for slot in old]
        if draw(st.booleans()):
            numbers = draw(st.permutations(numbers))
        new = [
            Slot(
                number=number, function=slot.function, which=slot.which, name=slot.name, kind=slot.kind,
                loop_bars=draw(st.sampled_from((2, 4))) if slot.kind == "loop" else None,
                lead_bars=draw(st.sampled_from((slot.lead_bars, 0))),
                snap_beats=draw(st.sampled_from((slot.snap_beats, 4.0))), required=draw(st.booleans()),
                colour="black", shape="circle",
                labels=list(draw(st.sampled_from((slot.labels, slot.labels, *_AGREED)))),
            )
            for number, slot in zip(numbers, old, strict=True)
        ]  # fmt: skip
        for _ in range(len(new) - 4):
            if draw(st.booleans()):
                new.remove(draw(st.sampled_from(new)))
    markers: Markers = {}
    for slot in old:
        if draw(st.booleans()):
            start = draw(st.sampled_from((16, 17, 18, 64)))
            length = draw(st.sampled_from((2, 4, 4))) * 4
            markers[slot.number] = (BEATS[start], BEATS[start + length] if slot.kind == "loop" else None)
    return old, new, markers, {number: draw(LABELS) for number in markers}


def says(slot: Slot) -> tuple[object, ...]:
    """What a number says to somebody who reads it off a sheet."""
    return (slot.function, "" if slot.function == "free" else slot.which, slot.name if slot.function == "free" else "",
            slot.kind, slot.lead_bars)  # fmt: skip


def found(slots: list[Slot], markers: Markers, labels: Labels, check: str) -> set[int]:
    given = [MarkerInput(number, *times, label=labels[number]) for number, times in markers.items()]
    return {finding.slot for finding in check_sheet(given, slots, RESULT, {check: "note"}) if finding.check == check}


def changed(old: list[Slot], new: list[Slot], markers: Markers, labels: Labels) -> bool:
    """Whether the sheet, left as it is, says something else or too little under the new rules."""
    before, after = {slot.number: slot for slot in old}, {slot.number: slot for slot in new}
    for number in markers:
        if number not in after or says(before[number]) != says(after[number]):
            return True
        if before[number].loop_bars != after[number].loop_bars and number in found(new, markers, labels, "loop-length"):
            return True
        for check in ("grid", "label"):
            if number in found(new, markers, labels, check) - found(old, markers, labels, check):
                return True
    asked = {says(slot)[:3]: slot for slot in old if slot.required}
    for slot in new:
        known = asked.get(says(slot)[:3])
        missed_before = known is not None and known.number not in markers
        if slot.required and slot.number not in markers and not missed_before:
            return True
    return False


@settings(max_examples=600, deadline=None)
@given(cases())
def test_exactly_the_sheets_whose_meaning_changes_have_a_reason(case: Case) -> None:
    old, new, markers, labels = case
    given_reasons = reasons(compare_slots(old, new), SheetView(markers, None, labels), GRID)
    assert bool(given_reasons) == changed(old, new, markers, labels), given_reasons


@settings(max_examples=300, deadline=None)
@given(cases())
def test_the_facts_are_read_only_where_they_change_the_answer(case: Case) -> None:
    old, new, markers, labels = case
    odd = frozenset(found(old, markers, labels, "loop-length"))
    comparison, view = compare_slots(old, new), SheetView(markers, odd, labels)
    if not needs_grid(comparison, view):
        assert reasons(comparison, view) == reasons(comparison, view, GRID)


@settings(max_examples=300, deadline=None)
@given(cases())
def test_markers_are_carried_by_function_and_keep_their_times(case: Case) -> None:
    old, new, markers, labels = case
    given_rows = [
        SheetMarker(slot=number, start_us=start, end_us=end, label=labels[number])
        for number, (start, end) in markers.items()
    ]
    carried = carry_over(given_rows, compare_slots(old, new), GRID.loop_end)
    before, after = {slot.number: slot for slot in old}, {slot.number: slot for slot in new}
    assert len({marker.slot for marker in carried}) == len(carried)
    # Each stands in a slot of a function that a marker of the sheet had, at that marker's time with its label.
    pairs = {(before[number].function, start, labels[number]) for number, (start, _) in markers.items()}
    assert {(after[marker.slot].function, marker.start_us, marker.label) for marker in carried} <= pairs
    assert all((marker.end_us is not None) == (after[marker.slot].kind == "loop") for marker in carried)
    # Whatever has the same purpose under both rules is there.
    where = {says(slot)[:3]: slot.number for slot in new}
    for number, (start, _) in markers.items():
        at = where.get(says(before[number])[:3])
        assert at is None or any(marker.slot == at and marker.start_us == start for marker in carried)
    # Under the same rules nothing changes; back and forth comes what both know.
    assert [marker.slot for marker in carry_over(given_rows, compare_slots(old, old))] == sorted(markers)
