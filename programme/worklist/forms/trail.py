"""What of the trail is asked for: by whom, of which days, looks or changes."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import date, timedelta
from typing import Any

from programme.core.numeric.days import written_day
from programme.worklist.forms.fields import ChoiceField, DayField, EdgeForm
from programme.worklist.queries.trail import CHANGED, SEEN, Asked

USUAL_DAYS = 30


class TrailForm(EdgeForm):
    """Everything has a usual answer, so the page can be opened without asking."""

    by = ChoiceField(label="Who")
    what = ChoiceField(label="What", choices=[("", "seen and changed"), (CHANGED, "changed"), (SEEN, "seen")])
    first = DayField(label="From")
    last = DayField(label="To")

    def __init__(self, data: Mapping[str, str], *, users: list[tuple[int, str]], today: date) -> None:
        usual = {"first": written_day(today - timedelta(days=USUAL_DAYS)), "last": written_day(today)}
        asked = {name: text for name in self.base_fields if (text := data.get(name, "").strip())}
        super().__init__(usual | asked, today=today)
        self.fields["by"].choices = [("", "everyone"), *((str(key), name) for key, name in users)]  # type: ignore[attr-defined]

    def clean(self) -> dict[str, Any]:
        super().clean()
        first, last = self.cleaned_data.get("first"), self.cleaned_data.get("last")
        if first and last and last < first:
            self.refuse("last", "A span cannot end before it begins.")
        return self.cleaned_data

    def asked(self, below: str = "") -> Asked:
        """Return what was asked for, or the usual where that was refused or not said."""
        given = self.cleaned_data if self.is_valid() else {}
        return Asked(
            first=given.get("first") or self.today - timedelta(days=USUAL_DAYS),
            last=given.get("last") or self.today,
            by=int(given["by"]) if given.get("by") else None,
            what=given.get("what", ""),
            below=int(below) if below.isdecimal() and len(below) < 19 else None,
        )
