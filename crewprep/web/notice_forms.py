"""The form of a member's choices about notices."""

from __future__ import annotations

from typing import Any

from django import forms
from django.forms import BoundField
from django.http import QueryDict

from crewprep.notices.hours import zones
from crewprep.notices.kinds import WAYS, Kind, Way
from crewprep.notices.models import NoticeChoices

_HOURS = [(hour, f"{hour:02d}:00") for hour in range(24)]
_TIME = {"invalid": "Write the time as hours and minutes, such as 22:30."}


class NoticeChoicesForm(forms.Form):
    """One choice a kind, and the hours."""

    when = forms.ChoiceField(
        label="Mails come",
        choices=[("single", "One by one, as things happen"), ("digest", "Once a day, all in one"), ("none", "Never")],
    )
    digest_hour = forms.TypedChoiceField(label="Hour of the daily mail", coerce=int, choices=_HOURS)
    quiet_from = forms.TimeField(
        label="Quiet from",
        required=False,
        widget=forms.TimeInput(attrs={"type": "time"}, format="%H:%M"),
        help_text="No mail comes in quiet hours; it comes when they end.",
        error_messages=_TIME,
    )
    quiet_until = forms.TimeField(
        label="Quiet until",
        required=False,
        widget=forms.TimeInput(attrs={"type": "time"}, format="%H:%M"),
        help_text="They may go across midnight. Leave both empty for none.",
        error_messages=_TIME,
    )
    zone = forms.ChoiceField(
        label="Your time zone",
        choices=lambda: [(name, name.replace("_", " ")) for name in zones()],
        help_text="All hours here are by its clock.",
    )

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        for kind in Kind:
            self.fields[kind.value] = forms.ChoiceField(label=kind.label, choices=Way.choices)

    @classmethod
    def of(cls, choices: NoticeChoices, posted: QueryDict | None) -> NoticeChoicesForm:
        """The form as the member has chosen so far."""
        when = "none" if choices.mail_off else "digest" if choices.digest else "single"
        initial: dict[str, Any] = {**WAYS, **choices.ways, "when": when}
        names = ("digest_hour", "quiet_from", "quiet_until", "zone")
        return cls(posted, initial={**initial, **{name: getattr(choices, name) for name in names}})

    def kinds(self) -> list[BoundField]:
        """The fields of the kinds, in their order."""
        return [self[kind.value] for kind in Kind]

    def chosen(self) -> dict[str, Any]:
        """The arguments for ``choices.choose``."""
        given = self.cleaned_data
        return {
            "ways": {kind.value: given[kind.value] for kind in Kind},
            "mail_off": given["when"] == "none",
            "digest": given["when"] == "digest",
            **{name: given[name] for name in ("digest_hour", "quiet_from", "quiet_until", "zone")},
        }
