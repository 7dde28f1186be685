"""Each miss is named as a teacher would: what is said of typical slips on a track of 96 bars in phrases of eight."""

from __future__ import annotations

from dataclasses import dataclass, replace

import pytest

from crewprep.analysis.musical_time import MusicalTime
from crewprep.conventions.models import Slot
from crewprep.onboarding.scoring import MISSES, score
from crewprep.sheets.markers import MarkerInput
from crewprep.web.drill_words import TONES, beats_words, miss_words, span_words
from tests import factories
from tests.factories.music import convention_document

RESULT = factories.analysis_result()
GRID = MusicalTime.of(RESULT)
SHEET = {marker.slot: marker for marker in factories.eight_markers(RESULT)}
SLOTS = {
    slot["number"]: Slot(**{key: value for key, value in slot.items() if key != "labels"})
    for slot in convention_document()["slots"]
}


@dataclass(frozen=True)
class Told:
    """A score as the database has it."""

    slot: int
    miss: str
    off_us: int | None
    off_beats: float | None
    phrases: int | None
    other_slot: int | None
    length_off_beats: float | None


def words(slot: int, at: float | None, *, end: float | None = None, grid: MusicalTime = GRID) -> str:
    """What is said where a slot was marked so many beats late; None leaves it out, everything else is right."""
    yours = dict(SHEET)
    right = yours.pop(slot, None)
    if at is not None:
        from_beats = grid.position(right.start_us) if right else 0.0
        end_us = None if end is None or right is None else grid.time(grid.position(right.end_us or 0) + at + end)
        yours[slot] = MarkerInput(slot, grid.time(from_beats + at), end_us)
    scores = {one.slot: one for one in score(list(SHEET.values()), list(yours.values()), grid)}
    one = scores[slot]
    told = Told(slot, one.miss, one.off_us, one.off_beats, one.phrases, one.other, one.length_off_beats)
    return miss_words(told, grid, SLOTS, SHEET, yours)


@pytest.mark.parametrize(
    ("slot", "late", "said"),
    [
        (4, 0, "exact"),
        (4, 0.25, "exact"),
        (4, 1, "a beat late"),
        (4, -0.5, "half a beat early"),
        (4, 0.75, "three quarters of a beat late"),
        (4, 1.5, "in the right bar, a beat and a half late"),
        (4, -1.5, "a beat and a half early"),
        (4, 3, "in the right bar, three beats late"),
        (4, 2, "half a bar late"),
        (4, -2, "half a bar early"),
        (2, -32, "a whole phrase early"),
        (6, -96, "three phrases early"),
        (5, 33, "a whole phrase late"),
        (4, -32, "you marked the first build-up; the first drop is 8 bars on"),
        (3, 33, "you marked the first drop; the first build-up is 8 bars back"),
        (1, 64, "you marked the first breakdown; the first mix-in is 16 bars back"),
        (4, 12, "3 bars late"),
        (4, -13, "3 bars and 1 beat early"),
        (4, 13.4, "about 3 bars late"),
        (4, None, "missing: slot 4 is at 6.1.1"),
        (7, 64, "extra: the sheet leaves slot 7 empty; you marked the first breakdown"),
        (7, 70, "extra: the sheet leaves slot 7 empty"),
    ],
)
def test_typical_slips(slot: int, late: float | None, said: str) -> None:
    assert words(slot, late) == said


@pytest.mark.parametrize(
    ("late", "longer", "said"),
    [
        (0, 0, "exact"),
        (0, 8, "exact; the loop is 2 bars too long"),
        (0, -8, "exact; the loop is 2 bars too short"),
        (1, -1, "a beat late; the loop is a beat too short"),
    ],
)
def test_a_loop_has_a_length_too(late: float, longer: float, said: str) -> None:
    assert words(8, late, end=longer) == said


def test_without_a_grid_seconds_are_told() -> None:
    by_the_clock = MusicalTime.of(replace(RESULT, beats_us=(), downbeats_us=(), phrases_us=()))
    assert words(4, 2.5, grid=by_the_clock) == "2.5 s late"
    assert words(4, -0.6, grid=by_the_clock) == "0.6 s early"


def test_every_miss_has_a_word_and_a_tone() -> None:
    assert set(TONES) == set(MISSES)


@pytest.mark.parametrize(
    ("beats", "said"),
    [
        (0.25, "a quarter of a beat"), (0.5, "half a beat"), (1, "a beat"), (1.25, "a beat and a quarter"),
        (2.5, "two beats and a half"), (2.1, "about two beats"), (3.75, "three beats and three quarters"),
    ],
)  # fmt: skip
def test_beats(beats: float, said: str) -> None:
    assert beats_words(beats) == said


def test_spans() -> None:
    assert [span_words(beats, 4) for beats in (4, 5, 10, 20.5)] == [
        "1 bar", "1 bar and 1 beat", "2 bars and 2 beats", "about 5 bars",
    ]  # fmt: skip
