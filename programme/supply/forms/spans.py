"""Which days are looked at."""

from __future__ import annotations

from datetime import date, timedelta
from typing import Any

from django import forms

from programme.core.fields import DayField
from programme.core.numeric.days import written_day
from programme.supply.queries.ends import QUARTER_DAYS

LONGEST_DAYS, OLDEST = 3660, date(1950, 1, 1)


class DaysForm(forms.Form):
    """From one day to another, both included; else the quarter up to today."""

    first = DayField(label="From", required=False)
    last = DayField(label="To", required=False)

    def __init__(self, data: Any, *, today: date) -> None:
        super().__init__(data)
        self.today = today

    def clean(self) -> dict[str, Any]:
        given = super().clean() or self.cleaned_data
        if self.errors:
            return given
        last = given.get("last") or self.today
        said = written_day(last)
        if last < OLDEST:
            self.add_error("last", f"{said} is before these records; allowed is from {written_day(OLDEST)} on.")
            return given
        first = given.get("first") or last - timedelta(days=QUARTER_DAYS - 1)
        begin = written_day(first)
        if last > self.today:
            self.add_error("last", f"{said} has not come yet; allowed is up to today, {written_day(self.today)}.")
        elif first > last:
            self.add_error("first", f"{begin} is after {said}; allowed is that day or one before it.")
        elif (last - first).days >= LONGEST_DAYS:
            back = written_day(_back(last))
            self.add_error("first", f"{begin} is too far back; allowed are ten years, from {back} on.")
        return given | {"first": first, "last": last}

    def faults(self) -> list[str]:
        """Every refusal in a sentence."""
        return [f"{self.fields[name].label}: {text}" for name, texts in self.errors.items() for text in texts]

    def days(self) -> tuple[date, date]:
        """What is asked for, or the quarter up to today where that was refused."""
        if not self.is_valid():
            return self.today - timedelta(days=QUARTER_DAYS - 1), self.today
        return self.cleaned_data["first"], self.cleaned_data["last"]


def _back(last: date) -> date:
    return last - timedelta(days=LONGEST_DAYS - 1)
