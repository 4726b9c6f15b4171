"""A running session's plan, changed mid-way: what is left of it as typed, and the prescriber who signs."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date
from typing import Any

from django import forms
from django.http import QueryDict

from programme.bedside.numeric.laid import Laid
from programme.bedside.queries.midway import Midway
from programme.core.receipts import new_key
from programme.worklist.forms.fields import ChoiceField, EdgeField, EdgeForm, Fault
from programme.worklist.forms.sessions import GivenStepForm
from sessions.models import Fluid

ROOM_FOR_MORE = 2


class SignForm(EdgeForm):
    """Why the plan is changed, and who signs it: the prescriber at this screen, or by their own PIN beside it."""

    why = EdgeField(label="Why the plan is changed", required=True, most=400, wide=True)
    passing = EdgeField(label="Where a limit is passed: the prescriber’s reason", most=400, wide=True)
    prescriber = ChoiceField(label="Prescriber")
    secret = EdgeField(
        label="Their PIN or password", most=128, help_text="typed by themselves",
        widget=forms.PasswordInput(attrs={"class": "t", "autocomplete": "off"}),
    )  # fmt: skip

    def __init__(self, *args: Any, prescribers: Mapping[str, str], **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        if prescribers:
            self.fields["prescriber"].choices = [("", "choose"), *prescribers.items()]  # type: ignore[attr-defined]
        else:
            del self.fields["prescriber"], self.fields["secret"]

    def clean(self) -> dict[str, Any]:
        super().clean()
        for name, words in (("prescriber", "Choose the prescriber who signs."), ("secret", "It is needed to sign.")):
            if name in self.fields and not self.cleaned_data.get(name):
                self.refuse(name, words)
        return self.cleaned_data


@dataclass(frozen=True, slots=True)
class ChangeForm:
    """The steps that are left, two empty rows, and the signature."""

    sign: SignForm
    rows: tuple[GivenStepForm, ...]
    unit_hb_g_l: float
    signing: bool

    @classmethod
    def of(
        cls, now: Midway, sent: QueryDict | None, *, today: date, prescribers: Mapping[str, str], unit_hb_g_l: float
    ) -> ChangeForm:
        """Return the form as the plan stands, or as sent. prescribers: empty where who is signed in signs."""
        signing = sent is not None and sent.get("do") == "sign"
        kept = {name: sent.get(name, "") for name in ("why", "passing", "prescriber", "receipt")} if sent else {}
        sign = SignForm(
            sent if signing else None, today=today, prescribers=prescribers, initial={"receipt": new_key()} | kept
        )
        initial = [
            {"fluid": step.planned.fluid, "in_ml": step.planned.in_ml, "out_ml": step.planned.out_ml,
             "cells_hb_g_l": step.planned.cells_hb_g_l or None}
            for step in now.left
        ] + [{}] * ROOM_FOR_MORE  # fmt: skip
        rows = tuple(
            GivenStepForm(sent, today=today, prefix=f"s{place}", initial=one) for place, one in enumerate(initial, 1)
        )
        return cls(sign, rows, unit_hb_g_l, signing)

    def rows_are_valid(self) -> bool:
        """Say whether something was sent and every row of it can be read."""
        return self.rows[0].is_bound and not [row for row in self.rows if not row.is_valid()]

    @property
    def faults(self) -> list[Fault]:
        if not self.rows[0].is_bound:
            return []
        rows = [
            Fault(f"Row {n}: {fault.words}", fault.link) for n, row in enumerate(self.rows, 1) for fault in row.stops
        ]
        return [*(self.sign.stops if self.signing else ()), *rows]

    def laid(self) -> tuple[Laid, ...]:
        """Return the steps as laid out, from valid rows; empty ones are left out."""
        found = []
        for row in self.rows:
            if not row.is_empty:
                given = row.step()
                cells = given.fluid == Fluid.RED_CELLS
                hb = (given.cells_hb_g_l or self.unit_hb_g_l) if cells else 0.0
                found.append(Laid(given.fluid, given.in_ml, given.out_ml, hb))
        return tuple(found)
