"""Which days, and whom, the review is about."""

from __future__ import annotations

from datetime import date, timedelta
from typing import Any

from django import forms

from patients.models import Genotype

LONGEST_DAYS = 3660


class SpanForm(forms.Form):
    """A span of days up to today and one genotype or all; without either the year up to today."""

    start = forms.DateField(required=False, label="From", widget=forms.DateInput(attrs={"type": "date"}))
    end = forms.DateField(required=False, label="To", widget=forms.DateInput(attrs={"type": "date"}))
    genotype = forms.ChoiceField(
        required=False, label="Genotype", choices=[("", "everybody"), *(one for one in Genotype.choices if one[0])]
    )

    def __init__(self, data: Any, *, today: date) -> None:
        super().__init__(data)
        self.today = today
        self.default = (today - timedelta(days=364), today)

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

    def span(self) -> tuple[date, date, str]:
        """First day, last day and genotype: as asked, or the year up to today where that was refused."""
        if not self.is_valid():
            return *self.default, ""
        return self.cleaned_data["start"], self.cleaned_data["end"], self.cleaned_data["genotype"]
