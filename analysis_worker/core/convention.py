"""A convention as the analysis sees it: rules for slots, read from one JSON document (standard library only).

The document is the crew's convention as it is shared and stored (``schemas/convention.schema.json``)::

    {"name": "…", "slots": [{"number": 1, "name": "Mix-in", "function": "mix-in", "which": "first",
      "kind": "point", "loop_bars": null, "lead_bars": 0, "snap_beats": 0.25, "colour": "orange",
      "shape": "circle", "required": true, "guidance": "…", "labels": []}, …]}

Slots stand in the order of their numbers, 1 to 16, each number once. A number may be left out: a retired slot leaves a
gap, so that the sheets of the others read as before. Code that drafts knows these rules and no particular convention.
"""

from __future__ import annotations

import unicodedata
from collections.abc import Iterable
from dataclasses import dataclass
from typing import Any, Literal, TypeGuard, get_args

Function = Literal["mix-in", "breakdown", "build-up", "drop", "outro", "exit loop", "vocal", "riff", "free"]
Which = Literal["first", "second", "last", "strongest"]
Kind = Literal["point", "loop"]

FUNCTIONS: tuple[Function, ...] = get_args(Function)
WHICH: tuple[Which, ...] = get_args(Which)
KINDS: tuple[Kind, ...] = get_args(Kind)

COLOURS = ("orange", "sky blue", "bluish green", "yellow", "blue", "vermillion", "reddish purple", "black")
"""Names of the Okabe-Ito palette (Okabe & Ito 2002, Color Universal Design)."""

SHAPES = ("circle", "square", "triangle", "diamond", "pentagon", "hexagon", "star", "cross")

MIN_SLOTS = 4
MAX_SLOTS = 16
SNAPS_BEATS = (0.25, 0.5, 1.0, 4.0)
MAX_LABELS = 12
MAX_LABEL_LETTERS = 60


@dataclass(frozen=True, slots=True)
class SlotRule:
    """What one numbered slot is for, and how its marker is placed.

    ``lead_bars`` moves the marker that many bars before the event it names. ``loop_bars`` is the length of a loop and
    None for a point. ``snap_beats`` is the grid fraction, in beats, that the marker is pulled to. ``labels`` are those
    that a marker may have here; empty, any will do.
    """

    number: int
    name: str
    function: Function
    which: Which
    kind: Kind
    loop_bars: int | None
    lead_bars: int
    snap_beats: float
    required: bool
    labels: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class ConventionRules:
    """The rules that a draft follows."""

    name: str
    slots: tuple[SlotRule, ...]

    @classmethod
    def from_document(cls, document: dict[str, Any]) -> ConventionRules:
        """Read a convention document.

        Raises ``ValueError`` with one sentence naming the slot and what is wrong with it.
        """
        slots = document.get("slots")
        if not isinstance(slots, list) or not MIN_SLOTS <= len(slots) <= MAX_SLOTS:
            raise ValueError(f"A convention has {MIN_SLOTS} to {MAX_SLOTS} slots.")
        rules: list[SlotRule] = []
        for position, slot in enumerate(slots, start=1):
            rules.append(_read_slot(position, slot, after=rules[-1].number if rules else 0))
        return cls(name=str(document.get("name", "")), slots=tuple(rules))


def _read_slot(position: int, slot: Any, *, after: int) -> SlotRule:
    if not isinstance(slot, dict):
        raise ValueError(f"Slot {position} of the list must be an object with a number, a function and a kind.")
    number = slot.get("number")
    if not _is_whole(number) or not 1 <= number <= MAX_SLOTS:
        raise ValueError(f"Slot {position} of the list needs a number from 1 to {MAX_SLOTS}, not {number!r}.")
    if number <= after:
        raise ValueError(f"Slots stand in order, each number once, so slot {number} cannot follow slot {after}.")
    function = _choice(number, "function", slot.get("function"), FUNCTIONS)
    which = _choice(number, "which", slot.get("which", "first"), WHICH)
    kind = _choice(number, "kind", slot.get("kind", "point"), KINDS)
    loop_bars = slot.get("loop_bars")
    if kind == "loop":
        if not _is_whole(loop_bars) or not 1 <= loop_bars <= 64:
            raise ValueError(f"Slot {number} is a loop and needs loop_bars from 1 to 64.")
    else:
        loop_bars = None
    lead_bars = slot.get("lead_bars", 0)
    if not _is_whole(lead_bars) or not 0 <= lead_bars <= 64:
        raise ValueError(f"Slot {number}: lead_bars must be a whole number from 0 to 64.")
    snap_beats = slot.get("snap_beats", 1.0 if kind == "loop" else 0.25)
    if isinstance(snap_beats, bool) or snap_beats not in SNAPS_BEATS:
        raise ValueError(f"Slot {number}: snap_beats must be one of {', '.join(map(str, SNAPS_BEATS))}.")
    return SlotRule(
        number=number,
        name=str(slot.get("name") or function),
        function=function,
        which=which,
        kind=kind,
        loop_bars=loop_bars,
        lead_bars=lead_bars,
        snap_beats=float(snap_beats),
        required=bool(slot.get("required", False)),
        labels=_labels(number, slot.get("labels", [])),
    )


def agreed_labels(given: Iterable[str]) -> tuple[str, ...]:
    """The labels agreed for a slot, without spaces around them; a comma parts them where they are typed.

    Raises ``ValueError`` with one sentence that begins with a small letter.
    """
    labels = tuple(label.strip() for label in given)
    if len(labels) > MAX_LABELS:
        raise ValueError(f"at most {MAX_LABELS} labels can be agreed on, so take some out.")
    seen: set[str] = set()
    for label in labels:
        if not label:
            raise ValueError("an agreed label must not be empty.")
        if len(label) > MAX_LABEL_LETTERS:
            raise ValueError(f"the label “{label[:20]}…” has more than {MAX_LABEL_LETTERS} letters, so shorten it.")
        if "," in label or any(unicodedata.category(letter) in ("Cc", "Cs") for letter in label):
            raise ValueError("an agreed label holds no comma and no sign that cannot be shown.")
        if label_key(label) in seen:
            raise ValueError(f"the label “{label}” stands there twice, whatever its case, so take one out.")
        seen.add(label_key(label))
    return labels


def label_key(label: str) -> str:
    """What labels are compared by: case and the spaces around them do not count."""
    return label.strip().casefold()


def _labels(number: int, given: Any) -> tuple[str, ...]:
    if not isinstance(given, list) or not all(isinstance(label, str) for label in given):
        raise ValueError(f"Slot {number}: labels must be a list of texts.")
    try:
        return agreed_labels(given)
    except ValueError as error:
        raise ValueError(f"Slot {number}: {error}") from None


def _is_whole(value: Any) -> TypeGuard[int]:
    return isinstance(value, int) and not isinstance(value, bool)


def _choice(number: int, name: str, value: Any, allowed: tuple[Any, ...]) -> Any:
    if value not in allowed:
        raise ValueError(f"Slot {number}: {name} must be one of {', '.join(allowed)}.")
    return value
