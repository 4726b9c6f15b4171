"""Today's figures and the steps of a session as they are typed on its plan."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date, datetime
from typing import Any
from zoneinfo import ZoneInfo

from django.http import QueryDict

from patients.models import Analyte
from programme.bedside.numeric.laid import Laid, apart
from programme.bedside.queries.drafting import Typed
from programme.bedside.queries.known import Known
from programme.bedside.services import Figures
from programme.core.receipts import new_key
from programme.worklist.forms.fields import (
    ChoiceField,
    EdgeField,
    EdgeForm,
    HaemoglobinField,
    MomentField,
    QuantityField,
    Soft,
    TickField,
)
from programme.worklist.forms.try_page import unit_hb_g_l, unit_texts
from programme.worklist.forms.trying import StepForm, TypedSession
from sessions.day.models import Prescription
from sessions.models import ExchangeSession, Method

GREATEST_WEIGHT_JUMP = 0.10
"""A change of weight beyond this share is asked about. Chosen here."""
AGAIN = {"hb_again": Analyte.HB, "hbs_again": Analyte.HBS}


class FiguresForm(EdgeForm):
    """What was measured today, how the session is done, and why something is changed."""

    weight_kg = QuantityField(label="Weight", low=2, high=300, unit="kg")
    weighed = TickField(label="weighed today")
    hb_g_l = HaemoglobinField(label="Hb before", help_text="g/dL is read too")
    hb_again = TickField(label="Hb the same in a new sample")
    hbs_pct = QuantityField(
        label="HbS before", low=0, high=100, unit="%", soft=Soft(3, 80, "unusual before a session.")
    )
    hbc_pct = QuantityField(label="HbC before", low=0, high=100, unit="%")
    hbs_again = TickField(label="HbS the same in a new sample")
    taken_at = MomentField(label="Blood taken", help_text="such as 07:20; empty: now")
    method = ChoiceField(label="Method", required=True, choices=[(m.value, m.label) for m in Method if m.value])
    saline_first = TickField(label="allow saline first in spite of the flag")
    dehydrated = TickField(label="looks dehydrated")
    units = QuantityField(label="Units", low=1, high=20, unit="units", whole=True)
    hb_end_g_l = HaemoglobinField(label="Machine set to end at")
    why = EdgeField(label="Changed something? Say why", most=300, wide=True)

    def __init__(self, *args: Any, known: Known, method: str, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.known = known
        if not known.patient.follows_hbs_and_hbc:
            del self.fields["hbc_pct"]
        else:
            self.fields["hbs_again"].label = "HbS and HbC the same in a new sample"
        for name, row in (("hb_again", known.hb), ("hbs_again", known.hbs)):
            if row is None:
                del self.fields[name]
        if not known.record.is_flagged:
            del self.fields["saline_first"]
        if method != Method.AUTOMATED:
            del self.fields["units"], self.fields["hb_end_g_l"]

    def clean(self) -> dict[str, Any]:
        super().clean()
        weight, last = self.cleaned_data.get("weight_kg"), self.known.record.weight_kg
        if weight is not None and last == last and abs(weight - last) > GREATEST_WEIGHT_JUMP * last:
            self.ask("weight_kg", f"{weight:g} kg: the last one was {last:.1f} kg.")
        return self.cleaned_data

    def figures(self, now: datetime) -> Figures:
        """Return what was measured, for saving."""
        given = self.cleaned_data
        typed = given.get("taken_at")
        zone = ZoneInfo(self.known.patient.site.time_zone)
        return Figures(
            weight_kg=given.get("weight_kg"),
            weighed=bool(given.get("weighed")),
            hb_g_l=given.get("hb_g_l"),
            hbs_pct=given.get("hbs_pct"),
            hbc_pct=given.get("hbc_pct"),
            taken_at=None if typed is None else typed.about(now, zone),
            again=frozenset(analyte for name, analyte in AGAIN.items() if given.get(name)),
        )


@dataclass(frozen=True, slots=True)
class PlanTyped:
    """The form of a plan: figures, steps as typed, and what a button just did to them."""

    figures: FiguresForm
    steps: tuple[StepForm, ...]
    session: TypedSession
    known: Known

    @classmethod
    def of(
        cls, known: Known, exchange_session: ExchangeSession, plan: Prescription | None, sent: QueryDict | None
    ) -> PlanTyped:
        """Return the form as stored, or as sent."""
        units = unit_texts(known.settings)
        method = plan.method if plan else Method.TWO_ARM
        automated = method == Method.AUTOMATED
        if sent is None:
            session = TypedSession({}, [] if plan is None or automated else _texts(plan))
        else:
            session = TypedSession.from_query(sent, units)
            session = TypedSession({}, session.steps, session.moved, session.said, session.undo)
        form = FiguresForm(
            sent, known=known, method=method, today=known.on,
            initial=_initial(known, exchange_session, plan),
        )  # fmt: skip
        _, steps = session.forms(known.on)
        return cls(form, tuple(steps), session, known)

    def is_valid(self) -> bool:
        """Check everything, so that all faults are said at once."""
        return not [form for form in (self.figures, *self.steps) if not form.is_valid()]

    @property
    def faults(self) -> list[str]:
        """What was refused, in sentences."""
        found = [fault.words for fault in self.figures.stops + self.figures.asks]
        return found + [f"Step {n}: {fault.words}" for n, form in enumerate(self.steps, 1) for fault in form.stops]

    def typed(self) -> Typed:
        """Return the plan as typed, from valid forms."""
        given, known = self.figures.cleaned_data, self.known
        method = given["method"]
        hbs = given.get("hbs_pct")
        if hbs is not None and known.patient.follows_hbs_and_hbc:
            hbs = None if given.get("hbc_pct") is None else hbs + given["hbc_pct"]
        laid = tuple(
            Laid(step.fluid, step.in_ml, step.out_ml, step.hb_g_l)
            for step in (form.step(unit_hb_g_l(known.settings)) for form in self.steps)
        )
        if method == Method.ONE_ARM:
            laid = apart(laid, gives_first=known.record.is_flagged)
        units = given.get("units")
        return Typed(
            method=method,
            weight_kg=given.get("weight_kg"),
            hb_g_l=given.get("hb_g_l"),
            hbs_pct=hbs,
            steps=laid,
            units=None if units is None else int(units),
            hb_end_g_l=given.get("hb_end_g_l"),
            dehydrated=bool(given.get("dehydrated")),
        )


def _texts(plan: Prescription) -> list[dict[str, str]]:
    return [
        {
            "fluid": step["fluid"],
            "in_ml": f"{step['in_ml']:g}",
            "out_ml": f"{step['out_ml']:g}",
            "cells_hb_g_l": f"{step['cells_hb_g_l']:g}" if step.get("cells_hb_g_l") else "",
        }
        for step in plan.steps
    ]


def _initial(known: Known, exchange_session: ExchangeSession, plan: Prescription | None) -> Mapping[str, Any]:
    zone = ZoneInfo(known.patient.site.time_zone)
    taken = "" if known.hb is None else _moment(known.hb.taken_at.astimezone(zone), known.at.date())
    weight = known.record.weight_kg
    found: dict[str, Any] = {
        "receipt": new_key(),
        "version": exchange_session.version,
        "weight_kg": None if weight != weight else weight,
        "hb_g_l": known.hb and known.hb.value,
        "hbs_pct": known.hbs and known.hbs.value,
        "hbc_pct": known.hbc and known.hbc.value,
        "taken_at": taken,
        "method": plan.method if plan else Method.TWO_ARM,
        "dehydrated": bool(plan and plan.inputs.get("dehydrated")),
        "weighed": False,
    }
    if plan is not None and plan.method == Method.AUTOMATED and plan.predicted.get("hb_settled"):
        found |= {"units": plan.units, "hb_end_g_l": round(plan.predicted["hb_settled"][0], 1)}
    return found


def _moment(at: datetime, today: date) -> str:
    return f"{at:%H:%M}" if at.date() == today else f"{at.day} {at:%b} {at.year} {at:%H:%M}"
