"""What the page for trying one session shows: what was typed, and what comes of it."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date, datetime

from django.http import QueryDict

from patients.models import Analyte, LabResult, Patient
from programme.core.models import User
from programme.core.settings_of_site import site_settings
from programme.planning.models import Suggestion
from programme.planning.numeric.limits import limits_for
from programme.worklist.forms.trying import StepForm, TryForm, TypedSession
from programme.worklist.numeric.try_picture import TryPicture, try_picture
from programme.worklist.numeric.trying import Figures, Moment, Tried, curve, try_session, volume_in_force
from sessions.numeric.exchange import Step
from sessions.queries.people import people_inputs


@dataclass(frozen=True, slots=True)
class Row:
    """One step as typed, and where it leaves the person; `moment` None until all can be worked out."""

    form: StepForm
    moment: Moment | None
    moved: bool
    is_first: bool
    is_last: bool


@dataclass(frozen=True, slots=True)
class TryPage:
    """`missing`: a sentence that says what is still needed, '' once everything is worked out."""

    form: TryForm
    rows: tuple[Row, ...]
    tried: Tried | None
    picture: TryPicture | None
    missing: str
    volume_words: str
    said: str
    undo: str
    query: str
    from_person: str

    @property
    def last(self) -> Moment | None:
        return self.rows[-1].moment if self.rows else None


def unit_texts(settings: Mapping[str, float]) -> dict[str, str]:
    """Return volume and Hb of the site's unit as the fields of a new step show them."""
    return {"in_ml": f"{settings['unit_volume_ml']:g}", "cells_hb_g_l": f"{unit_hb_g_l(settings):.0f}"}


def unit_hb_g_l(settings: Mapping[str, float]) -> float:
    """Haemoglobin in the site's unit of red cells. [g/L]"""
    return 1000.0 * settings["unit_hb_g"] / settings["unit_volume_ml"]


def try_page(query: QueryDict, *, user: User, on: date, at: datetime, patient: Patient | None = None) -> TryPage:
    """Return the page for what stands in the address; with `patient`, for that person's newest figures."""
    settings = site_settings(user.site, at)
    typed = TypedSession.from_query(query, unit_texts(settings))
    from_person = ""
    if patient is not None:
        typed, from_person = figures_of(patient, typed, on, settings)
    form, steps = typed.forms(on)
    whole = form.is_valid() & all(step.is_valid() for step in steps)
    tried, picture, missing = None, None, ""
    if whole:
        given = [step.step(unit_hb_g_l(settings)) for step in steps]
        tried, picture, missing = _work_out(form.figures(), given, settings)
    else:
        missing = _what_is_missing(form, steps)
    moments = tried.moments if tried else [None] * len(steps)
    rows = tuple(
        Row(step, moment, number == typed.moved, number == 1, number == len(steps))
        for number, (step, moment) in enumerate(zip(steps, moments, strict=True), start=1)
    )
    words = _volume_words(form) if form.is_bound and form.is_valid() else ""
    return TryPage(form, rows, tried, picture, missing, words, typed.said, typed.undo, typed.query, from_person)


def _work_out(
    figures: Figures, steps: list[Step], settings: Mapping[str, float]
) -> tuple[Tried | None, TryPicture | None, str]:
    if not any(step.in_ml or step.out_ml for step in steps):
        return None, None, "Nothing goes in and nothing comes out: enter the volume of a step."
    try:
        tried = try_session(figures, steps, settings)
    except ValueError as error:
        return None, None, f"This session cannot be carried out: {error}."
    limits = limits_for(weight_kg=figures.weight_kg, settings=settings)
    picture = try_picture(
        curve(figures, steps, volume_ml=tried.outcome.blood_volume_ml),
        steps,
        hb_warn_g_l=float(limits.hb_after_warn_g_l[0]),
        hb_stop_low_g_l=float(limits.hb_floor_stop_g_l[0]),
    )
    return tried, picture, ""


def _what_is_missing(form: TryForm, steps: list[StepForm]) -> str:
    if not form.is_bound:
        return "Enter sex, weight, Hb and HbS before; the session is then worked out as you type."
    wrong = [fault.words for fault in form.stops]
    wrong += [f"Step {n}: {fault.words}" for n, step in enumerate(steps, start=1) for fault in step.stops]
    return " ".join(wrong)


def _volume_words(form: TryForm) -> str:
    figures = form.figures()
    if not math.isnan(figures.blood_volume_ml):
        return "as typed; empty it to take the formula"
    volume, rule = volume_in_force(figures)
    return f"{volume:,.0f} mL by {rule}"


def figures_of(
    patient: Patient, typed: TypedSession, on: date, settings: Mapping[str, float]
) -> tuple[TypedSession, str]:
    """Return a person's figures and, where there is one, their suggested session; and in words where they come from."""
    (record,) = people_inputs(patient.site, on, dict(settings), patient_pks=(patient.pk,))
    suggestion = Suggestion.objects.filter(patient=patient, status="ok").first()
    hb, hbs, words = _before_of(patient, suggestion, on)
    figures = {
        "sex": patient.sex,
        "height_cm": _text(record.height_cm),
        "weight_kg": _text(record.weight_kg),
        "blood_volume_ml": "",
        "hb_g_l": hb,
        "hbs_pct": hbs,
    }
    steps = _suggested_steps(suggestion, unit_texts(settings)) if suggestion else []
    if steps:
        words += " The steps are those suggested for the next session."
    if record.pregnant:
        words += " Pregnant: the formula of the blood volume does not hold; type the volume that a prescriber sets."
    return TypedSession(figures, steps or typed.steps), f"Figures of {patient.patient_ref}: {words}"


def _before_of(patient: Patient, suggestion: Suggestion | None, on: date) -> tuple[str, str, str]:
    """Return Hb and HbS before as the suggested session takes them, else the newest results."""
    working = ((suggestion.options or {}).get("working") or {}) if suggestion else {}
    hb, hbs = working.get("hb_before_g_l"), working.get("hbs_before_pct")
    if suggestion is not None and suggestion.next_date is not None and hb is not None and hbs is not None:
        day = suggestion.next_date
        return _text(round(hb, 1)), _text(round(hbs, 2)), f"Hb and HbS as expected for {day.day} {day:%b %Y}."
    results = {
        row.analyte: row
        for row in LabResult.objects.in_force()
        .filter(patient=patient, analyte__in=[Analyte.HB, Analyte.HBS], taken_on__lte=on)
        .order_by("taken_at", "pk")
    }
    newest = [_text(results[name].value) if name in results else "" for name in (Analyte.HB, Analyte.HBS)]
    dates = [f"{row.get_analyte_display()} of {row.taken_on.day} {row.taken_on:%b %Y}" for row in results.values()]
    words = f"newest {' and '.join(dates)}." if dates else "no Hb or HbS is recorded."
    return newest[0], newest[1], words


def _suggested_steps(suggestion: Suggestion, unit: Mapping[str, str]) -> list[dict[str, str]]:
    return [
        {
            "fluid": step["fluid"],
            "in_ml": _text(step["in_ml"]),
            "out_ml": _text(step["out_ml"]),
            "cells_hb_g_l": unit["cells_hb_g_l"] if step["fluid"] == "red_cells" else "",
        }
        for step in suggestion.body["session"]["steps"]
    ]


def _text(value: float) -> str:
    return "" if math.isnan(value) else f"{value:g}"
