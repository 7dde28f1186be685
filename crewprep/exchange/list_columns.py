"""What the columns of a list mean: guessed from their names, settled by the member.

A role is one of ``PLAIN``, or ``start:4``, ``end:4`` or ``beats:4`` for the marker of slot 4. A list has either a line
a marker (``slot`` and ``start``) or a line a track (``start:1``, ``start:2`` …).
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import asdict, dataclass
from decimal import Decimal, InvalidOperation
from typing import Any

from crewprep.analysis.musical_time import parse_clock
from crewprep.common.errors import Invalid
from crewprep.conventions.models import Slot
from crewprep.exchange.sheet_csv import COLUMNS

PLAIN: dict[str, str] = {
    "": "Leave out",
    "file": "File name",
    "pcm": "Hash of the samples",
    "title": "Title",
    "artist": "Artist",
    "slot": "Slot number",
    "start": "Start",
    "end": "End",
    "beats": "Length in beats",
    "label": "Label",
}
"""The roles that are not of a certain slot, in words."""

OF_SLOT = {"start": "start", "end": "end of the loop", "beats": "loop length in beats"}
UNITS: dict[str, str] = {"s": "Seconds, such as 61.25", "clock": "Minutes, such as 1:01.250", "ms": "Milliseconds"}
MOST_SHIFT_MS = 5_000

_OURS = {
    "slot": "slot", "start_s": "start", "end_s": "end", "text": "label", "title": "title", "artist": "artist",
    "pcm_sha256": "pcm",
}  # fmt: skip
_NAMES = {
    "file": "file", "filename": "file", "path": "file", "location": "file", "title": "title", "tracktitle": "title",
    "track": "title", "name": "title", "song": "title", "artist": "artist", "artists": "artist", "performer": "artist",
    "slot": "slot", "slotnumber": "slot", "start": "start", "starts": "start", "startms": "start", "time": "start",
    "starttime": "start", "position": "start", "end": "end", "ends": "end", "endms": "end", "endtime": "end",
    "loopend": "end", "beats": "beats", "lengthbeats": "beats", "lengthinbeats": "beats", "label": "label",
    "text": "label", "pcmsha256": "pcm",
}  # fmt: skip
_NUMBERED = re.compile(r"(?:slot|marker)?([0-9]{1,2})(start|in|end|out|loopend|beats|lengthbeats|s|ms)?")
_PARTS = {"end": "end", "out": "end", "loopend": "end", "beats": "beats", "lengthbeats": "beats"}
_TIMES = ("start", "end")
_MOST_US = 7 * 24 * 3600 * 1_000_000


@dataclass(frozen=True, slots=True)
class ListMapping:
    """How a list is read: the role of each column, and what holds of the whole."""

    columns: tuple[str, ...]
    unit: str = "s"
    shift_ms: int = 0
    snap: bool = False
    write_tags: bool = True

    def values(self) -> dict[str, Any]:
        """As JSON keeps it."""
        return {**asdict(self), "columns": list(self.columns)}

    @classmethod
    def of(cls, values: Mapping[str, Any]) -> ListMapping:
        """From what JSON kept."""
        return cls(**{**values, "columns": tuple(values["columns"])})


def roles(slots: Sequence[Slot]) -> dict[str, str]:
    """Every role with its words, those of the convention's slots last."""
    named = dict(PLAIN)
    for slot in slots:
        for part, words in OF_SLOT.items():
            if part == "start" or slot.kind == "loop":
                named[f"{part}:{slot.number}"] = f"Slot {slot.number}, {slot.name}: {words}"
    return named


def guess(header: Sequence[str], samples: Iterable[Sequence[str]], slots: Sequence[Slot]) -> ListMapping:
    """The likeliest meaning of columns by their names, and the unit of the times by what they look like."""
    known = roles(slots)
    ours = set(COLUMNS) <= set(header)
    found: list[str] = []
    for name in header:
        role = _OURS.get(name, "") if ours else _guess_one(name, slots)
        found.append(role if role in known and role not in found else "")
    times = [index for index, role in enumerate(found) if role.partition(":")[0] in _TIMES]
    return ListMapping(tuple(found), unit=_guess_unit([header[index] for index in times], times, samples))


def _guess_one(name: str, slots: Sequence[Slot]) -> str:
    plain = re.sub(r"[^a-z0-9]", "", name.casefold())
    if plain in _NAMES:
        return _NAMES[plain]
    for slot in slots:
        if plain and plain == re.sub(r"[^a-z0-9]", "", slot.name.casefold()):
            return f"start:{slot.number}"
    numbered = _NUMBERED.fullmatch(plain)
    return f"{_PARTS.get(numbered[2] or '', 'start')}:{int(numbered[1])}" if numbered else ""


def _guess_unit(names: Sequence[str], columns: Sequence[int], samples: Iterable[Sequence[str]]) -> str:
    cells = [row[column].strip() for row in samples for column in columns if row[column].strip()]
    if any(":" in cell for cell in cells):
        return "clock"
    if any(name.casefold().rstrip(") ").endswith("ms") for name in names):
        return "ms"
    whole = [int(cell) for cell in cells if cell.isascii() and cell.isdecimal()]
    return "ms" if whole and len(whole) == len(cells) and max(whole) > 10_000 else "s"


def check_mapping(mapping: ListMapping, width: int, slots: Sequence[Slot]) -> None:
    """Raises ``Invalid`` where the roles cannot be read together."""
    known, given = roles(slots), [role for role in mapping.columns if role]
    if len(mapping.columns) != width or not set(given) <= set(known) or mapping.unit not in UNITS:
        raise Invalid("list:unknown-role")
    if abs(mapping.shift_ms) > MOST_SHIFT_MS:
        raise Invalid("list:shift", most=MOST_SHIFT_MS)
    twice = next((role for role in given if given.count(role) > 1), None)
    if twice is not None:
        raise Invalid("list:role-twice", role=known[twice])
    if not {"file", "title", "pcm"} & set(given):
        raise Invalid("list:no-name")
    if ("slot" in given) != ("start" in given):
        raise Invalid("list:half-marker")


def parse_time(text: str, unit: str) -> int | None:
    """Microseconds of a cell in a unit of ``UNITS``; None where it is no time. A comma may stand for the point."""
    text = text.strip()
    if unit == "clock":
        time_us = parse_clock(text)
    else:
        number = parse_number(text)
        time_us = None if number is None else round(number * (1_000_000 if unit == "s" else 1_000))
    return time_us if time_us is not None and 0 <= time_us <= _MOST_US else None


def parse_number(text: str) -> Decimal | None:
    """A plain number, with a point or a comma; None for anything else."""
    text = text.strip().replace(",", ".")
    if not re.fullmatch(r"[0-9]{1,12}(\.[0-9]{1,12})?", text):
        return None
    try:
        return Decimal(text)
    except InvalidOperation:
        return None
