"""A sheet's markers under another convention version: each goes to the slot with its function, at the time it had."""

from __future__ import annotations

from collections.abc import Callable, Iterable

from crewprep.conventions.comparison import Comparison
from crewprep.conventions.models import Slot
from crewprep.sheets.models import MarkerFields, SheetMarker

LoopEnd = Callable[[int, int], int]
"""The end of a loop that starts at a time and lasts so many bars, in microseconds."""


def carry_over(
    markers: Iterable[MarkerFields], comparison: Comparison, loop_end: LoopEnd | None = None
) -> list[MarkerFields]:
    """The markers as unsaved rows under the new numbers, in their order; those of retired slots stay behind.

    Times stay as they are: a loop that is now too short is for a person to lengthen. Where a loop became a point, its
    end goes; where a point became a loop, ``loop_end`` gives the end, without which the marker stays behind.
    """
    into = comparison.carried()
    found = [
        carried
        for marker in markers
        if marker.slot in into
        for carried in [_under(marker, into[marker.slot], loop_end)]
        if carried is not None
    ]
    return sorted(found, key=lambda marker: marker.slot)


def _under(marker: MarkerFields, slot: Slot, loop_end: LoopEnd | None) -> MarkerFields | None:
    end_us = marker.end_us
    if slot.kind == "point":
        end_us = None
    elif end_us is None:
        if loop_end is None:
            return None
        end_us = loop_end(marker.start_us, slot.loop_bars or 1)
    return SheetMarker(slot=slot.number, start_us=marker.start_us, end_us=end_us, label=marker.label)
