"""Forms of the inbox: a decision, and the unit's own codes."""

from __future__ import annotations

from typing import Any

from django import forms

from programme.intake.numeric.codes import BY_ANALYTE
from programme.intake.numeric.tokens import KINDS, MOST_DAYS


class DecideForm(forms.Form):
    """What was touched, and why. The rest is checked by the service, which knows what can be decided."""

    receipt = forms.CharField(max_length=64)
    version = forms.IntegerField()
    choice = forms.CharField(max_length=32, required=False)
    why = forms.CharField(max_length=200, required=False)


IGNORE = "ignore"


class LocalCodeForm(forms.Form):
    """One code of the unit's own laboratory."""

    use_required_attribute = False

    receipt = forms.CharField(max_length=64, widget=forms.HiddenInput, required=False)
    code = forms.CharField(label="Code", max_length=40, widget=forms.TextInput(attrs={"class": "t"}))
    analyte = forms.ChoiceField(label="Stands for", choices=[
        ("", "choose"), (IGNORE, "nothing: ignore it"), *((row.analyte, row.name) for row in BY_ANALYTE.values()),
    ])  # fmt: skip
    unit = forms.CharField(
        label="Unit where none is sent", max_length=16, required=False, widget=forms.TextInput(attrs={"class": "t"})
    )  # fmt: skip
    reason = forms.CharField(label="Agreed with, and where it is written", max_length=200,
                             widget=forms.TextInput(attrs={"class": "t"}))  # fmt: skip

    def clean(self) -> dict[str, Any]:
        given = self.cleaned_data
        quantity = BY_ANALYTE.get(given.get("analyte", ""))
        if given.get("unit") and quantity is not None and given["unit"] not in quantity.units:
            self.add_error("unit", f"Allowed is {', '.join(quantity.units)}.")
        if given.get("analyte") == IGNORE:
            given["analyte"] = ""
        return given


class SenderForm(forms.Form):
    """Somebody who may send results from now on."""

    use_required_attribute = False

    receipt = forms.CharField(max_length=64, widget=forms.HiddenInput, required=False)
    name = forms.CharField(label="Name", max_length=60, widget=forms.TextInput(attrs={"class": "t"}),
                           help_text="For HL7: MSH-3, MSH-4, or both as “MSH-3 at MSH-4”.")  # fmt: skip
    trusts_references = forms.BooleanField(
        label="Its references count without a birth date", required=False, initial=False
    )  # fmt: skip
    days = forms.IntegerField(
        label="Its token ends after, days", min_value=1, max_value=MOST_DAYS,
        widget=forms.NumberInput(attrs={"class": "t"}), help_text=f"At most {MOST_DAYS}.",
    )  # fmt: skip
    kinds = forms.MultipleChoiceField(
        label="With its token it may send", choices=[(kind, kind) for kind in KINDS],
        widget=forms.CheckboxSelectMultiple,
    )  # fmt: skip


class EndCodeForm(forms.Form):
    receipt = forms.CharField(max_length=64)
    version = forms.IntegerField()
