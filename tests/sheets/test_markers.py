"""Markers as people send them, and how two sets of them differ."""

from __future__ import annotations

from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from crewprep.common.errors import Invalid
from crewprep.conventions.models import ConventionVersion
from crewprep.sheets.markers import MarkerInput, check_markers, compare
from crewprep.sheets.models import SheetMarker
from tests import factories

LENGTH_US = 180_000_000


@pytest.fixture
def version(db: None) -> ConventionVersion:
    return factories.convention(factories.crew_with())


@pytest.mark.parametrize(
    ("markers", "code"),
    [
        ([MarkerInput(9, 0)], "marker:unknown-slot"),
        ([MarkerInput(0, 0)], "marker:unknown-slot"),
        ([MarkerInput(1, 0), MarkerInput(1, 5)], "marker:slot-twice"),
        ([MarkerInput(1, -1)], "marker:outside"),
        ([MarkerInput(1, LENGTH_US)], "marker:outside"),
        ([MarkerInput(8, 0, LENGTH_US + 1)], "marker:outside"),
        ([MarkerInput(1, 0, 5)], "marker:point-with-end"),
        ([MarkerInput(8, 10)], "marker:loop-without-end"),
        ([MarkerInput(8, 10, 10)], "marker:loop-without-end"),
    ],
)
def test_markers_that_cannot_stand(version: ConventionVersion, markers: list[MarkerInput], code: str) -> None:
    with pytest.raises(Invalid) as refusal:
        check_markers(markers, version=version, duration_us=LENGTH_US)
    assert refusal.value.code == code
    assert "{" not in refusal.value.sentence


def test_markers_come_back_in_slot_order(version: ConventionVersion) -> None:
    given_markers = [MarkerInput(8, 5, 10), MarkerInput(1, LENGTH_US - 1), MarkerInput(4, 0)]
    checked = check_markers(given_markers, version=version, duration_us=LENGTH_US)
    assert [marker.slot for marker in checked] == [1, 4, 8]


@pytest.mark.parametrize(
    "values",
    [
        None,
        "4",
        {},
        {"slot": "4", "start_us": 1},
        {"slot": 4, "start_us": 1.5},
        {"slot": True, "start_us": 1},
        {"slot": 4, "start_us": 2**70},
        {"slot": 4, "start_us": 1, "end_us": "x"},
    ],
)
def test_malformed_markers_are_said_in_words(values: Any) -> None:
    with pytest.raises(Invalid):
        MarkerInput.from_values(values)


def test_labels_are_cut_to_what_the_table_holds() -> None:
    assert len(MarkerInput.from_values({"slot": 1, "start_us": 1, "label": "x" * 500}).label) == 60


_sets = st.dictionaries(st.integers(1, 16), st.integers(0, 10**9), max_size=16)


@given(_sets, _sets)
def test_compare_accounts_for_every_slot_once(old: dict[int, int], new: dict[int, int]) -> None:
    changes = compare(
        [SheetMarker(slot=slot, start_us=at) for slot, at in old.items()],
        [SheetMarker(slot=slot, start_us=at) for slot, at in new.items()],
    )
    assert [change.slot for change in changes] == sorted(old.keys() | new.keys())
    for change in changes:
        expected = (
            "added" if change.slot not in old
            else "dropped" if change.slot not in new
            else "kept" if old[change.slot] == new[change.slot]
            else "moved"
        )  # fmt: skip
        assert change.kind == expected
        if change.kind == "moved":
            assert change.moved_us == new[change.slot] - old[change.slot]
