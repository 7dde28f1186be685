"""What differs between two states of a convention; the expected answers are worked out by hand."""

from __future__ import annotations

from typing import Any

import pytest

from crewprep.conventions.comparison import Comparison, compare_slots, labels_in_words, numbers_in_words
from crewprep.conventions.models import Slot
from crewprep.conventions.services import slots_from
from tests.factories.music import convention_document


def slots(*changes: tuple[int, dict[str, Any]], leave_out: tuple[int, ...] = ()) -> list[Slot]:
    """The eight slots with fields changed, by the old number, and some slots left out; in order of the new numbers."""
    document = convention_document()
    for number, fields in changes:
        document["slots"][number - 1].update(fields)
    kept = [slot for old, slot in enumerate(document["slots"], start=1) if old not in leave_out]
    return slots_from({**document, "slots": sorted(kept, key=lambda slot: slot["number"])})


def said(found: Comparison) -> dict[tuple[int | None, int | None], tuple[str, ...]]:
    """What differs, by old and new number."""
    return {
        (change.old.number if change.old else None, change.new.number if change.new else None): change.kinds
        for change in found.changes
        if change.kinds
    }


def test_the_same_slots_do_not_differ() -> None:
    found = compare_slots(slots(), slots())
    assert found.same
    assert {old: new.number for old, new in found.carried().items()} == {number: number for number in range(1, 9)}


@pytest.mark.parametrize(
    ("changes", "kinds"),
    [
        ({"name": "Way in"}, ("renamed",)),
        ({"function": "build-up"}, ("function",)),
        ({"which": "last"}, ("which",)),
        ({"kind": "loop", "loop_bars": 4}, ("kind",)),
        ({"lead_bars": 4}, ("lead",)),
        ({"snap_beats": 4.0}, ("snap",)),
        ({"required": False}, ("required",)),
        ({"colour": "black"}, ("look",)),
        ({"shape": "cross"}, ("look",)),
        ({"guidance": "Listen."}, ("guidance",)),
        ({"labels": ["Bells"]}, ("labels",)),
        ({"name": "Way in", "lead_bars": 4, "required": False}, ("renamed", "lead", "required")),
    ],
)
def test_each_field_is_told(changes: dict[str, Any], kinds: tuple[str, ...]) -> None:
    assert said(compare_slots(slots(), slots((1, changes)))) == {(1, 1): kinds}


def test_a_loop_of_another_length_is_told() -> None:
    assert said(compare_slots(slots(), slots((8, {"loop_bars": 8})))) == {(8, 8): ("loop length",)}


def test_two_slots_that_change_places_are_known_again() -> None:
    found = compare_slots(slots(), slots((4, {"number": 6}), (6, {"number": 4})))
    assert said(found) == {(4, 6): ("renumbered",), (6, 4): ("renumbered",)}
    assert found.carried()[4].which == "first"


def test_a_retired_slot_leaves_a_gap_and_the_others_stay() -> None:
    found = compare_slots(slots(), slots(leave_out=(3,)))
    assert said(found) == {(3, None): ("retired",)}
    assert sorted(found.carried()) == [1, 2, 4, 5, 6, 7, 8]


def test_closing_the_gap_moves_the_rest() -> None:
    closed: list[tuple[int, dict[str, Any]]] = [(number, {"number": number - 1}) for number in range(4, 9)]
    expected: dict[Any, Any] = {(number, number - 1): ("renumbered",) for number in range(4, 9)}
    assert said(compare_slots(slots(), slots(*closed, leave_out=(3,)))) == {(3, None): ("retired",), **expected}


def test_a_free_slot_is_its_name() -> None:
    """Another name in the same place is a slot renamed, whose marker still comes along."""
    found = compare_slots(slots(), slots((7, {"name": "Hook"})))
    assert said(found) == {(7, 7): ("renamed",)}
    assert not next(change for change in found.changes if change.new and change.new.number == 7).same_purpose
    moved = compare_slots(slots(), slots((7, {"number": 9})))
    assert said(moved) == {(7, 9): ("renumbered",)}


def test_another_purpose_under_the_same_number_carries_nothing() -> None:
    found = compare_slots(slots(), slots((5, {"name": "Voice", "function": "vocal", "which": "first"})))
    assert said(found) == {(5, None): ("retired",), (None, 5): ("added",)}
    assert 5 not in found.carried()


def test_of_two_slots_for_the_same_thing_the_same_number_comes_first() -> None:
    twice = (6, {"which": "first", "name": "First drop, again"})
    assert compare_slots(slots(twice), slots(twice)).same
    found = compare_slots(slots(), slots(twice))
    assert said(found) == {(6, 6): ("renamed", "which")}
    names = ((4, {"name": "First drop, again"}), (6, {"which": "first", "name": "First drop"}))
    assert said(compare_slots(slots(twice), slots(*names))) == {(4, 4): ("renamed",), (6, 6): ("renamed",)}


@pytest.mark.parametrize(
    ("numbers", "words"),
    [((1, 2, 3, 4), "1 to 4"), ((1, 2), "1 and 2"), ((1, 2, 3, 6, 8), "1 to 3, 6 and 8"), ((5,), "5"), ((), "")],
)
def test_numbers_in_words(numbers: tuple[int, ...], words: str) -> None:
    assert numbers_in_words(numbers) == words


def test_labels_in_words() -> None:
    assert labels_in_words(["Bells"]) == "“Bells”"
    assert labels_in_words(["Bells", "Choir", "Strings"]) == "“Bells”, “Choir” or “Strings”"
