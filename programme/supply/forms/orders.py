"""What can be done with an order and with a unit: one small form each. The services say what else each needs."""

from __future__ import annotations

import re
from datetime import datetime, time
from typing import Any
from zoneinfo import ZoneInfo

from django import forms
from django.core.exceptions import ValidationError

from programme.core.fields import DayField
from programme.core.numeric.days import written_day
from programme.supply.services.units import ArrivedLabel
from sessions.day.numeric.blood_match import typed_antigens

LONGEST_WORDS = 400
UNIT_ACTS = ("issued", "given", "returned", "discarded")
GROUPS = [("", "not entered"), *[(f"{abo}{rhd}", f"{abo} {rhd}") for abo in ("O", "A", "B", "AB") for rhd in "+-"]]


class OrderForm(forms.Form):
    """What every form about an order carries: the one-time key and the version it was shown at."""

    receipt = forms.CharField(required=False, max_length=64)
    version = forms.IntegerField(min_value=1)

    def faults(self) -> list[str]:
        """Every refusal in a sentence."""
        return [
            str(text) if name in ("__all__", "numbers") else f"{self.fields[name].label}: {text}"
            for name, texts in self.errors.items()
            for text in texts
        ]


class SendForm(OrderForm):
    late_reason = forms.CharField(label="Why late", required=False, max_length=LONGEST_WORDS)


class HeldForm(OrderForm):
    """Until when the blood bank keeps the units: a day, and the hour where it said one; empty where it did not say."""

    held_on = DayField(label="Held until, day", required=False)
    held_at = forms.TimeField(label="Held until, hour", required=False)

    def clean(self) -> dict[str, Any]:
        given = super().clean() or self.cleaned_data
        if given.get("held_at") and not given.get("held_on") and "held_on" not in self.errors:
            self.add_error("held_on", "An hour alone does not say until when: give the day too.")
        return given

    def held_until(self, zone: ZoneInfo) -> datetime | None:
        """The moment that was typed, without an hour the end of its day; None where nothing was."""
        given = self.cleaned_data
        if not given["held_on"]:
            return None
        return datetime.combine(given["held_on"], given["held_at"] or time(23, 59), tzinfo=zone)


class AnswerForm(HeldForm):
    units = forms.IntegerField(label="Units confirmed", min_value=0, max_value=20)
    words = forms.CharField(label="What the blood bank said", required=False, max_length=LONGEST_WORDS)
    substitution = forms.CharField(label="Substituted", required=False, max_length=LONGEST_WORDS)


class TellForm(OrderForm):
    words = forms.CharField(label="Who was told, and how", required=False, max_length=LONGEST_WORDS)


class WhyForm(OrderForm):
    why = forms.CharField(label="Why", required=False, max_length=LONGEST_WORDS)


class ArriveForm(HeldForm):
    """Units that came in together and are alike: numbers line by line, as scanned or typed."""

    numbers = forms.CharField(
        label="Donation numbers", max_length=2000, error_messages={"required": "Enter at least one donation number."}
    )
    product_code = forms.CharField(label="Product code", required=False, max_length=8)
    group = forms.ChoiceField(label="Group", choices=GROUPS, required=False)
    negatives = forms.CharField(label="Negative for", required=False, max_length=200)
    hbs_negative = forms.BooleanField(label="HbS-negative", required=False)
    collected_on = DayField(label="Donated on", required=False)
    expires_on = DayField(label="Expires on", required=False)
    words = forms.CharField(label="Remarks", required=False, max_length=LONGEST_WORDS)

    def clean_negatives(self) -> str:
        text = str(self.cleaned_data["negatives"])
        positive = typed_antigens(text)[1]
        if positive:
            raise ValidationError(f"{', '.join(sorted(positive))} is entered as positive; enter what is negative.")
        return text

    def clean(self) -> dict[str, Any]:
        given = super().clean() or self.cleaned_data
        collected, expires = given.get("collected_on"), given.get("expires_on")
        if collected and expires and collected > expires:
            self.add_error("expires_on", f"{written_day(expires)} is before the donation on {written_day(collected)}.")
        return given

    def labels(self) -> list[ArrivedLabel]:
        """One label a line of the numbers."""
        given = self.cleaned_data
        group = given["group"]
        return [
            ArrivedLabel(
                number=line,
                product_code=given["product_code"].strip().upper(),
                abo=group[:-1],
                rhd=group[-1:],
                negatives=given["negatives"],
                hbs_negative=True if given["hbs_negative"] else None,
                collected_on=given["collected_on"],
                expires_on=given["expires_on"],
            )
            for line in re.split(r"[\r\n;,]+", given["numbers"])
            if line.strip()
        ]


class UnitForm(OrderForm):
    act = forms.ChoiceField(
        label="What", choices=[(name, name) for name in ("issued", "given", "returned", "discarded")]
    )
    back_at = forms.TimeField(label="Back in controlled storage at", required=False)
    decided = forms.CharField(label="Who at the blood bank took it back", required=False, max_length=200)
    why = forms.CharField(label="Why", required=False, max_length=LONGEST_WORDS)
