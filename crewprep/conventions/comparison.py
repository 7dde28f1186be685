"""Two states of a convention, slot by slot (pure; slots may be stored or not).

Slots are matched by what they are for: function and which, and a free slot's name. So a slot that only moved to another
number is known again. Among slots for the same thing the same number comes first, then the same name, then the order.
What is left over is matched by name, or by number where the function stayed, as a slot that was changed.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass
from typing import Literal

from crewprep.conventions.models import Slot

Kind = Literal[
    "added", "retired", "renumbered", "renamed", "function", "which", "kind", "loop length", "lead", "snap",
    "required", "look", "guidance", "labels",
]  # fmt: skip
KINDS: tuple[Kind, ...] = (
    "added", "retired", "renumbered", "renamed", "function", "which", "kind", "loop length", "lead", "snap",
    "required", "look", "guidance", "labels",
)  # fmt: skip

_FIELDS: tuple[tuple[Kind, tuple[str, ...]], ...] = (
    ("renumbered", ("number",)),
    ("renamed", ("name",)),
    ("function", ("function",)),
    ("which", ("which",)),
    ("kind", ("kind",)),
    ("loop length", ("loop_bars",)),
    ("lead", ("lead_bars",)),
    ("snap", ("snap_beats",)),
    ("required", ("required",)),
    ("look", ("colour", "shape")),
    ("guidance", ("guidance",)),
    ("labels", ("labels",)),
)


@dataclass(frozen=True, slots=True)
class SlotChange:
    """One slot before and after; one of the two is None where it was added or retired."""

    old: Slot | None
    new: Slot | None

    @property
    def kinds(self) -> tuple[Kind, ...]:
        """What is different, in the order of ``KINDS``; empty for a slot that stayed as it is."""
        if self.old is None:
            return ("added",)
        if self.new is None:
            return ("retired",)
        found = tuple(
            kind
            for kind, fields in _FIELDS
            if any(getattr(self.old, field) != getattr(self.new, field) for field in fields)
        )
        # A point has no length, so a change of kind says it all.
        return tuple(kind for kind in found if kind != "loop length") if "kind" in found else found

    @property
    def same_purpose(self) -> bool:
        """Whether both are for the same thing."""
        return self.old is not None and self.new is not None and purpose(self.old) == purpose(self.new)


@dataclass(frozen=True, slots=True)
class Comparison:
    """Every slot of either state once: those of the new one in order, then the retired ones."""

    changes: tuple[SlotChange, ...]

    @property
    def same(self) -> bool:
        """Whether nothing differs."""
        return not any(change.kinds for change in self.changes)

    def pairs(self) -> Iterator[tuple[Slot, Slot]]:
        """The slots that both states have, as (old, new)."""
        for change in self.changes:
            if change.old is not None and change.new is not None:
                yield change.old, change.new

    def carried(self) -> dict[int, Slot]:
        """For each old number the new slot that its marker belongs to: the one with the same function."""
        return {old.number: new for old, new in self.pairs() if old.function == new.function}


def purpose(slot: Slot) -> tuple[str, str, str]:
    """What a slot is for: function, which of several, and a free slot's name."""
    return slot.function, "" if slot.function == "free" else slot.which, _free_name(slot)


def compare_slots(old: Iterable[Slot], new: Iterable[Slot]) -> Comparison:
    """Match the slots of two states and say what differs."""
    before, after = sorted(old, key=_number), sorted(new, key=_number)
    partner: dict[int, Slot] = {}
    ways: tuple[Callable[[Slot, Slot], bool], ...] = (
        lambda a, b: purpose(a) == purpose(b) and a.number == b.number,
        lambda a, b: purpose(a) == purpose(b) and _name(a) == _name(b),
        lambda a, b: purpose(a) == purpose(b),
        lambda a, b: bool(_name(a)) and _name(a) == _name(b),
        lambda a, b: a.function == b.function and a.number == b.number,
    )
    for wanted in ways:
        _match(before, after, partner, wanted)
    taken = {id(slot) for slot in partner.values()}
    old_of = {id(found): number for number, found in partner.items()}
    by_number = {slot.number: slot for slot in before}
    changes = [SlotChange(by_number[old_of[id(slot)]] if id(slot) in taken else None, slot) for slot in after]
    retired = [SlotChange(slot, None) for slot in before if slot.number not in partner]
    return Comparison((*changes, *retired))


def numbers_in_words(numbers: Iterable[int]) -> str:
    """``1 to 4, 6 and 8`` for slots with gaps between them."""
    runs: list[list[int]] = []
    for number in sorted(numbers):
        if runs and number == runs[-1][-1] + 1:
            runs[-1].append(number)
        else:
            runs.append([number])
    words = [word for run in runs for word in ([f"{run[0]} to {run[-1]}"] if len(run) > 2 else map(str, run))]
    return " and ".join([", ".join(words[:-1]), words[-1]] if len(words) > 1 else words)


def labels_in_words(labels: Sequence[str]) -> str:
    """``“bells”, “choir” or “strings”`` for agreed labels."""
    words = [f"“{label}”" for label in labels]
    return " or ".join([", ".join(words[:-1]), words[-1]] if len(words) > 1 else words)


def _match(
    before: list[Slot], after: list[Slot], partner: dict[int, Slot], wanted: Callable[[Slot, Slot], bool]
) -> None:
    taken = {id(slot) for slot in partner.values()}
    for slot in before:
        if slot.number in partner:
            continue
        found = next((other for other in after if id(other) not in taken and wanted(slot, other)), None)
        if found is not None:
            partner[slot.number] = found
            taken.add(id(found))


def _number(slot: Slot) -> int:
    return slot.number


def _name(slot: Slot) -> str:
    return slot.name.strip().casefold()


def _free_name(slot: Slot) -> str:
    return _name(slot) if slot.function == "free" else ""
