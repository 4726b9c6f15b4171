"""Form fields that every app's forms use."""

from __future__ import annotations

from datetime import date
from typing import Any

from django import forms
from django.core.exceptions import ValidationError

from programme.core.numeric.days import read_day, written_day


class DayInput(forms.TextInput):
    """A box in which a day stands as '14 Mar 2011'.

    Not the browser's own box for days: that one shows them in the order of the browser's language, and 3/4 is two days.
    """

    def __init__(self, attrs: dict[str, Any] | None = None) -> None:
        super().__init__({"autocomplete": "off", **(attrs or {})})

    def format_value(self, value: Any) -> str | None:
        return written_day(value) if isinstance(value, date) else super().format_value(value)


class DayField(forms.DateField):
    """A day, typed as 14 Mar 2011, 14/03/2011 (day first) or 2011-03-14."""

    widget = DayInput

    def to_python(self, value: Any) -> date | None:
        if value in self.empty_values:
            return None
        if isinstance(value, date):
            return value
        try:
            return read_day(str(value))
        except ValueError as error:
            raise ValidationError(str(error), code="invalid") from error
