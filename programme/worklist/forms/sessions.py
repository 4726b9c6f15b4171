"""Forms about what happened: a finished session, results, other transfusions, signs noted afterwards."""

from __future__ import annotations

import math
from copy import deepcopy
from datetime import date, datetime
from typing import Any
from zoneinfo import ZoneInfo

from django.core.exceptions import ValidationError

from patients.models import Analyte, LabResult
from programme.core.numeric.days import written_day
from programme.core.numeric.words import count_of
from programme.worklist.forms.fields import (
    ChoiceField,
    DayField,
    EdgeBound,
    EdgeField,
    EdgeForm,
    HaemoglobinField,
    LongField,
    MomentField,
    Part,
    QuantityField,
    Soft,
    TickField,
    TicksField,
)
from programme.worklist.forms.people import ask_about_jump
from programme.worklist.forms.reading import TypedMoment
from sessions.models import AdmissionInGap, ExchangeSession, Fluid, HaemolysisSign, Position, VisitReason
from sessions.numeric.unlikely import balance_words, share_words
from sessions.services import FinishedSession, ResultGiven, StepGiven

MOST_GIVEN_STEPS = 12
STEPS_OFFERED = 4
HB_SOFT = Soft(50, 140, "rare in these people; look at the report again.")
RESULT_FIELDS = {
    "hb_before_g_l": (Position.BEFORE, Analyte.HB), "hbs_before_pct": (Position.BEFORE, Analyte.HBS),
    "hbc_before_pct": (Position.BEFORE, Analyte.HBC), "hb_after_g_l": (Position.AFTER, Analyte.HB),
    "hbs_after_pct": (Position.AFTER, Analyte.HBS), "hbc_after_pct": (Position.AFTER, Analyte.HBC),
}  # fmt: skip


def share(label: str, **kwargs: Any) -> QuantityField:
    return QuantityField(label=label, low=0, high=100, unit="%", **kwargs)


def volume(label: str, high: float, **kwargs: Any) -> QuantityField:
    return QuantityField(label=label, low=0, high=high, unit="mL", **kwargs)


class SessionForm(EdgeForm):
    """A session that is over, as written down on paper."""

    on = DayField(label="Day", required=True)
    weight_kg = QuantityField(label="Weight", required=True, low=2, high=300, unit="kg")
    started = MomentField(label="Started", help_text="such as 09:30")
    ended = MomentField(label="Ended", help_text="such as 13:15")
    visit_reason = ChoiceField(label="Why this day", choices=[("", "not recorded"), *VisitReason.choices])
    admission_in_gap = ChoiceField(label="Since the last session", choices=AdmissionInGap.choices)
    units = QuantityField(label="Red cell units", low=0, high=20, unit="units", whole=True)
    saline_in_ml = volume("Saline in", 6000)
    red_cells_in_ml = volume("Red cells in", 6000)
    blood_out_ml = volume("Blood out", 8000)
    hb_before_g_l = HaemoglobinField(label="Hb before", soft=HB_SOFT)
    hbs_before_pct = share("HbS before")
    hbc_before_pct = share("HbC before")
    before_at = MomentField(label="Sample before taken", help_text="07:20, or 24 Nov 2026 15:40; empty: that day")
    hb_after_g_l = HaemoglobinField(label="Hb after", soft=HB_SOFT)
    hbs_after_pct = share("HbS after")
    hbc_after_pct = share("HbC after")
    after_at = MomentField(label="Sample after taken")
    hbs_method = EdgeField(label="HbS method", most=60, help_text="as the laboratory names it")
    note = EdgeField(label="Note", most=400, wide=True)
    why = EdgeField(label="Why is it corrected", required=True, wide=True)

    parts = (
        Part("Session", ("on", "weight_kg", "started", "ended", "visit_reason", "admission_in_gap")),
        Part("Given and removed", ("units", "saline_in_ml", "red_cells_in_ml", "blood_out_ml"),
             note="totals, or the steps below: then the totals are their sums"),
        Part("Before", ("hb_before_g_l", "hbs_before_pct", "hbc_before_pct", "before_at")),
        Part("After", ("hb_after_g_l", "hbs_after_pct", "hbc_after_pct", "after_at", "hbs_method")),
        Part("Record", ("note", "why")),
    )  # fmt: skip

    def __init__(
        self, *args: Any, zone: ZoneInfo, follows_hbc: bool, last_weight_kg: float, correcting: bool, **kwargs: Any
    ) -> None:
        super().__init__(*args, **kwargs)
        self.zone, self.last_weight_kg = zone, last_weight_kg
        left_out = [] if follows_hbc else ["hbc_before_pct", "hbc_after_pct"]
        for name in left_out + ([] if correcting else ["why"]):
            del self.fields[name]

    def clean(self) -> dict[str, Any]:
        super().clean()
        self.refuse_future("on")
        for name in ("started", "ended", "before_at", "after_at"):
            self._place(name)
        self._check_times()
        ask_about_jump(self, "weight_kg", self.last_weight_kg, "kg")
        self._ask_about_figures()
        return self.cleaned_data

    def _place(self, name: str) -> None:
        """Turn a typed time into a moment at the unit."""
        typed, on = self.cleaned_data.get(name), self.cleaned_data.get("on")
        if isinstance(typed, TypedMoment) and on is not None:
            try:
                self.cleaned_data[name] = typed.in_zone(self.zone, on)
            except ValueError as error:
                self.refuse(name, f"{self.fields[name].label}: {error}")

    def _check_times(self) -> None:
        given = self.cleaned_data
        started, ended = given.get("started"), given.get("ended")
        if isinstance(started, datetime) and isinstance(ended, datetime) and ended < started:
            self.refuse("ended", "Ended: a session cannot end before it starts.")
        before, after = given.get("before_at"), given.get("after_at")
        if isinstance(before, datetime) and isinstance(after, datetime) and after < before:
            self.refuse("after_at", "Sample after taken: it cannot be taken before the sample before.")
        if isinstance(before, datetime) and given.get("on") and (given["on"] - before.date()).days > 4:
            self.ask("before_at", "More than four days before the session: is it the sample for this one?")

    def _ask_about_figures(self) -> None:
        given = self.cleaned_data
        for name in ("hbs_before_pct", "hbs_after_pct"):
            ask_about_share(self, name)
        before, after = given.get("hbs_before_pct"), given.get("hbs_after_pct")
        if before is not None and after is not None and after >= before:
            self.ask("hbs_after_pct", f"HbS rose from {before:g} to {after:g} %: an exchange lowers it.")
        units, cells = given.get("units"), given.get("red_cells_in_ml")
        if units and cells is not None and not 150 * units <= cells <= 400 * units:
            self.ask("red_cells_in_ml", f"{cells:g} mL in {count_of(units, 'unit')}: a unit holds 150 to 400 mL.")
            return
        names = ("saline_in_ml", "red_cells_in_ml", "blood_out_ml", "weight_kg")
        saline, cells, out, weight = (math.nan if given.get(name) is None else float(given[name]) for name in names)
        if words := balance_words(saline + cells, out, weight):
            self.ask("blood_out_ml", f"{words}: an exchange keeps volume about level.")

    def given(self, steps: tuple[StepGiven, ...]) -> FinishedSession:
        """Return the session of a valid form."""
        of = self.cleaned_data
        taken = {Position.BEFORE: of["before_at"], Position.AFTER: of["after_at"]}
        results = tuple(
            ResultGiven(position, analyte, of[name], taken[position])
            for name, (position, analyte) in RESULT_FIELDS.items()
            if of.get(name) is not None
        )
        plain = ("on", "weight_kg", "saline_in_ml", "red_cells_in_ml", "blood_out_ml", "visit_reason",
                 "admission_in_gap", "hbs_method", "note")  # fmt: skip
        return FinishedSession(
            **{name: of[name] for name in plain},
            units=None if of["units"] is None else int(of["units"]),
            started_at=of["started"],
            ended_at=of["ended"],
            steps=steps,
            results=results,
        )

    @staticmethod
    def initial_of(exchange_session: ExchangeSession, zone: ZoneInfo) -> dict[str, Any]:
        names = ("on", "weight_kg", "units", "saline_in_ml", "red_cells_in_ml", "blood_out_ml", "visit_reason",
                 "admission_in_gap", "hbs_method", "note", "version")  # fmt: skip
        initial = {name: getattr(exchange_session, name) for name in names}
        initial["started"] = _clock(exchange_session.started_at, exchange_session.on, zone)
        initial["ended"] = _clock(exchange_session.ended_at, exchange_session.on, zone)
        places = {place: name for name, place in RESULT_FIELDS.items()}
        for link in exchange_session.result_links.select_related("result"):
            name = places.get((Position(link.position), Analyte(link.result.analyte)))
            if name and link.result.status != "withdrawn":
                initial[name] = link.result.value
                if link.result.time_known:
                    initial[f"{link.position}_at"] = _clock(link.result.taken_at, exchange_session.on, zone)
        return initial


def _clock(moment: datetime | None, on: date, zone: ZoneInfo) -> str:
    if moment is None:
        return ""
    local = moment.astimezone(zone)
    return f"{local:%H:%M}" if local.date() == on else f"{written_day(local.date())} {local:%H:%M}"


def ask_about_share(form: EdgeForm, name: str) -> None:
    """Ask about an HbS that may have been typed as a share of 1."""
    value = form.cleaned_data.get(name)
    if value is not None and (words := share_words(value)):
        form.ask(name, f"{words}.")


class GivenStepForm(EdgeForm):
    """One step as carried out; an empty row is no step."""

    fluid = ChoiceField(label="Fluid", choices=[("", "–"), *[(v, n.capitalize()) for v, n in Fluid.choices]])
    in_ml = volume("In", 3000)
    out_ml = volume("Out", 3000)
    cells_hb_g_l = HaemoglobinField(label="Hb of the cells", low=100, high=300)

    @property
    def row_fields(self) -> list[EdgeBound]:
        return [self[name] for name in ("fluid", "in_ml", "out_ml", "cells_hb_g_l")]

    @property
    def is_empty(self) -> bool:
        return not any(box.typed for box in self.row_fields)

    def clean(self) -> dict[str, Any]:
        super().clean()
        if not self.is_empty and not self.cleaned_data.get("fluid"):
            self.refuse("fluid", "Say which fluid was given in this step; for a draw alone choose saline and 0 in.")
        return self.cleaned_data

    def step(self) -> StepGiven:
        of = self.cleaned_data
        return StepGiven(of["fluid"], of["in_ml"] or 0.0, of["out_ml"] or 0.0, of["cells_hb_g_l"])


class SampleForm(EdgeForm):
    """What one blood sample gave."""

    taken_on = DayField(label="Taken on", required=True)
    taken_at = MomentField(label="at", help_text="such as 07:20; empty where only the day is known")
    method = EdgeField(label="HbS method", most=60)
    hb = HaemoglobinField(label="Hb", soft=HB_SOFT)
    hbs = share("HbS")
    hba = share("HbA")
    hbf = share("HbF")
    hbc = share("HbC")
    hba2 = share("HbA2")
    hct = QuantityField(label="Haematocrit", low=0.05, high=0.75, unit="L/L", help_text="such as 0.28")
    ferritin = QuantityField(label="Ferritin", low=0, high=200000, unit="ug/L")

    parts = (
        Part("Sample", ("taken_on", "taken_at", "method")),
        Part("Results", ("hb", "hbs", "hba", "hbf", "hbc", "hba2", "hct", "ferritin"),
             note="enter what was measured, leave the rest empty"),
    )  # fmt: skip
    analytes = {
        "hb": Analyte.HB, "hbs": Analyte.HBS, "hba": Analyte.HBA, "hbf": Analyte.HBF, "hbc": Analyte.HBC,
        "hba2": Analyte.HBA2, "hct": Analyte.HCT, "ferritin": Analyte.FERRITIN,
    }  # fmt: skip

    def __init__(self, *args: Any, zone: ZoneInfo, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.zone = zone

    def clean(self) -> dict[str, Any]:
        super().clean()
        self.refuse_future("taken_on")
        if not self.errors:
            try:
                self.moment()
            except ValueError as error:
                self.refuse("taken_at", f"at: {error}")
        if not self.errors and not self.values():
            raise ValidationError("Enter at least one result.", code="stop")
        ask_about_share(self, "hbs")
        shares = [self.cleaned_data.get(name) for name in ("hbs", "hba", "hbf", "hbc", "hba2")]
        total = sum(value for value in shares if value is not None)
        if total > 102:
            self.refuse("hbs", f"The haemoglobin fractions add up to {total:g} %, over 100.")
        return self.cleaned_data

    def values(self) -> dict[str, float]:
        found = {analyte: self.cleaned_data.get(name) for name, analyte in self.analytes.items()}
        return {analyte: value for analyte, value in found.items() if value is not None}

    def moment(self) -> tuple[datetime, bool]:
        """Return when the sample was taken, noon where only the day is known, and whether the time is known."""
        typed, on = self.cleaned_data["taken_at"], self.cleaned_data["taken_on"]
        if typed is None:
            return datetime(on.year, on.month, on.day, 12, tzinfo=self.zone), False
        return typed.in_zone(self.zone, on), True


class CorrectResultForm(EdgeForm):
    """A value put right; the wrong one stays in the record."""

    value = QuantityField(label="Right value", required=True, low=0, high=200000, unit="")
    why = EdgeField(label="Why", required=True, wide=True)

    parts = (Part("Correction", ("value", "why"), note="a new row takes the old one’s place"),)

    def __init__(self, *args: Any, result: LabResult, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        name = next(name for name, analyte in SampleForm.analytes.items() if analyte == result.analyte)
        field = deepcopy(SampleForm.base_fields[name])
        field.required, field.label = True, f"Right value of {field.label}"
        self.fields["value"] = field


class WithdrawForm(EdgeForm):
    """Takes a wrong row out of use, with the reason."""

    why = EdgeField(label="Why", required=True, wide=True)

    parts = (Part("Withdrawal", ("why",), note="the row stays in the record and no longer counts"),)


class TransfusionForm(EdgeForm):
    """Red cells given outside an exchange session."""

    on = DayField(label="Given on", required=True)
    where = ChoiceField(
        label="Where", required=True, choices=[("", "choose"), ("here", "top-up here"), ("elsewhere", "elsewhere")]
    )
    amount_unknown = TickField(label="nobody knows how much")
    units = QuantityField(label="Units", low=0.1, high=20, unit="units")
    volume_ml = QuantityField(label="Volume", low=10, high=6000, unit="mL")
    hb_g = QuantityField(label="Haemoglobin given", low=1, high=1200, unit="g")
    note = EdgeField(label="Note", wide=True)

    parts = (Part("Transfusion", ("on", "where", "units", "volume_ml", "hb_g", "amount_unknown", "note"),
                  note="one of units, volume and haemoglobin is enough"),)  # fmt: skip

    def clean(self) -> dict[str, Any]:
        super().clean()
        self.refuse_future("on")
        given = self.cleaned_data
        amounts = [given.get(name) for name in ("units", "volume_ml", "hb_g")]
        if given.get("amount_unknown") and any(amounts):
            self.refuse("amount_unknown", "An amount is entered and said to be unknown: leave one of the two.")
        if not given.get("amount_unknown") and not any(amounts) and not self.errors:
            self.refuse("units", "Enter units, volume or haemoglobin, or tick that nobody knows how much.")
        return given


class FollowUpForm(EdgeForm):
    """What was found or told after red cells were given."""

    on = DayField(label="Noticed on", required=True)
    signs = TicksField(
        label="What was noticed", required=True, choices=HaemolysisSign.Sign.choices, wide=True,
        help_text="any of these within 28 days of red cells locks the suggestion until a consultant decides",
    )  # fmt: skip
    note = LongField(label="In words", most=400, wide=True)

    parts = (Part("Follow-up", ("on", "signs", "note")),)

    def clean(self) -> dict[str, Any]:
        super().clean()
        self.refuse_future("on")
        return self.cleaned_data
