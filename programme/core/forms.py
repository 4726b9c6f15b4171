"""Forms of sign-in and of the own account."""

from __future__ import annotations

from django.contrib.auth.forms import AuthenticationForm, PasswordChangeForm


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
