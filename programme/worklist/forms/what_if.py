"""What would be suggested with another ceiling, accepted chance, interval or end target; nothing is saved."""

from __future__ import annotations

from django import forms

from programme.worklist.forms.fields import QuantityField
from programme.worklist.queries.what_if import Asked


class WhatIfForm(forms.Form):
    """Four figures to try; an empty one leaves what is in force. The ranges are those that goals may have."""

    ceiling = QuantityField(label="Ceiling", low=20, high=60, unit="%")
    chance = QuantityField(label="Accepted chance", low=1, high=50, unit="in 100")
    interval = QuantityField(label="Interval", low=7, high=84, unit="days", whole=True)
    end = QuantityField(label="End target", low=2, high=59, unit="%")

    def asked(self) -> Asked | None:
        """Return what was asked; None when the form is not valid or nothing was typed."""
        if not self.is_bound or not self.is_valid():
            return None
        ceiling, chance, interval, end = (self.cleaned_data[name] for name in ("ceiling", "chance", "interval", "end"))
        if ceiling is None and chance is None and interval is None and end is None:
            return None
        return Asked(
            ceiling_pct=ceiling,
            accepted_chance=None if chance is None else chance / 100,
            interval_days=None if interval is None else int(interval),
            end_target_pct=end,
        )


class LiftLockForm(forms.Form):
    """A consultant's reason for lifting the haemolysis lock."""

    reason = forms.CharField(
        label="Reason for lifting the lock",
        max_length=400,
        widget=forms.Textarea(attrs={"rows": 2, "class": "t"}),
        error_messages={"required": "Lifting the lock needs a reason."},
    )
    receipt = forms.CharField(max_length=64, widget=forms.HiddenInput)
