"""A proposal and a sheet that was approved meanwhile, put together slot by slot (pure; no database).

The three-way merge of version control with a slot as its unit: what only one side changed is taken, a slot that both
changed in different ways is a conflict, and somebody must choose.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from typing import Literal

from crewprep.sheets.markers import MarkerInput
from crewprep.sheets.models import MarkerFields

Side = Literal["theirs", "yours"]


@dataclass(frozen=True, slots=True)
class SlotMerge:
    """One slot: where both began, what the newer sheet has, what the proposal has (None where the slot is empty)."""

    slot: int
    base: MarkerInput | None
    theirs: MarkerInput | None
    yours: MarkerInput | None

    @property
    def conflict(self) -> bool:
        """Whether both sides changed it, and differently."""
        return self.theirs != self.yours and self.base not in (self.theirs, self.yours)

    @property
    def kind(self) -> Literal["same", "both", "theirs", "yours", "conflict"]:
        """Who changed it: nobody, both alike, one side, or both in different ways."""
        if self.conflict:
            return "conflict"
        if self.theirs == self.yours:
            return "same" if self.theirs == self.base else "both"
        return "theirs" if self.yours == self.base else "yours"

    def taken(self, choice: Side | None = None) -> MarkerInput | None:
        """What the merged sheet has; a conflict takes the chosen side; without one, ``KeyError`` names the slot."""
        if self.conflict:
            if choice is None:
                raise KeyError(self.slot)
            return self.theirs if choice == "theirs" else self.yours
        return self.yours if self.theirs == self.base else self.theirs


def merge_slots(
    base: Iterable[MarkerInput | MarkerFields],
    theirs: Iterable[MarkerInput | MarkerFields],
    yours: Iterable[MarkerInput | MarkerFields],
) -> list[SlotMerge]:
    """Every slot that any of the three fills, in order."""
    first, other, own = (_by_slot(markers) for markers in (base, theirs, yours))
    return [
        SlotMerge(slot, first.get(slot), other.get(slot), own.get(slot))
        for slot in sorted(first.keys() | other.keys() | own.keys())
    ]


def merged(slots: Iterable[SlotMerge], choices: Mapping[int, Side]) -> list[MarkerInput]:
    """The markers of the merged sheet; raises ``KeyError`` with the first slot that waits for a choice."""
    taken = [slot.taken(choices.get(slot.slot)) for slot in slots]
    return [marker for marker in taken if marker is not None]


def _by_slot(markers: Iterable[MarkerInput | MarkerFields]) -> dict[int, MarkerInput]:
    return {marker.slot: MarkerInput(marker.slot, marker.start_us, marker.end_us, marker.label) for marker in markers}
