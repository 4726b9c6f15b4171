"""Forms about what is kept of a person."""

from __future__ import annotations

from django import forms

from programme.core.models import EraseKind
from programme.worklist.forms.fields import ChoiceField, EdgeField, EdgeForm, Part


class ExportForm(EdgeForm):
    """Why all that is stored of a person is given away, and to whom."""

    why = EdgeField(
        label="To whom and why", required=True, most=300, wide=True, help_text="for example: asked for by herself"
    )

    parts = (Part("The reason", ("why",), note="it stands in the person’s trail with your name"),)


def own_secret() -> EdgeField:
    return EdgeField(
        label="Your own password or PIN", most=128, required=True, help_text="so that it is you who signs",
        widget=forms.PasswordInput(attrs={"autocomplete": "off"}), strip=False,
    )  # fmt: skip


def reference_again(words: str) -> EdgeField:
    return EdgeField(label="The reference, typed again", most=40, required=True, help_text=words)


class AskErasureForm(EdgeForm):
    """Why a record is to be erased, whose it is, and who asks."""

    kind = ChoiceField(label="Ground", required=True, wide=True, choices=[("", "choose"), *EraseKind.choices])
    reason = EdgeField(
        label="In words", required=True, most=300, wide=True,
        help_text="no name, no reference, nothing clinical: these words stay when the record is gone",
    )  # fmt: skip
    typed_ref = reference_again("from the paper or letter that asks for it, not from this page")
    secret = own_secret()

    parts = (
        Part("Why", ("kind", "reason")),
        Part("Whose, and who asks", ("typed_ref", "secret"), note="nothing is erased before somebody else agrees"),
    )


class AgreeForm(EdgeForm):
    """That a second person agrees."""

    typed_ref = reference_again("from the paper that you were given, not from this page")
    secret = own_secret()

    parts = (Part("Agree", ("typed_ref", "secret")),)


class WithdrawForm(EdgeForm):
    """That an erasure is not to be done, and why."""

    reason = EdgeField(label="Why", required=True, most=300, wide=True, help_text="no name and no reference")
    secret = own_secret()

    parts = (Part("Withdraw", ("reason", "secret")),)


class CarryOutForm(EdgeForm):
    """That a due erasure is done now and not in the night."""

    secret = own_secret()

    parts = (Part("Erase now", ("secret",)),)
