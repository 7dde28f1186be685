"""What other rules would do to a sheet (pure; no database).

A sheet keeps its meaning where each of its markers stands under a number that says the same as before, as long, as
exact and labelled as is asked for now, and no slot is asked for that was not. Everything else is a reason to look at
it again.
"""

from __future__ import annotations

from bisect import bisect_left
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from math import floor
from typing import Literal

from crewprep.analysis.musical_time import OFF_GRID_US, MusicalTime
from crewprep.conventions.comparison import Comparison, labels_in_words, purpose
from crewprep.conventions.models import Slot
from crewprep.sheets.house_checks import NEAR_BEATS, label_fault

ReasonKind = Literal[
    "retired", "function", "which", "renamed", "renumbered", "kind", "loop too short", "loop too long", "lead", "snap",
    "label", "needed",
]  # fmt: skip
REASON_KINDS: tuple[ReasonKind, ...] = (
    "needed", "loop too short", "loop too long", "renumbered", "retired", "function", "which", "renamed", "kind",
    "lead", "snap", "label",
)  # fmt: skip
"""In the order in which a summary tells them."""


@dataclass(frozen=True, slots=True)
class Reason:
    """Why a sheet needs a look. ``slot`` is the number under the new rules, of a retired slot the old one."""

    kind: ReasonKind
    slot: int
    sentence: str


@dataclass(frozen=True, slots=True)
class SheetView:
    """What the rules need to know of a sheet: start and end of its markers by slot, in microseconds, the slots
    whose loops were found to be of another length than the old rules ask for (None: nobody has looked), and the
    labels by slot, where there are any."""

    markers: Mapping[int, tuple[int, int | None]]
    odd_loops: frozenset[int] | None = frozenset()
    labels: Mapping[int, str] = field(default_factory=dict)


def lengthened(comparison: Comparison) -> frozenset[int]:
    """The old numbers of the slots whose loops are to be of another length now."""
    return frozenset(old.number for old, new in comparison.pairs() if _lengthened(old, new))


def relabelled(comparison: Comparison) -> frozenset[int]:
    """The old numbers of the slots whose markers are to be labelled otherwise now."""
    pairs = comparison.pairs()
    return frozenset(old.number for old, new in pairs if old.function == new.function and old.labels != new.labels)


def needs_grid(comparison: Comparison, sheet: SheetView) -> bool:
    """Whether ``reasons`` can only answer with the track's grid: a snap became coarser, or a loop is of odd length.

    Where it says no, times are not asked for either.
    """
    for old, new in comparison.pairs():
        if old.number not in sheet.markers or old.function != new.function:
            continue
        if new.snap_beats > old.snap_beats:
            return True
        if _lengthened(old, new) and (sheet.odd_loops is None or old.number in sheet.odd_loops):
            return True
    return False


def reasons(comparison: Comparison, sheet: SheetView, grid: MusicalTime | None = None) -> tuple[Reason, ...]:
    """Why the sheet needs a look under the new rules, in the order of the slots; empty where it keeps its meaning.

    Without a grid a loop counts as long as the old rules ask for, and a marker as standing on any coarser grid.
    """
    carried = {
        new.number for old, new in comparison.pairs() if old.number in sheet.markers and old.function == new.function
    }
    found: list[Reason] = []
    for change in comparison.changes:
        old, new = change.old, change.new
        if old is not None and old.number in sheet.markers:
            found += _of_marker(old, new, sheet.markers[old.number], grid)
            found += _of_label(old, new, sheet.labels.get(old.number, ""))
        if new is not None and new.required and new.number not in carried:
            asked_before = old is not None and old.required and purpose(old) == purpose(new)
            if not asked_before:
                found.append(Reason("needed", new.number, f"It needs slot {new.number}, {new.name}."))
    return tuple(sorted(found, key=lambda reason: reason.slot))


def _of_marker(
    old: Slot, new: Slot | None, times: tuple[int, int | None], grid: MusicalTime | None
) -> Iterator[Reason]:
    """Why the marker of a slot no longer says what it said."""
    if new is None:
        yield Reason("retired", old.number, f"Slot {old.number}, {old.name}, is retired; its marker stays behind.")
        return
    at = new.number
    if old.function != new.function:
        yield Reason("function", at, f"Slot {at} is for {_event(new)}, not {_event(old)}; its marker stays behind.")
        return
    if at != old.number:
        yield Reason("renumbered", at, f"Slot {old.number}, {old.name}, is slot {at} now.")
    if old.function != "free" and old.which != new.which:
        yield Reason("which", at, f"Slot {at} is for {_event(new)} now, not {_event(old)}.")
    if old.function == "free" and purpose(old) != purpose(new):
        yield Reason("renamed", at, f"Slot {at} is called {new.name} now, not {old.name}.")
    if old.kind != new.kind:
        yield Reason("kind", at, f"Slot {at} is a {new.kind} now, not a {old.kind}.")
    elif old.loop_bars != new.loop_bars:
        yield from _of_loop(old, new, times, grid)
    if old.lead_bars != new.lead_bars:
        yield Reason("lead", at, f"Slot {at} stands {_bars(new.lead_bars)} ahead now, not {_bars(old.lead_bars)}.")
    if new.snap_beats > old.snap_beats and grid is not None and not grid.timed:
        start_us = times[0]
        if not _off(grid, start_us, old.snap_beats) and _off(grid, start_us, new.snap_beats):
            yield Reason(
                "snap",
                at,
                f"Slot {at} snaps to {snap_words(new.snap_beats)} now, and its marker does not stand on one.",
            )


def _of_label(old: Slot, new: Slot | None, label: str) -> Iterator[Reason]:
    """Why a label will not do any more; one that would not do before is no news."""
    if new is None or old.function != new.function or not label_fault(new, label) or label_fault(old, label):
        return
    asked, has = labels_in_words(new.labels), f"“{label.strip()}”" if label.strip() else "none"
    yield Reason("label", new.number, f"Slot {new.number} asks for the label {asked} now, and its marker has {has}.")


def _of_loop(old: Slot, new: Slot, times: tuple[int, int | None], grid: MusicalTime | None) -> Iterator[Reason]:
    bars, asked = float(old.loop_bars or 0), new.loop_bars or 0
    start_us, end_us = times
    if grid is not None and not grid.timed and end_us is not None:
        bars = (grid.position(end_us) - grid.position(start_us)) / grid.beats_per_bar
        if abs(bars - asked) * grid.beats_per_bar <= NEAR_BEATS:
            return
    kind: ReasonKind = "loop too short" if bars < asked else "loop too long"
    said = f"{bars:.4g} bar{'' if bars == 1 else 's'}"
    yield Reason(kind, new.number, f"The loop in slot {new.number} lasts {said} where {asked} are asked for now.")


def _lengthened(old: Slot, new: Slot) -> bool:
    return old.function == new.function and old.kind == new.kind == "loop" and old.loop_bars != new.loop_bars


def _off(grid: MusicalTime, time_us: int, snap_beats: float) -> bool:
    """Whether a time is off the grid fraction, as the house check ``on_the_grid`` sees it."""
    at = grid.position(time_us)
    if snap_beats >= 4:
        after = bisect_left(grid.downbeats, at)
        nearest = float(min(grid.downbeats[max(0, after - 1) : after + 1], key=lambda line: abs(line - at)))
    else:
        nearest = floor(at / snap_beats + 0.5) * snap_beats
    return abs(time_us - grid.time(nearest)) >= OFF_GRID_US


def snap_words(snap_beats: float) -> str:
    """The grid fraction of a slot in words."""
    return {0.25: "a quarter of a beat", 0.5: "half a beat", 1.0: "a beat", 4.0: "a bar line"}[snap_beats]


def _event(slot: Slot) -> str:
    return f"“{slot.name}”" if slot.function == "free" else f"the {slot.which} {slot.function}"


def _bars(count: int) -> str:
    return f"{count} bar{'' if count == 1 else 's'}"
