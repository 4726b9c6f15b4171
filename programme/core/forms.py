"""Forms of sign-in and of the own account."""

from __future__ import annotations

from typing import Any

from django import forms
from django.contrib.auth.forms import AuthenticationForm, PasswordChangeForm
from django.core.exceptions import ValidationError

from programme.core.models import User


class SignInForm(AuthenticationForm):
    """Name and password; the message never says which of the two was wrong."""

    error_messages = {
        "invalid_login": (
            "Name and password do not fit together. What you typed as name is kept; the password is not."
        ),
        "inactive": "Name and password do not fit together. What you typed as name is kept; the password is not.",
    }


class ChangePasswordForm(PasswordChangeForm):
    """The old password, and the new one twice."""

    error_messages = PasswordChangeForm.error_messages | {
        "password_incorrect": "The present password is not this one. Nothing was changed.",
        "password_mismatch": "The two new passwords differ. Nothing was changed.",
    }


class PinForm(forms.Form):
    """The password, and the new PIN twice."""

    password = forms.CharField(
        label="Your password", widget=forms.PasswordInput(attrs={"class": "t", "autocomplete": "current-password"})
    )
    pin = forms.CharField(label="New PIN", help_text="6 to 12 digits", widget=forms.PasswordInput(
        attrs={"class": "t", "inputmode": "numeric", "autocomplete": "off"}))  # fmt: skip
    again = forms.CharField(label="New PIN again", widget=forms.PasswordInput(
        attrs={"class": "t", "inputmode": "numeric", "autocomplete": "off"}))  # fmt: skip

    def __init__(self, user: User, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.user = user

    def clean(self) -> dict[str, Any]:
        given = self.cleaned_data
        if "password" in given and not self.user.check_password(given["password"]):
            self.add_error("password", ValidationError("The password is not this one. Nothing was changed."))
        if given.get("pin") != given.get("again"):
            self.add_error("again", ValidationError("The two PINs differ. Nothing was changed."))
        return given
