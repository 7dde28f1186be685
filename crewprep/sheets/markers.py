"""Markers as they arrive from people: plain values, checked against the convention and the audio."""

from __future__ import annotations

import json
from collections import defaultdict
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Any, TypeGuard, TypeVar

from django.db.models import QuerySet

from crewprep.common.errors import Invalid
from crewprep.conventions.comparison import numbers_in_words
from crewprep.conventions.models import ConventionVersion
from crewprep.sheets.models import MarkerFields

M = TypeVar("M", bound=MarkerFields)

_MOST_MARKERS = 64


@dataclass(frozen=True, slots=True)
class MarkerInput:
    """One marker: the slot it fills, start and end (None for a point) in microseconds, and a free label."""

    slot: int
    start_us: int
    end_us: int | None = None
    label: str = ""

    @classmethod
    def from_values(cls, values: Any) -> MarkerInput:
        """Read ``{"slot": 4, "start_us": 61000000, "end_us": null, "label": ""}``; raises ``Invalid``."""
        if not isinstance(values, dict):
            raise Invalid("malformed", detail="each marker is an object with slot and start_us.")
        slot, start, end = values.get("slot"), values.get("start_us"), values.get("end_us")
        if not _is_whole(slot) or not _is_whole(start) or not (end is None or _is_whole(end)):
            raise Invalid("marker:not-a-number", slot=slot)
        return cls(slot=slot, start_us=start, end_us=end, label=str(values.get("label") or "")[:60])


def markers_from_json(text: str) -> list[MarkerInput]:
    """A JSON list of markers as ``MarkerInput.from_values`` reads them; raises ``Invalid``."""
    try:
        values = json.loads(text)
    except ValueError as error:
        raise Invalid("malformed", detail="the list of markers is not JSON.") from error
    if not isinstance(values, list) or len(values) > _MOST_MARKERS:
        raise Invalid("malformed", detail="the list of markers is not a list.")
    return [MarkerInput.from_values(value) for value in values]


def _is_whole(value: Any) -> TypeGuard[int]:
    return isinstance(value, int) and not isinstance(value, bool) and abs(value) < 2**62


def check_markers(markers: Sequence[MarkerInput], *, version: ConventionVersion, duration_us: int) -> list[MarkerInput]:
    """The markers in slot order; raises ``Invalid`` with the code of the first that cannot stand.

    Each slot of the convention holds at most one marker, inside the audio, a loop where the slot asks for a loop.
    """
    slots = {slot.number: slot for slot in version.slots.all()}
    seen: set[int] = set()
    for marker in markers:
        slot = slots.get(marker.slot)
        if slot is None:
            raise Invalid("marker:unknown-slot", slot=marker.slot, slots=numbers_in_words(slots))
        if marker.slot in seen:
            raise Invalid("marker:slot-twice", slot=marker.slot)
        seen.add(marker.slot)
        if not 0 <= marker.start_us < duration_us or (marker.end_us is not None and marker.end_us > duration_us):
            raise Invalid("marker:outside", slot=marker.slot, duration_s=f"{duration_us / 1e6:.1f}")
        if slot.kind == "point" and marker.end_us is not None:
            raise Invalid("marker:point-with-end", slot=marker.slot)
        if slot.kind == "loop" and (marker.end_us is None or marker.end_us <= marker.start_us):
            raise Invalid("marker:loop-without-end", slot=marker.slot)
    return sorted(markers, key=lambda marker: marker.slot)


def plain_by(parent: str, markers: QuerySet[M]) -> dict[Any, list[MarkerInput]]:
    """Markers of many drafts, proposals or sheets by its id, ``parent`` being the column; for pages that show many
    and change none: no row of the table is made of each."""
    found: dict[Any, list[MarkerInput]] = defaultdict(list)
    for key, *values in markers.order_by("slot").values_list(parent, "slot", "start_us", "end_us", "label"):
        found[key].append(MarkerInput(*values))
    return found


def rows(kind: type[M], markers: Iterable[MarkerInput | MarkerFields], **parent: Any) -> list[M]:
    """Unsaved rows of one of the marker tables."""
    return [
        kind(slot=marker.slot, start_us=marker.start_us, end_us=marker.end_us, label=marker.label, **parent)
        for marker in markers
    ]


@dataclass(frozen=True, slots=True)
class Change:
    """One slot, before and after; ``moved_us`` is positive for later.

    ``kind``: kept, moved, relabelled (in the same place), added or dropped.
    """

    slot: int
    old: MarkerInput | MarkerFields | None
    new: MarkerInput | MarkerFields | None

    @property
    def kind(self) -> str:
        """What happened to the slot."""
        if self.old is None:
            return "added"
        if self.new is None:
            return "dropped"
        if (self.old.start_us, self.old.end_us) != (self.new.start_us, self.new.end_us):
            return "moved"
        return "kept" if self.old.label == self.new.label else "relabelled"

    @property
    def moved_us(self) -> int:
        """How much later the start is now (0 where there is no old or no new)."""
        return self.new.start_us - self.old.start_us if self.old and self.new else 0


def compare(old: Iterable[MarkerInput | MarkerFields], new: Iterable[MarkerInput | MarkerFields]) -> list[Change]:
    """The changes from one set of markers to another, in slot order."""
    before = {marker.slot: marker for marker in old}
    after = {marker.slot: marker for marker in new}
    return [Change(slot, before.get(slot), after.get(slot)) for slot in sorted(before.keys() | after.keys())]
