"""Forms about people: invitations, joining, one's account. Named as password managers expect them (WCAG 2.2, 1.3.5)."""

from __future__ import annotations

from typing import Any

from django import forms
from django.contrib.auth.forms import PasswordChangeForm, SetPasswordForm
from django.contrib.auth.password_validation import validate_password
from django.core.exceptions import ValidationError

from crewprep.crews.models import Role, User


class InviteForm(forms.Form):
    """Whom to invite as what."""

    role = forms.ChoiceField(
        choices=Role.choices,
        initial=Role.NEWCOMER,
        error_messages={
            "invalid_choice": "Choose one of the three roles.",
            "required": "Choose one of the three roles.",
        },
    )
    note = forms.CharField(
        label="Whom it is for",
        max_length=120,
        required=False,
        widget=forms.TextInput(attrs={"autocomplete": "off"}),
        help_text="For you and the other leads, to tell your invitations apart.",
        error_messages={"max_length": "This has at most 120 letters. Shorten it."},
    )


class JoinForm(forms.Form):
    """A new account, made with an invitation."""

    username = forms.CharField(
        label="Name to sign in with",
        max_length=60,
        validators=[User.username_validator],
        widget=forms.TextInput(attrs={"autocomplete": "username", "autocapitalize": "none", "spellcheck": "false"}),
        help_text="Letters, digits and @ . + - _ only.",
        error_messages={
            "required": "Choose a name to sign in with.",
            "invalid": "Use letters, digits and @ . + - _ only.",
            "max_length": "This name has at most 60 letters. Shorten it.",
        },
    )
    display_name = forms.CharField(
        label="Name that your crew sees",
        max_length=80,
        required=False,
        widget=forms.TextInput(attrs={"autocomplete": "nickname"}),
        help_text="Left empty, it is the name to sign in with.",
        error_messages={"max_length": "This name has at most 80 letters. Shorten it."},
    )
    password = forms.CharField(
        max_length=200,
        strip=False,
        widget=forms.PasswordInput(attrs={"autocomplete": "new-password"}),
        help_text="Ten characters or more, not a common password and not like your names.",
        error_messages={"required": "Choose a password.", "max_length": "A password has at most 200 characters."},
    )
    password_again = forms.CharField(
        label="The same password again",
        max_length=200,
        strip=False,
        widget=forms.PasswordInput(attrs={"autocomplete": "new-password"}),
        error_messages={
            "required": "Type the password once more.",
            "max_length": "A password has at most 200 characters.",
        },
    )

    def clean(self) -> dict[str, Any]:
        """The passwords agree, and the validators of the settings have nothing against them."""
        cleaned = super().clean() or self.cleaned_data
        password, again = cleaned.get("password"), cleaned.get("password_again")
        if password and again and password != again:
            self.add_error("password_again", "The two passwords differ. Type the same one twice.")
        if password:
            person = User(username=cleaned.get("username", ""), display_name=cleaned.get("display_name", ""))
            try:
                validate_password(password, person)
            except ValidationError as error:
                self.add_error("password", error)
        return cleaned


class ProfileForm(forms.Form):
    """The name that others see, and an address."""

    display_name = forms.CharField(
        label="Name that your crews see",
        max_length=80,
        required=False,
        widget=forms.TextInput(attrs={"autocomplete": "nickname"}),
        help_text="Left empty, it is the name that you sign in with.",
        error_messages={"max_length": "This name has at most 80 letters. Shorten it."},
    )
    email = forms.EmailField(
        label="E-mail",
        max_length=254,
        required=False,
        widget=forms.EmailInput(attrs={"autocomplete": "email"}),
        help_text="Only you and whoever runs the service can see it. Left empty, nothing is mailed to you.",
        error_messages={"invalid": "Write an address such as name@example.org, or leave it empty."},
    )


class TokenForm(forms.Form):
    """A token for a program."""

    name = forms.CharField(
        max_length=60,
        widget=forms.TextInput(attrs={"autocomplete": "off"}),
        help_text="Such as the program that uses it.",
        error_messages={
            "required": "Give the token a name.",
            "max_length": "A name has at most 60 letters. Shorten it.",
        },
    )
    crew = forms.ChoiceField(
        label="Opens", required=False, error_messages={"invalid_choice": "Choose one of your crews, or all of them."}
    )
    access = forms.ChoiceField(
        label="It may",
        choices=[("read", "read"), ("write", "read and write")],
        error_messages={"invalid_choice": "Choose what it may do.", "required": "Choose what it may do."},
    )
    days = forms.TypedChoiceField(
        label="It works for",
        coerce=int,
        initial=30,
        choices=[(7, "7 days"), (30, "30 days"), (90, "90 days"), (365, "a year")],
        error_messages={"invalid_choice": "Choose one of the times.", "required": "Choose one of the times."},
    )

    def __init__(self, data: Any = None, *, crews: list[tuple[str, str]]) -> None:
        super().__init__(data)
        self.fields["crew"].choices = [("", "all my crews"), *crews]  # type: ignore[attr-defined]  # a choice field


class ForgottenForm(forms.Form):
    """Who forgot their password."""

    said = forms.CharField(
        label="Name to sign in with, or your address",
        max_length=254,
        widget=forms.TextInput(attrs={"autocomplete": "username", "autocapitalize": "none", "spellcheck": "false"}),
        error_messages={
            "required": "Write the name that you sign in with, or the address of your account.",
            "max_length": "A name or an address has at most 254 letters. Write yours.",
        },
    )


class NewPasswordForm(SetPasswordForm):  # type: ignore[type-arg]  # takes no argument at run time
    """Django's, in our words."""

    error_messages = {"password_mismatch": "The two passwords differ. Type the same one twice."}

    def __init__(self, *args: Any, **options: Any) -> None:
        super().__init__(*args, **options)
        self.fields["new_password1"].label = "New password"
        self.fields[
            "new_password1"
        ].help_text = "Ten characters or more, not a common password and not like your names."
        self.fields["new_password2"].label = "The new password again"
        self.fields["new_password2"].help_text = ""
        for field in self.fields.values():
            field.error_messages["required"] = "Type the password."


class ChangePasswordForm(NewPasswordForm, PasswordChangeForm):
    """Django's, in our words."""

    error_messages = {
        **NewPasswordForm.error_messages,
        "password_incorrect": "That is not your password. Type it again.",
    }

    def __init__(self, *args: Any, **options: Any) -> None:
        super().__init__(*args, **options)
        self.fields["old_password"].label = "Your password now"


class CloseForm(forms.Form):
    """The password, typed to close the account."""

    password = forms.CharField(
        label="Your password",
        max_length=200,
        strip=False,
        widget=forms.PasswordInput(attrs={"autocomplete": "current-password"}),
        error_messages={"required": "Type your password to close the account."},
    )
