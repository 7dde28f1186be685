"""Differences between versions of a convention, and what they do to sheets, as people say them."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

from crewprep.conventions.comparison import Comparison, Kind, SlotChange, labels_in_words
from crewprep.conventions.models import Slot
from crewprep.sheets.affected import Effect, ReasonCount
from crewprep.sheets.effect import snap_words
from crewprep.web.words import count_of


@dataclass(frozen=True, slots=True)
class ChangeLine:
    """A slot that differs: how it looks, one word for what happened with its tone, and what is different, in words."""

    slot: Slot
    state: str
    tone: str
    words: tuple[str, ...]


def change_lines(comparison: Comparison) -> list[ChangeLine]:
    """The slots that differ, those of the new state in order and then the retired ones."""
    return [_line(change) for change in comparison.changes if change.kinds]


def effect_lines(effect: Effect) -> list[str]:
    """``41 sheets keep their meaning``, ``9 sheets need slot 5``, ``3 loops in slot 8 are too short``."""
    one = effect.kept < 2
    number = count_of(effect.kept, "sheet") if effect.kept else "No sheet"
    kept = f"{number} {'keeps its' if one else 'keep their'} meaning"
    return [kept, *(_counted(one) for one in effect.counts)]


def event_words(slot: Slot) -> str:
    """What a slot is for: ``first drop``, or ``free``."""
    return place_words(slot.function, slot.which)


def place_words(function: str, which: str) -> str:
    """A function and which of that function: ``first drop``, or ``free``."""
    return "free" if function == "free" else f"{which} {function}"


def kind_words(slot: Slot) -> str:
    """``a point``, ``a loop of 4 bars``."""
    return f"a loop of {count_of(slot.loop_bars or 0, 'bar')}" if slot.kind == "loop" else "a point"


def rule_words(slot: Slot) -> str:
    """What belongs in a slot: ``the first drop: a point, right on it``, ``whatever you choose: a point``."""
    if slot.function == "free":
        return f"whatever you choose: {kind_words(slot)}"
    return f"the {event_words(slot)}: {kind_words(slot)}, {_lead(slot)} it"


def _line(change: SlotChange) -> ChangeLine:
    old, new = change.old, change.new
    if old is None:
        assert new is not None  # a change has one of the two
        needed = ("every track needs it",) if new.required else ()
        return ChangeLine(new, "New", "good", (event_words(new), kind_words(new), *needed))
    if new is None:
        return ChangeLine(old, "Retired", "bad", (f"was {event_words(old)}, {kind_words(old)}",))
    return ChangeLine(new, "Changed", "wait", tuple(_DIFFERENCES[kind](old, new) for kind in change.kinds))


def _lead(slot: Slot) -> str:
    return f"{count_of(slot.lead_bars, 'bar')} before" if slot.lead_bars else "right on"


def _label(slot: Slot) -> str:
    return labels_in_words(slot.labels) if slot.labels else "freely"


_DIFFERENCES: dict[Kind, Callable[[Slot, Slot], str]] = {
    "renumbered": lambda old, new: f"number {new.number} instead of {old.number}",
    "renamed": lambda old, new: f"was called “{old.name}”",
    "function": lambda old, new: f"for {event_words(new)} instead of {event_words(old)}",
    "which": lambda old, new: f"the {new.which} {new.function} instead of the {old.which}",
    "kind": lambda old, new: f"{kind_words(new)} instead of {kind_words(old)}",
    "loop length": lambda old, new: f"{count_of(new.loop_bars or 0, 'bar')} long instead of {old.loop_bars or 0}",
    "lead": lambda old, new: f"{_lead(new)} the event instead of {_lead(old)} it",
    "snap": lambda old, new: f"snaps to {snap_words(new.snap_beats)} instead of {snap_words(old.snap_beats)}",
    "required": lambda old, new: "every track needs it now" if new.required else "no longer needed on every track",
    "look": lambda old, new: f"{new.colour} {new.shape} instead of {old.colour} {old.shape}",
    "guidance": lambda old, new: f"guidance is now “{new.guidance}”" if new.guidance else "guidance taken away",
    "labels": lambda old, new: f"labelled {_label(new)} instead of {_label(old)}",
}


def _counted(one: ReasonCount) -> str:
    markers, at = count_of(one.sheets, "marker"), f"slot {one.slot}"
    several = one.sheets != 1
    words = {
        "needed": f"{count_of(one.sheets, 'sheet')} {'need' if several else 'needs'} {at}",
        "loop too short": f"{count_of(one.sheets, 'loop')} in {at} {'are' if several else 'is'} too short",
        "loop too long": f"{count_of(one.sheets, 'loop')} in {at} {'are' if several else 'is'} too long",
        "renumbered": f"{markers} {'move' if several else 'moves'} to {at}",
        "retired": f"{markers} of {at} {'stay' if several else 'stays'} behind",
        "function": f"{markers} of {at} {'stay' if several else 'stays'} behind, as it is for something else",
        "which": f"{markers} in {at} {'are' if several else 'is'} for another of its kind",
        "renamed": f"{markers} in {at} {'get' if several else 'gets'} another name",
        "kind": f"{markers} in {at} {'become' if several else 'becomes'} another kind",
        "lead": f"{markers} in {at} {'have' if several else 'has'} another lead",
        "snap": f"{markers} in {at} {'are' if several else 'is'} off the coarser grid",
        "label": f"{count_of(one.sheets, 'label')} in {at} {'are' if several else 'is'} not as agreed",
    }
    return words[one.kind]
