"""What went wrong with a slot of a drill, as a teacher says it (pure; no tables)."""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Mapping
from math import floor
from typing import Protocol

from crewprep.analysis.musical_time import MusicalTime
from crewprep.conventions.models import Slot
from crewprep.onboarding.scoring import QUARTER, ROUND, Marked
from crewprep.web.convention_words import event_words
from crewprep.web.words import apart_words, count_of

TONES: Mapping[str, tuple[str, str]] = {
    "exact": ("Exact", "good"),
    "beat": ("Within a beat", "good"),
    "function": ("Another place", "bad"),
    "phrase": ("Whole phrases", "bad"),
    "half bar": ("Half a bar", "wait"),
    "bar": ("Off the beat", "wait"),
    "elsewhere": ("Elsewhere", "bad"),
    "missing": ("Missing", "bad"),
    "extra": ("Extra", "wait"),
}
"""The short word for each miss of ``scoring.MISSES``, and its tone."""

_NEAR = 0.06
"""Beats; so near to a quarter of a beat a distance is told as that quarter."""
_NUMBERS = ("no", "one", "two", "three", "four", "five", "six", "seven", "eight", "nine", "ten", "eleven", "twelve")
_QUARTERS = ("", "a quarter", "a half", "three quarters")


class Scored(Protocol):
    """As much of a ``DrillScore`` as the words need; distances are positive for late."""

    @property
    def slot(self) -> int: ...
    @property
    def miss(self) -> str: ...
    @property
    def off_us(self) -> int | None: ...
    @property
    def off_beats(self) -> float | None: ...
    @property
    def phrases(self) -> int | None: ...
    @property
    def other_slot(self) -> int | None: ...
    @property
    def length_off_beats(self) -> float | None: ...


def miss_words(
    score: Scored,
    grid: MusicalTime,
    slots: Mapping[int, Slot],
    sheet: Mapping[int, Marked],
    yours: Mapping[int, Marked],
) -> str:
    """``a whole phrase early``, ``you marked the first build-up; the first drop is 16 bars on``, …, and what is wrong
    with a loop's length. ``sheet`` and ``yours`` are the markers by slot."""
    said = [_place_words(score, grid, slots, sheet, yours)]
    length = length_words(score, grid)
    return "; ".join([*said, length] if length else said)


def length_words(score: Scored, grid: MusicalTime) -> str:
    """``the loop is 2 bars too long``; empty where it is right within a quarter of a beat, and for points."""
    off = score.length_off_beats
    if off is None or abs(off) <= QUARTER + ROUND:
        return ""
    how = f"{abs(off):.1f} s" if grid.timed else span_words(abs(off), grid.beats_per_bar)
    return f"the loop is {how} too {'long' if off > 0 else 'short'}"


def _place_words(
    score: Scored,
    grid: MusicalTime,
    slots: Mapping[int, Slot],
    sheet: Mapping[int, Marked],
    yours: Mapping[int, Marked],
) -> str:
    match score.miss:
        case "exact":
            return "exact"
        case "missing":
            return f"missing: slot {score.slot} is at {grid.address(sheet[score.slot].start_us)}"
        case "extra":
            taken = f"; you marked {_called(slots, score.other_slot)}" if score.other_slot else ""
            return f"extra: the sheet leaves slot {score.slot} empty{taken}"
        case "function" if score.other_slot is not None:
            there_us, taken_us = sheet[score.slot].start_us, sheet[score.other_slot].start_us
            apart = f"{apart_words(grid, taken_us, there_us)} {'on' if there_us > taken_us else 'back'}"
            return f"you marked {_called(slots, score.other_slot)}; {_called(slots, score.slot)} is {apart}"
    late = (score.off_us or 0) > 0
    way = "late" if late else "early"
    if grid.timed:
        return f"{abs(score.off_us or 0) / 1e6:.1f} s {way}"
    beats = abs(score.off_beats or 0.0)
    if score.miss == "phrase" and score.phrases:
        return f"{_phrases(abs(score.phrases))} {way}"
    if score.miss == "half bar":
        return f"half a bar {way}"
    if score.miss == "bar" and _same_bar(grid, sheet[score.slot].start_us, yours[score.slot].start_us):
        return f"in the right bar, {beats_words(beats)} {way}"
    return f"{span_words(beats, grid.beats_per_bar)} {way}"


def span_words(beats: float, beats_per_bar: int) -> str:
    """``2 bars``, ``1 bar and 2 beats``, ``about 5 bars``; what is less than a bar as ``beats_words``."""
    whole = round(beats)
    if beats < beats_per_bar - _NEAR:
        return beats_words(beats)
    if abs(beats - whole) > _NEAR:
        bars = max(1, round(beats / beats_per_bar))
        return f"about {count_of(bars, 'bar')}"
    bars, rest = divmod(whole, beats_per_bar)
    return " and ".join([count_of(bars, "bar"), *([count_of(rest, "beat")] if rest else [])])


def beats_words(beats: float) -> str:
    """``a quarter of a beat``, ``a beat``, ``a beat and a half``, ``about three beats``, and so on."""
    quarters = max(1, round(beats * 4))
    about = "" if abs(beats * 4 - quarters) <= 4 * _NEAR else "about "
    whole, part = divmod(quarters, 4)
    if whole == 0:
        return about + ("half a beat" if part == 2 else f"{_QUARTERS[part]} of a beat")
    number = "a beat" if whole == 1 else f"{_number(whole)} beats"
    return about + number + (f" and {_QUARTERS[part]}" if part else "")


def _phrases(count: int) -> str:
    return "a whole phrase" if count == 1 else f"{_number(count)} phrases"


def _number(number: int) -> str:
    return _NUMBERS[number] if number < len(_NUMBERS) else str(number)


def _called(slots: Mapping[int, Slot], number: int | None) -> str:
    slot = slots.get(number or 0)
    if slot is None:
        return f"slot {number}"
    return f"“{slot.name}”" if slot.function == "free" else f"the {event_words(slot)}"


def _same_bar(grid: MusicalTime, one_us: int, other_us: int) -> bool:
    bars = [bisect_right(grid.downbeats, floor(grid.position(time_us) + ROUND)) for time_us in (one_us, other_us)]
    return bars[0] == bars[1]
