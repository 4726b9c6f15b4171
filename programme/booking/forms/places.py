"""Forms of placing: which place, and what is done with a booking."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date
from typing import Any

from django import forms
from django.core.exceptions import ValidationError

from programme.booking.numeric.reasons import Reasons
from programme.core.fields import DayField

MOST_WORDS = 400
ACTS = ("confirm", "came", "missed", "cancel", "move")


@dataclass(frozen=True, slots=True)
class Asked:
    """A place as a page sends it: chair, day and slot, joined by '|'."""

    chair_pk: int
    on: date
    slot: int


class PlaceField(forms.CharField):
    """'chair|2026-06-09|slot'."""

    def __init__(self, **kwargs: Any) -> None:
        super().__init__(max_length=60, **kwargs)

    def clean(self, value: Any) -> Asked | None:
        text = super().clean(value)
        if not text:
            return None
        try:
            chair, on, slot = text.split("|")
            return Asked(int(chair), date.fromisoformat(on), int(slot))
        except ValueError as error:
            raise ValidationError("Choose one of the places that are offered.") from error


class ReasonsForm(forms.Form):
    """The reasons that a place may need."""

    late_reason = forms.CharField(required=False, max_length=MOST_WORDS, strip=True)
    far_late = forms.BooleanField(required=False)
    second_reason = forms.CharField(required=False, max_length=MOST_WORDS, strip=True)

    @property
    def reasons(self) -> Reasons:
        """The reasons of a form that is valid."""
        given = self.cleaned_data
        return Reasons(given["late_reason"], given["far_late"], given["second_reason"])


class BookForm(ReasonsForm):
    """A place for a person; a reason where it is late, or so near another place of theirs."""

    receipt = forms.CharField(required=False, max_length=64)
    place = PlaceField(error_messages={"required": "Choose a place first."})


class DiaryBookForm(BookForm):
    """A place sent from the diary, where the button says whose it is: 'reference|chair|day|slot'."""

    since = DayField(required=False)

    def __init__(self, data: Any) -> None:
        ref, *rest = str(data.get("place", "")).rsplit("|", 3)  # a reference may hold any sign
        given = data.copy()
        given["place"] = "|".join(rest)
        super().__init__(given)
        self.patient_ref = ref


class BookingForm(ReasonsForm):
    """What is done with a booking; the services say what each act needs."""

    receipt = forms.CharField(required=False, max_length=64)
    version = forms.IntegerField(min_value=1)
    act = forms.ChoiceField(choices=[(act, act) for act in ACTS])
    place = PlaceField(required=False)
    ended_by = forms.CharField(required=False, max_length=10)
    reason = forms.CharField(required=False, max_length=MOST_WORDS, strip=True)

    def clean(self) -> dict[str, Any]:
        super().clean()
        if self.cleaned_data.get("act") == "move" and not self.cleaned_data.get("place") and "place" not in self.errors:
            self.add_error("place", "Choose the place to move to.")
        return self.cleaned_data
