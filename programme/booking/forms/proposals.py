"""Forms of a proposal: what is asked for, what is to be different, what is accepted."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

from django import forms

from programme.booking.forms.places import MOST_WORDS, PlaceField, ReasonsForm
from programme.booking.models import Proposal
from programme.booking.numeric.reasons import Reasons
from programme.core.fields import DayField, DayInput

SECOND = "second_reason:"
"""Before a reference: the field of the reason for that person's place."""

ACTS = ("out", "back", "fix", "loose", "again", "drop")


class AskForm(forms.Form):
    """From when, for how many weeks, and who may be moved for it."""

    receipt = forms.CharField(widget=forms.HiddenInput, required=False, max_length=64)
    first = DayField(label="From", widget=DayInput({"class": "t"}), error_messages={"required": "Say from which day."})
    weeks = forms.IntegerField(
        label="Weeks",
        min_value=1,
        max_value=26,
        widget=forms.NumberInput(attrs={"class": "t"}),
        help_text="1 to 26. More weeks take longer.",
        error_messages={
            "required": "Say for how many weeks, 1 to 26.",
            "invalid": "Write a whole number of weeks, 1 to 26.",
            "min_value": "Allowed is 1 to 26 weeks.",
            "max_value": "Allowed is 1 to 26 weeks.",
        },
    )
    moves = forms.ChoiceField(
        label="Who may be moved for it",
        choices=Proposal.Moves.choices,
        widget=forms.Select(attrs={"class": "t"}),
        error_messages={"invalid_choice": "Choose one of those offered.", "required": "Say who may be moved."},
    )


class ChangeForm(forms.Form):
    """One change: a person left out or taken back, a place kept or let go, made again, dropped."""

    receipt = forms.CharField(required=False, max_length=64)
    version = forms.IntegerField(min_value=1)
    act = forms.CharField(max_length=400)
    place = PlaceField(required=False)

    def clean_act(self) -> tuple[str, str]:
        act, _, ref = self.cleaned_data["act"].partition(":")
        if act not in ACTS or (act not in ("again", "drop") and not ref):
            raise forms.ValidationError("Choose one of the things that are offered.")
        return act, ref

    def clean(self) -> dict[str, Any]:
        super().clean()
        if self.cleaned_data.get("act", ("", ""))[0] == "fix" and not self.cleaned_data.get("place"):
            self.add_error("place", "Choose the place to keep for them.")
        return self.cleaned_data


class AcceptForm(ReasonsForm):
    """Whose places are taken, why some are late, and for each by its reference why it is so near another place."""

    receipt = forms.CharField(required=False, max_length=64)
    version = forms.IntegerField(min_value=1)

    def __init__(self, data: Any) -> None:
        super().__init__(data)
        self.refs = [ref for ref in data.getlist("take") if len(ref) <= 64]
        given = {name.removeprefix(SECOND): str(data[name]) for name in data if name.startswith(SECOND)}
        self.second = {ref: words.strip() for ref, words in given.items()}

    def clean(self) -> dict[str, Any]:
        super().clean()
        if any(len(words) > MOST_WORDS for words in self.second.values()):
            self.add_error(None, f"A reason has at most {MOST_WORDS} letters; make it shorter.")
        return self.cleaned_data

    @property
    def reasons_of_each(self) -> dict[str, Reasons]:
        """The reasons for each place that is taken, by reference."""
        return {ref: replace(self.reasons, second=self.second.get(ref, "")) for ref in self.refs}
