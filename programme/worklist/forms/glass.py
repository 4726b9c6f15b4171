"""The form with which somebody asks to see a person of another unit."""

from __future__ import annotations

from typing import Any

from programme.core.models import GlassReason
from programme.worklist.forms.fields import ChoiceField, DayField, EdgeField, EdgeForm, Part


class GlassForm(EdgeForm):
    """Who it is, told twice, and why they must be seen."""

    patient_ref = EdgeField(label="Reference", required=True, most=40, help_text="that of their own unit")
    birth_date = DayField(label="Born", required=True, help_text="such as 14 Mar 2011")
    kind = ChoiceField(label="Reason", required=True, wide=True, choices=[("", "choose"), *GlassReason.choices])
    words = EdgeField(label="In words", required=True, most=300, wide=True, help_text="their own unit reads this")

    parts = (
        Part("Who", ("patient_ref", "birth_date"), note="ask the person, or read it off their wristband"),
        Part("Why", ("kind", "words")),
    )

    def clean(self) -> dict[str, Any]:
        super().clean()
        self.refuse_future("birth_date")
        return self.cleaned_data
