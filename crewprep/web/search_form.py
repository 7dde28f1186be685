"""The search of the Tracks page as a form, as an address, and as what the library is asked."""

from __future__ import annotations

from typing import Any
from urllib.parse import urlencode
from uuid import UUID

from django import forms
from django.http import QueryDict

from crewprep.crates.models import Crate
from crewprep.crates.selectors import crate_names
from crewprep.crews.models import Membership
from crewprep.crews.selectors import members_of
from crewprep.library.models import Stand
from crewprep.library.search import ANY_CHECK, ANYBODY, KEYS, NOBODY, SORT_CHOICES, Search
from crewprep.sheets.house_checks import CHECKS
from crewprep.web.words import key_words

Choices = list[tuple[str, str]]

MOST_LETTERS = 200

_CHOICE = {"invalid_choice": "Choose one of the list."}


class SearchForm(forms.Form):
    """What to find; every field may be left empty. Names are those of the address, so they stay as they are."""

    q = forms.CharField(
        label="Title or artist",
        required=False,
        max_length=MOST_LETTERS,
        widget=forms.TextInput(attrs={"type": "search", "autocomplete": "off"}),
        error_messages={"max_length": f"A search has at most {MOST_LETTERS} letters. Shorten it."},
    )
    state = forms.MultipleChoiceField(
        label="State",
        required=False,
        choices=Stand.choices,
        widget=forms.CheckboxSelectMultiple,
        error_messages={"invalid_choice": "Choose states of the list."},
    )
    holder = forms.ChoiceField(label="Held by", required=False, error_messages=_CHOICE)
    crate = forms.ChoiceField(label="Crate", required=False, error_messages=_CHOICE)
    check = forms.ChoiceField(label="House check", required=False, error_messages=_CHOICE)
    key = forms.ChoiceField(
        label="Key", required=False, choices=[("", "Any"), *((key, key_words(key)) for key in KEYS)],
        error_messages=_CHOICE,
    )  # fmt: skip
    tempo_from = forms.FloatField(label="Tempo from, BPM", required=False, min_value=20, max_value=400)
    tempo_to = forms.FloatField(label="Tempo to, BPM", required=False, min_value=20, max_value=400)
    level_from = forms.FloatField(label="Level from, LUFS", required=False, min_value=-70, max_value=5)
    level_to = forms.FloatField(label="Level to, LUFS", required=False, min_value=-70, max_value=5)
    sure_from = forms.FloatField(label="Confidence from, %", required=False, min_value=0, max_value=100)
    sure_to = forms.FloatField(label="Confidence to, %", required=False, min_value=0, max_value=100)
    sort = forms.ChoiceField(
        required=False, choices=[("", ""), *((one, one) for one in SORT_CHOICES)], widget=forms.HiddenInput
    )

    def __init__(self, member: Membership, data: QueryDict) -> None:
        super().__init__(data, use_required_attribute=False)
        people = [(str(one.user_id), "Me" if one.pk == member.pk else str(one.user)) for one in members_of(member)]
        people.sort(key=lambda person: person[1] != "Me")
        self.crates: list[Crate] = crate_names(member)
        self._choose("holder", [("", "Whoever"), *people, (NOBODY, "Nobody"), (ANYBODY, "Anybody")])
        self._choose("crate", [("", "Any or none"), *((str(crate.pk), crate.name) for crate in self.crates)])
        checks = [(check.code, f"Breaks “{check.name}”") for check in CHECKS]
        self._choose("check", [("", "Any sheet or none"), (ANY_CHECK, "Breaks any check"), *checks])
        for name in ("tempo", "level", "sure"):
            for field in (self.fields[f"{name}_from"], self.fields[f"{name}_to"]):
                field.error_messages["invalid"] = "Write a number, such as 128 or -9.5."
                field.widget.attrs["step"] = "any"

    def clean(self) -> dict[str, Any]:
        """Ranges begin before they end."""
        cleaned = super().clean() or self.cleaned_data
        for name, what in (("tempo", "tempo"), ("level", "level"), ("sure", "confidence")):
            low, high = cleaned.get(f"{name}_from"), cleaned.get(f"{name}_to")
            if low is not None and high is not None and low > high:
                self.add_error(f"{name}_to", f"The {what} ends below where it begins. Exchange the two.")
        return cleaned

    def search(self) -> Search:
        """The search; only where the form is valid."""
        given = self.cleaned_data
        holder = given["holder"]
        return Search(
            text=given["q"],
            states=tuple(given["state"]),
            holder=int(holder) if holder.isdecimal() else holder,
            tempo_from=given["tempo_from"],
            tempo_to=given["tempo_to"],
            key=given["key"],
            level_from=given["level_from"],
            level_to=given["level_to"],
            check=given["check"],
            confidence_from=_part(given["sure_from"]),
            confidence_to=_part(given["sure_to"]),
            crate=UUID(given["crate"]) if given["crate"] else None,
            sort=given["sort"] or "title",
        )

    def address(self, **other: str) -> str:
        """The query of the search's address, as short as it can be; ``other`` replaces values, an empty one goes."""
        values: list[tuple[str, str]] = []
        for name in self.fields:
            given = [other[name]] if name in other else self.data.getlist(name)  # type: ignore[attr-defined]  # QueryDict
            values += [(name, value) for value in given if value]
        values += [(name, value) for name, value in other.items() if name not in self.fields and value]
        return urlencode(values)

    @property
    def narrowed(self) -> bool:
        """Whether more than words is asked for."""
        return any(self.data.get(name) for name in self.fields if name not in ("q", "sort"))

    def _choose(self, name: str, choices: Choices) -> None:
        field = self.fields[name]
        assert isinstance(field, forms.ChoiceField)
        field.choices = choices


def _part(percent: float | None) -> float | None:
    return None if percent is None else percent / 100
