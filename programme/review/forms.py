"""Which days, and whom, the review is about."""

from __future__ import annotations

from datetime import date, timedelta
from typing import Any

from django import forms

from patients.models import Genotype
from programme.core.fields import DayField
from programme.review.queries.asked import Asked
from programme.review.queries.groups import GROUPINGS

LONGEST_DAYS = 3660


class SpanForm(forms.Form):
    """A span of days up to today, one genotype or all, and how people are taken apart; else the year up to today."""

    start = DayField(required=False, label="From")
    end = DayField(required=False, label="To")
    genotype = forms.ChoiceField(
        required=False, label="Genotype", choices=[("", "everybody"), *(one for one in Genotype.choices if one[0])]
    )
    by = forms.ChoiceField(
        required=False,
        label="Apart by",
        choices=[("", "all together"), *((key, said) for key, (said, _) in GROUPINGS.items())],
    )

    def __init__(self, data: Any, *, today: date) -> None:
        super().__init__(data)
        self.today = today

    def clean(self) -> dict[str, Any]:
        cleaned = super().clean() or {}
        end = cleaned.get("end") or self.today
        start = cleaned.get("start") or end - timedelta(days=364)
        if end > self.today:
            raise forms.ValidationError("The last day cannot lie after today.")
        if start > end:
            raise forms.ValidationError("The first day cannot lie after the last day.")
        if (end - start).days > LONGEST_DAYS or start.year < 1950:
            raise forms.ValidationError("At most ten years can be reviewed at once.")
        return cleaned | {"start": start, "end": end}

    def asked(self) -> Asked:
        """What is to be reviewed: as asked, or everybody in the year up to today where that was refused."""
        if not self.is_valid():
            return Asked(self.today - timedelta(days=364), self.today)
        said = self.cleaned_data
        return Asked(said["start"], said["end"], said["genotype"], said["by"])
