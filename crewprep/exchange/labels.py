"""The label of a marker in a file: slot number, name, and the length of a loop.

``04 Drop`` for a point, ``08 Exit loop [16 beats]`` for a loop on the grid, ``08 Exit loop [7.742 s]`` for one that is
not. No open format carries a slot's colour or shape, so the number in front is what tells slots apart.
"""

from __future__ import annotations

import re
from dataclasses import dataclass

from crewprep.analysis.musical_time import OFF_GRID_US, MusicalTime

_LABEL = re.compile(r"([0-9]{2,}) (.*?)(?: \[([0-9]+(?:\.[0-9]+)?) (beats?|s)\])?", re.DOTALL)
_BRACKETS = str.maketrans("[]", "()")


@dataclass(frozen=True, slots=True)
class Label:
    """What a label says. A loop has its length in beats, or in seconds where it does not lie on the grid."""

    slot: int
    name: str
    beats: float | None = None
    seconds: float | None = None

    def __str__(self) -> str:
        text = f"{self.slot:02} {self.name.translate(_BRACKETS)}"
        if self.beats is not None:
            return f"{text} [{self.beats:g} {'beat' if self.beats == 1 else 'beats'}]"
        return text if self.seconds is None else f"{text} [{self.seconds:.3f} s]"

    @classmethod
    def parse(cls, text: str) -> Label | None:
        """Read a label back; None for any other text. Square brackets of a name come back as round ones."""
        found = _LABEL.fullmatch(text)
        if found is None:
            return None
        length = None if found[3] is None else float(found[3])
        in_seconds = found[4] == "s"
        return cls(
            slot=int(found[1]),
            name=found[2],
            beats=None if in_seconds else length,
            seconds=length if in_seconds else None,
        )


def label_for(*, slot: int, name: str, start_us: int, end_us: int | None, time: MusicalTime) -> Label:
    """The label of a marker; a loop counts in beats where its length is a whole number of quarter beats."""
    if end_us is None:
        return Label(slot, name)
    seconds = round((end_us - start_us) / 1_000_000, 3)
    if time.timed:
        return Label(slot, name, seconds=seconds)
    start = time.position(start_us)
    beats = round((time.position(end_us) - start) * 4) / 4
    on_grid = beats > 0 and abs(time.time(start + beats) - end_us) < OFF_GRID_US
    return Label(slot, name, beats=beats) if on_grid else Label(slot, name, seconds=seconds)
