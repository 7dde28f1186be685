"""The form of a convention's draft: what was typed as a document, and a document as a form."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from analysis_worker.core.convention import COLOURS, MAX_SLOTS, MIN_SLOTS, SHAPES
from crewprep.web.forms import ConventionNameForm, SlotForm, SlotFormSet

PREFIX = "slots"


class SlotInForm:
    """A slot as it stands in the form, for its badge and its summary line; ``place`` counts from 1."""

    def __init__(self, place: int, form: SlotForm) -> None:
        self.place = place
        self.form = form

    def _value(self, name: str) -> str:
        value = self.form[name].value()
        return "" if value is None else str(value)

    @property
    def number(self) -> int:
        """What is typed, or its place."""
        return int(self._value("number")) if self._value("number").isdecimal() else self.place

    @property
    def name(self) -> str:
        """What is typed, or that nothing is."""
        return self._value("name") or "without a name"

    @property
    def colour(self) -> str:
        """The chosen colour."""
        return self._value("colour")

    @property
    def shape(self) -> str:
        """The chosen shape."""
        return self._value("shape")

    @property
    def summary(self) -> str:
        """``loop of 4 bars, last exit loop``."""
        bars = self._value("loop_bars")
        kind = f"loop of {bars or '?'} bars" if self._value("kind") == "loop" else "point"
        function = self._value("function")
        return f"{kind}, {function if function == 'free' else ' '.join((self._value('which'), function))}"


def form_of(document: Mapping[str, Any]) -> tuple[ConventionNameForm, Any]:
    """The two forms that show a document."""
    return (
        ConventionNameForm(initial={"name": document.get("name", "")}),
        SlotFormSet(initial=list(document.get("slots", ())), prefix=PREFIX),
    )


def document_of(posted: Mapping[str, str]) -> dict[str, Any]:
    """What was typed as a document: slots that are in order as they are meant, the others as they were typed."""
    forms = SlotFormSet(posted, prefix=PREFIX).forms[:MAX_SLOTS]
    typed = _typed(posted)
    slots: list[dict[str, Any]] = [
        dict(form.cleaned_data) if form.is_valid() else raw for form, raw in zip(forms, typed, strict=False)
    ]
    return {"name": posted.get("name", "").strip(), "slots": in_order(slots)}


def rearranged(document: dict[str, Any], wanted: str, place: int) -> tuple[dict[str, Any], int | None]:
    """The document with one slot more, less or elsewhere, and the place to look at now.

    ``add``, ``remove`` (its number stays free), ``up`` (two slots swap their numbers), ``close`` (number from 1 again);
    anything else, and what cannot be done, leaves it as it is.
    """
    slots = [dict(slot) for slot in document["slots"]]
    focus = None
    if wanted == "add" and len(slots) < MAX_SLOTS:
        added = _new_slot(_free_number(slots))
        slots = in_order([*slots, added])
        focus = slots.index(added) + 1
    elif wanted == "remove" and len(slots) > MIN_SLOTS and 1 <= place <= len(slots):
        del slots[place - 1]
    elif wanted == "up" and 2 <= place <= len(slots):
        above, below = slots[place - 2], slots[place - 1]
        above["number"], below["number"] = below.get("number"), above.get("number")
        slots[place - 2 : place] = [below, above]
        focus = place - 1
    elif wanted == "close":
        for number, slot in enumerate(slots, start=1):
            slot["number"] = number
    return {**document, "slots": slots}, focus


def in_order(slots: list[dict[str, Any]]) -> list[dict[str, Any]]:
    """By number; a slot whose number is none stays behind the one before it."""
    keys: list[tuple[int, int]] = []
    for place, slot in enumerate(slots):
        number = slot.get("number")
        known = number if isinstance(number, int) else int(str(number)) if str(number).isdecimal() else None
        keys.append((known if known is not None else keys[-1][0] if keys else 0, place))
    return [slots[place] for _, place in sorted(keys)]


def _typed(posted: Mapping[str, str]) -> list[dict[str, Any]]:
    total = posted.get(f"{PREFIX}-TOTAL_FORMS", "0")
    count = min(int(total), MAX_SLOTS) if total.isdecimal() and len(total) < 4 else 0
    return [
        {name: posted.get(f"{PREFIX}-{index}-{name}", "")[:1000] for name in SlotForm.base_fields}
        for index in range(count)
    ]


def _free_number(slots: list[dict[str, Any]]) -> int:
    """The number after the last, as one that was retired may still stand on sheets; else the lowest that is free."""
    taken = {int(str(slot["number"])) for slot in slots if str(slot.get("number")).isdecimal()}
    after = max(taken, default=0) + 1
    return after if after <= MAX_SLOTS else min(set(range(1, MAX_SLOTS + 1)) - taken)


def _new_slot(number: int) -> dict[str, Any]:
    return {
        "number": number, "name": "", "function": "free", "which": "first", "kind": "point", "lead_bars": 0,
        "snap_beats": 0.25, "colour": COLOURS[(number - 1) % len(COLOURS)], "shape": SHAPES[(number - 1) % len(SHAPES)],
    }  # fmt: skip
