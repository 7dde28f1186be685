"""What pages ask for. Forms say what is wrong at the field; the services decide again."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from django import forms
from django.contrib.auth.forms import AuthenticationForm

from analysis_worker.core.convention import (
    COLOURS,
    FUNCTIONS,
    KINDS,
    MAX_SLOTS,
    MIN_SLOTS,
    SHAPES,
    SNAPS_BEATS,
    WHICH,
    agreed_labels,
)  # fmt: skip


def _choices(values: tuple[str, ...]) -> list[tuple[str, str]]:
    return [(value, value) for value in values]


class SignInForm(AuthenticationForm):
    """Name and password, as password managers expect them."""

    error_messages = {
        "invalid_login": "The name and the password do not belong together. Check both and try again.",
        "inactive": "This account is closed. Ask a lead of your crew.",
    }

    def __init__(self, *args: Any, **options: Any) -> None:
        super().__init__(*args, **options)
        self.fields["username"].label = "Name to sign in with"
        self.fields["username"].error_messages["required"] = "Write the name that you sign in with."
        self.fields["password"].error_messages["required"] = "Type your password."


class CrateForm(forms.Form):
    """A new crate."""

    name = forms.CharField(
        max_length=80,
        help_text="Such as the night it is for.",
        error_messages={
            "required": "Give the crate a name, such as the night it is for.",
            "max_length": "A crate's name has at most 80 letters. Shorten it.",
        },
    )
    night_date = forms.DateField(
        label="Date of the night",
        required=False,
        widget=forms.DateInput(attrs={"type": "date"}, format="%Y-%m-%d"),
        help_text="Leave it empty where the crate is for no certain night.",
        error_messages={"invalid": "Write the date as year-month-day, such as 2030-12-31."},
    )


class NightForm(forms.Form):
    """When a night is, and until when its tracks should be ready: times by the clocks of its time zone."""

    name = forms.CharField(
        max_length=80,
        error_messages={
            "required": "Give the night a name, such as the place or the party.",
            "max_length": "A night's name has at most 80 letters. Shorten it.",
        },
    )
    date = forms.DateField(
        widget=forms.DateInput(attrs={"type": "date"}, format="%Y-%m-%d"),
        error_messages={
            "required": "Say on which date it is.",
            "invalid": "Write the date as year-month-day, such as 2030-12-31.",
        },
    )
    doors_at = forms.TimeField(
        label="Doors open at",
        required=False,
        widget=forms.TimeInput(attrs={"type": "time"}, format="%H:%M"),
        help_text="Leave it empty where it is not certain yet.",
        error_messages={"invalid": "Write the time as hours and minutes, such as 22:30."},
    )
    time_zone = forms.CharField(
        max_length=64,
        widget=forms.TextInput(attrs={"list": "time-zones", "autocomplete": "off", "spellcheck": "false"}),
        help_text="Whose clocks count, such as Europe/Lisbon.",
        error_messages={"required": "Choose a time zone from the list, such as Europe/Lisbon."},
    )
    ready_by = forms.DateTimeField(
        label="Tracks ready by",
        required=False,
        input_formats=["%Y-%m-%dT%H:%M", "%Y-%m-%d %H:%M", "%Y-%m-%dT%H:%M:%S"],
        widget=forms.DateTimeInput(attrs={"type": "datetime-local"}, format="%Y-%m-%dT%H:%M"),
        help_text="The deadline, by the same clocks. Without one, the night's own date counts.",
        error_messages={"invalid": "Write the deadline as year-month-day hours:minutes, such as 2030-12-30 18:00."},
    )


class ConventionNameForm(forms.Form):
    """The name under which a convention is published."""

    name = forms.CharField(
        label="Name of the convention",
        max_length=80,
        help_text="Under a name that your crew has already, this becomes its next version.",
        error_messages={
            "required": "Give the convention a name.",
            "max_length": "A convention's name has at most 80 letters. Shorten it.",
        },
    )


class LabelsField(forms.Field):
    """Labels agreed for a slot, typed with commas between them; a comma too many is no mistake."""

    def to_python(self, value: Any) -> list[str]:
        """The labels; raises ``ValidationError`` with one sentence."""
        try:
            return list(agreed_labels(label for label in str(value or "").split(",") if label.strip()))
        except ValueError as error:
            sentence = str(error)
            raise forms.ValidationError(sentence[0].upper() + sentence[1:]) from error

    def prepare_value(self, value: Any) -> Any:
        """A list as it is typed; what was typed as it stands."""
        return ", ".join(map(str, value)) if isinstance(value, (list, tuple)) else value


class SlotForm(forms.Form):
    """One slot of a convention."""

    number = forms.IntegerField(
        min_value=1,
        max_value=MAX_SLOTS,
        help_text="On sheets and keys.",
        error_messages={
            "required": f"Give the slot a number, 1 to {MAX_SLOTS}.",
            "invalid": f"Write a whole number, 1 to {MAX_SLOTS}.",
            "min_value": "Slots are numbered from 1.",
            "max_value": f"The highest number is {MAX_SLOTS}.",
        },
    )
    name = forms.CharField(
        max_length=40,
        error_messages={
            "required": "Give the slot a name.",
            "max_length": "A slot's name has at most 40 letters. Shorten it.",
        },
    )
    function = forms.ChoiceField(choices=_choices(FUNCTIONS))
    which = forms.ChoiceField(choices=_choices(WHICH), label="Which one")
    kind = forms.ChoiceField(choices=_choices(KINDS))
    loop_bars = forms.IntegerField(
        label="Loop length in bars",
        required=False,
        min_value=1,
        max_value=64,
        help_text="For loops only.",
        error_messages={
            "invalid": "Write a whole number of bars, 1 to 64.",
            "min_value": "A loop has at least 1 bar.",
            "max_value": "A loop has at most 64 bars.",
        },
    )
    lead_bars = forms.IntegerField(
        label="Lead in bars",
        min_value=0,
        max_value=64,
        help_text="So many bars before the event.",
        error_messages={
            "required": "Write how many bars before the event, or 0.",
            "invalid": "Write a whole number of bars, 0 to 64.",
            "min_value": "A lead has 0 bars or more.",
            "max_value": "A lead has at most 64 bars.",
        },
    )
    snap_beats = forms.TypedChoiceField(
        label="Snap in beats", coerce=float, choices=[(str(snap), f"{snap:g}") for snap in SNAPS_BEATS]
    )
    colour = forms.ChoiceField(choices=_choices(COLOURS))
    shape = forms.ChoiceField(choices=_choices(SHAPES))
    required = forms.BooleanField(label="Every track needs it", required=False)
    guidance = forms.CharField(
        max_length=300,
        required=False,
        widget=forms.Textarea(attrs={"rows": 2}),
        help_text="One sentence: how to find the place.",
        error_messages={"max_length": "Guidance has at most 300 letters. Shorten it."},
    )
    labels = LabelsField(
        label="Agreed labels",
        required=False,
        help_text="With commas between them; markers here must have one of these. Empty: any label will do.",
    )

    def clean(self) -> dict[str, Any]:
        """A loop needs a length, a point has none."""
        cleaned = super().clean() or self.cleaned_data
        if cleaned.get("kind") == "point":
            cleaned["loop_bars"] = None
        elif cleaned.get("kind") == "loop" and cleaned.get("loop_bars") is None and "loop_bars" not in self.errors:
            self.add_error("loop_bars", "A loop needs a length. Write how many bars, 1 to 64.")
        return cleaned


if TYPE_CHECKING:
    _BaseFormSet = forms.BaseFormSet[SlotForm]
else:
    _BaseFormSet = forms.BaseFormSet  # takes no type argument when it runs


class _SlotFormSet(_BaseFormSet):
    """4 to 16 slots, all of them asked for, each with its own number."""

    def clean(self) -> None:
        """A number stands for one slot."""
        seen: set[int] = set()
        for form in self.forms:
            number = getattr(form, "cleaned_data", {}).get("number")
            if number in seen:
                form.add_error("number", f"Another slot has number {number} already. Choose one that is free.")
            elif number is not None:
                seen.add(number)

    def get_form_kwargs(self, index: int | None) -> dict[str, Any]:
        """No form may be left out: an emptied slot is a mistake, not an absent one."""
        return {**super().get_form_kwargs(index), "empty_permitted": False, "use_required_attribute": False}


SlotFormSet = forms.formset_factory(
    SlotForm,
    formset=_SlotFormSet,
    extra=0,
    min_num=MIN_SLOTS,
    max_num=MAX_SLOTS,
    absolute_max=MAX_SLOTS + 1,
    validate_min=True,
    validate_max=True,
)
