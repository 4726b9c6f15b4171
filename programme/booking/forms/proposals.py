"""Forms of a proposal: what is asked for, what is to be different, what is accepted."""

from __future__ import annotations

from typing import Any

from django import forms

from programme.booking.forms.places import PlaceField
from programme.booking.models import Proposal

ACTS = ("out", "back", "fix", "loose", "again", "drop")


class AskForm(forms.Form):
    """From when, for how many weeks, and who may be moved for it."""

    receipt = forms.CharField(widget=forms.HiddenInput, required=False, max_length=64)
    first = forms.DateField(
        label="From",
        widget=forms.DateInput(attrs={"class": "t", "type": "date"}, format="%Y-%m-%d"),
        error_messages={"required": "Say from which day.", "invalid": "Write a day such as 2026-06-01."},
    )
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


class AcceptForm(forms.Form):
    """Whose places are taken, and why some are late."""

    receipt = forms.CharField(required=False, max_length=64)
    version = forms.IntegerField(min_value=1)
    late_reason = forms.CharField(required=False, max_length=400, strip=True)
    far_late = forms.BooleanField(required=False)

    def __init__(self, data: Any) -> None:
        super().__init__(data)
        self.refs = [ref for ref in data.getlist("take") if len(ref) <= 64]
