"""A running session's plan, changed mid-way: what is left of it as typed, and the prescriber who signs."""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date
from typing import Any

from django import forms
from django.http import QueryDict

from programme.bedside.numeric.laid import Laid
from programme.bedside.queries.midway import Midway
from programme.core.numeric.words import listed
from programme.core.receipts import new_key
from programme.worklist.forms.fields import ChoiceField, EdgeField, EdgeForm, Fault
from programme.worklist.forms.sessions import GivenStepForm
from sessions.models import Fluid

ROOM_FOR_MORE = 2
ROW = re.compile(r"s\d+-")


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
    """The steps that are left, two empty rows, and the signature.

    standing: the plan and the steps over that the rows stand for. moved_on: what happened meanwhile, so that what was
    sent is not what would be signed; '' where nothing did. aligned: the rows stand for what is left now.
    """

    sign: SignForm
    rows: tuple[GivenStepForm, ...]
    unit_hb_g_l: float
    signing: bool
    standing: str
    moved_on: str = ""
    aligned: bool = True

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
        seen = now.standing if sent is None else sent.get("standing", now.standing)
        over = _over_meanwhile(seen, now)
        rows = tuple(
            GivenStepForm(_taken_up(sent, over or 0), today=today, prefix=f"s{place}", initial=one)
            for place, one in enumerate(initial, 1)
        )
        standing = seen if over is None else now.standing
        return cls(sign, rows, unit_hb_g_l, signing, standing, _moved_on(over, now), over is not None)

    def rows_are_valid(self) -> bool:
        """Say whether something was sent that stands for what is left now, and every row of it can be read."""
        return self.aligned and self.rows[0].is_bound and not [row for row in self.rows if not row.is_valid()]

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


def _over_meanwhile(seen: str, now: Midway) -> int | None:
    """How many steps were finished since the rows were shown; None where they can stand for the plan no more."""
    plan, _, over = seen.partition(".")
    if plan != str(now.plan.number) or not over.isdecimal() or int(over) > len(now.done):
        return None
    return len(now.done) - int(over)


def _taken_up(sent: QueryDict | None, places: int) -> QueryDict | None:
    """What was sent, its rows moved up by so many places: those before are over."""
    if sent is None or not places:
        return sent
    rows = {name: values for name, values in sent.lists() if ROW.match(name)}
    moved = sent.copy()
    for name in rows:
        del moved[name]
    for name, values in rows.items():
        place, _, field = name[1:].partition("-")
        if int(place) > places:
            moved.setlist(f"s{int(place) - places}-{field}", values)
    return moved


def _moved_on(over: int | None, now: Midway) -> str:
    if over is None:
        return "The plan was changed, or a step is open again, since these rows were shown. Open the page anew"
    if not over:
        return ""
    steps = [str(step.planned.number) for step in now.done[-over:]]
    which = f"Step {steps[0]} was" if over == 1 else f"Steps {listed(steps)} were"
    rows = "its row is" if over == 1 else "their rows are"
    return f"{which} finished since these rows were shown: {rows} taken out. Look at what is left, and sign then"
