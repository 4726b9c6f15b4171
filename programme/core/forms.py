"""Forms of sign-in and of the own account."""

from __future__ import annotations

from datetime import datetime
from typing import Any

from django import forms
from django.contrib.auth.forms import AuthenticationForm, PasswordChangeForm
from django.core.exceptions import ValidationError

from programme.core.models import Role, User
from programme.core.proofs import prove_again
from programme.core.receipts import LONGEST_KEY
from programme.core.sign_ins import Place, is_long_enough_alone, prove_password, prove_second


class SignInForm(AuthenticationForm):
    """Name and password; the message never says which of the two was wrong."""

    def __init__(self, *args: Any, place: Place, at: datetime, returning: str, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.place, self.at, self.returning = place, at, returning

    def clean(self) -> dict[str, Any]:
        name, password = self.cleaned_data.get("username"), self.cleaned_data.get("password")
        if name and password:
            given = {"name": name, "password": password, "returning": self.returning}
            self.user_cache = prove_password(**given, place=self.place, at=self.at)
        return self.cleaned_data


class SecondStepForm(forms.Form):
    """Six digits or a recovery code, once the password was right, or the provider said who it is."""

    code = forms.CharField(max_length=40, required=False)

    def __init__(
        self, *args: Any, user: User, place: Place, at: datetime, outside: bool = False, **kwargs: Any
    ) -> None:
        super().__init__(*args, **kwargs)
        self.user, self.place, self.at, self.outside = user, place, at, outside

    def clean_code(self) -> str:
        given = {"user": self.user, "code": self.cleaned_data["code"]}
        prove_second(**given, place=self.place, at=self.at, outside=self.outside)
        return str(self.cleaned_data["code"])


class ChangePasswordForm(PasswordChangeForm):
    """The old password, and the new one twice."""

    error_messages = PasswordChangeForm.error_messages | {
        "password_mismatch": "The two new passwords differ. Nothing was changed.",
    }

    def __init__(self, *args: Any, at: datetime, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.at = at

    def clean_old_password(self) -> str:
        given = str(self.cleaned_data["old_password"])
        prove_again(user=self.user, password=given, at=self.at)
        return given

    def clean_new_password1(self) -> str:
        given = str(self.cleaned_data["new_password1"])
        if self.user.initial_password_until is not None and self.user.check_password(given):
            raise ValidationError(
                "This is the password that an administrator was shown. Choose one that only you know."
            )
        return given

    def save(self, commit: bool = True) -> User:
        """Write the password alone: what else is kept of the person may have been changed meanwhile."""
        self.user.set_password(self.cleaned_data["new_password1"])
        self.user.initial_password_until = None
        if commit:
            self.user.save(update_fields=["password", "initial_password_until"])
        return self.user


class PasswordForm(forms.Form):
    """The own password, asked for again before how one signs in is changed."""

    password = forms.CharField(
        label="Your password", strip=False,
        widget=forms.PasswordInput(attrs={"class": "t", "autocomplete": "current-password"}),
    )  # fmt: skip

    def __init__(self, user: User, *args: Any, at: datetime, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.user, self.at = user, at

    def clean_password(self) -> str:
        given = str(self.cleaned_data["password"])
        prove_again(user=self.user, password=given, at=self.at)
        return given


class SecondProofForm(PasswordForm):
    """The password, and the six digits that show that the telephone has the secret."""

    code = forms.CharField(
        label="Six digits", max_length=12, widget=forms.TextInput(
            attrs={"class": "t", "inputmode": "numeric", "autocomplete": "one-time-code"}),
    )  # fmt: skip


class SecondProofOffForm(PasswordForm):
    """The password, which must be long enough to stand alone."""

    def clean_password(self) -> str:
        given = super().clean_password()
        if not is_long_enough_alone(given):
            raise ValidationError(
                "This password only goes with a second proof. Change it to one of 15 characters first."
            )
        return given


class PinForm(PasswordForm):
    """The password, and the new PIN twice."""

    pin = forms.CharField(label="New PIN", help_text="6 to 12 digits", widget=forms.PasswordInput(
        attrs={"class": "t", "inputmode": "numeric", "autocomplete": "off"}))  # fmt: skip
    again = forms.CharField(label="New PIN again", widget=forms.PasswordInput(
        attrs={"class": "t", "inputmode": "numeric", "autocomplete": "off"}))  # fmt: skip

    def clean(self) -> dict[str, Any]:
        given = self.cleaned_data
        if given.get("pin") != given.get("again"):
            self.add_error("again", ValidationError("The two PINs differ. Nothing was changed."))
        return given


def typed() -> forms.TextInput:
    return forms.TextInput(attrs={"class": "t", "autocomplete": "off", "size": 40})


class NewUserForm(forms.Form):
    """Somebody who is to sign in."""

    receipt = forms.CharField(max_length=LONGEST_KEY, widget=forms.HiddenInput)
    full_name = forms.CharField(label="Name, as it stands beside what they do", max_length=120, widget=typed())
    username = forms.CharField(label="Name to sign in with", max_length=60, widget=typed())
    role = forms.ChoiceField(label="Role", choices=[("", "choose"), *Role.choices])


class UserForm(forms.Form):
    """What an administrator may change of somebody."""

    receipt = forms.CharField(max_length=LONGEST_KEY, widget=forms.HiddenInput)
    version = forms.IntegerField(widget=forms.HiddenInput)
    full_name = forms.CharField(label="Name, as it stands beside what they do", max_length=120, widget=typed())
    role = forms.ChoiceField(label="Role", choices=Role.choices)
    is_active = forms.BooleanField(label="Signs in at this unit", required=False)
    reason = forms.CharField(label="Why", max_length=400, widget=typed())


class HelpForm(forms.Form):
    """What is done so that somebody can sign in again, or no longer does, and why."""

    receipt = forms.CharField(max_length=LONGEST_KEY, widget=forms.HiddenInput)
    version = forms.IntegerField(widget=forms.HiddenInput)
    what = forms.ChoiceField(choices=[(one, one) for one in ("password", "second_proof", "end", "open")])
    reason = forms.CharField(label="Why, and how you know who asks", max_length=400)


class OutsideForm(forms.Form):
    """The account with the provider that is to sign somebody in, empty for none, and why."""

    receipt = forms.CharField(max_length=LONGEST_KEY, widget=forms.HiddenInput)
    version = forms.IntegerField(widget=forms.HiddenInput)
    subject = forms.CharField(label="Account, as the provider names it", max_length=255, required=False)
    reason = forms.CharField(label="Why, and how you know whose it is", max_length=400)
