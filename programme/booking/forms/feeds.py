"""The form of a calendar's address: whose it is."""

from __future__ import annotations

from datetime import date
from typing import Any

from django import forms

from programme.booking.forms.person import PersonForm
from programme.booking.models import Chair
from programme.booking.queries.chairs import chairs_there
from programme.core.models import Site


class FeedForm(PersonForm):
    """A chair's calendar, or a person's by their reference."""

    hints = {"patient_ref": "for a person’s own calendar; leave the chair empty then"}

    chair = forms.ModelChoiceField(
        label="Chair", queryset=Chair.objects.none(), required=False, empty_label="no chair"
    )  # fmt: skip
    patient_ref = forms.CharField(label="Person’s reference", max_length=40, required=False, strip=True)

    def __init__(self, *args: Any, site: Site, today: date, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.fields["chair"].queryset = chairs_there(site, today)  # type: ignore[attr-defined]


class RevokeForm(PersonForm):
    """Only the key: which one is in the address."""
