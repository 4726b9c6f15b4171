"""Reading for the pages that ask the planner: what if the goals were others, and the session of a given day."""

from __future__ import annotations

import math
import zlib
from collections.abc import Mapping
from dataclasses import dataclass, replace
from datetime import date
from typing import Any

import numpy as np

from patients.models import Goals, Patient
from programme.core.models import Site
from programme.planning import inputs
from programme.planning.beside import beside
from programme.planning.models import Suggestion
from programme.planning.numeric import details
from programme.planning.numeric.day import measured, plan_day
from programme.planning.numeric.dayplan import DayPlan
from programme.planning.numeric.details import KEPT, plan_of_choice
from programme.planning.numeric.loop import CourseAhead, course_ahead, live_a_year
from programme.planning.numeric.one_arm import ONE_ARM
from programme.planning.numeric.people import AVAILABLE, TRANSFUSION_UNKNOWN, WhatIf, reason_sentence
from programme.planning.numeric.prescribe import prescribe
from programme.planning.numeric.search import UNFAVOURABLE_TENTH as Z90
from programme.planning.numeric.search import Before
from programme.planning.numeric.suggest import CHUNK
from programme.planning.printed import number
from programme.planning.reckoning import Grounds, SiteAsOf, printed_plans
from programme.planning.stored import options_of
from sessions import forecasting
from sessions.numeric.drift.person import update_people
from sessions.queries.past import session_columns
from sessions.queries.people import PersonRecord, people_inputs

MEASURED_AFTER = (
    "Something unknown was transfused elsewhere since the last session. Hb and HbS before are those measured after it; "
    "no forecast is made until what was given is entered, and the pace is that of earlier gaps."
)
BEFORE = ("hb_before_g_l", "hb_before_sd_g_l", "blood_volume_ml", "mixing", "mixing_rel_sd")
"""The figures of `Before`, as they are stored with a suggestion."""


def chance_on(by_day: Mapping[str, Any] | None, on: date | None) -> float | None:
    """Return the chance of being over on a day, from an option `chance_by_day`; None outside the days it tells of."""
    if not by_day or on is None:
        return None
    place = (on - date.fromisoformat(by_day["from"])).days
    chances: list[float | None] = by_day["chance"]
    return chances[place] if 0 <= place < len(chances) else None


def what_if(patient: Patient, *, as_of: date, asked: WhatIf) -> tuple[dict[str, Any], dict[str, Any] | None]:
    """Return (printed plan, options) of one person for the goals asked about; nothing is written.

    The fit in force answers, so that only the goals differ from what is stored.
    """
    (found,) = _seen(patient, as_of).parts(what_if=asked)
    return printed_plans(found)[0], options_of(found, beside(found, asked_about=True))[0]


def year_foreseen(patient: Patient, *, as_of: date, goals: Goals) -> dict[str, Any]:
    """Return what a year would be for one person under these goals, stored or not; nothing is written.

    The same reckoning as `what_if`, lived forward as the choices beside a suggestion are. An interval or end target
    that the goals leave open is the suggested one. Holds `interval_days`, `end_target_pct`, `units` a visit, `visits`,
    `units_year`, `iron_mg`, `over_visit`, `over_year`, `days_over`; or only `reason` where none can be said.
    """
    (found,) = _seen(patient, as_of, goals).parts(what_if=WhatIf(interval_days=goals.usual_interval_days))
    said, people = found.said, found.people
    if said.bar[0] != AVAILABLE:
        stale_days = inputs.site_rules(found.settings).results_stale_days
        return {"reason": reason_sentence(int(said.bar[0]), stale_days) or "Nothing can be said."}
    plans = details.year_plans(details.weigh(people, found.tried, said), people, said, 0)
    place = int(said.choices.suggested[0])
    if place not in plans:
        return {"reason": "No session keeps every limit, so no year can be foreseen."}
    days = plans[place].interval_days if goals.usual_interval_days is None else goals.usual_interval_days
    end = plans[place].end_target_pct if goals.end_target_hbs_pct is None else goals.end_target_hbs_pct
    lived = live_a_year(
        replace(plans[place], interval_days=days, end_target_pct=end),
        found.programme.fit,
        found.pace.take(0),
        ceiling_pct=float(people.ceiling_pct[0]),
        attendance=people.attendance.take([0]),
        seed=zlib.crc32(f"{patient.patient_ref}|{as_of}".encode()),
    )
    figures = {"interval_days": days, "end_target_pct": number(end, 1), "visits": number(lived.visits, 1)}
    return figures | {
        "units": number(lived.units / max(lived.visits, 1.0), 1),
        "units_year": number(lived.units, 0),
        "iron_mg": number(lived.iron_mg, 0),
        "over_visit": number(lived.over_a_visit, 4),
        "over_year": number(lived.over_once, 4),
        "days_over": number(lived.days_over, 1),
    }


def sessions_ahead(
    patient: Patient,
    record: PersonRecord,
    *,
    as_of: date,
    settings: dict[str, float],
    stored: Suggestion,
    days: int,
) -> CourseAhead | None:
    """Return where HbS goes over the sessions of the next `days`, if each is done as suggested and on its day.

    record, settings: of that person and site on `as_of`. None where `stored` says too little. Reads the fit in force
    and this person's sessions; writes nothing.
    """
    options, first_end = stored.options or {}, stored.body.get("end_target_hbs_pct")
    choice = next((row for row in options.get("choices") or () if row.get("suggested")), None)
    working = options.get("working") or {}
    if choice is None or choice["end_target_pct"] is None or first_end is None:
        return None
    if record.last_on is None or stored.next_date is None:
        return None
    fit = None if any(working.get(name) is None for name in BEFORE) else forecasting.fit_in_force(patient.site, as_of)
    if fit is None:
        return None
    drift = forecasting.Learnt.from_dict(fit.parameters).drift
    read = session_columns(patient.site, until=as_of, known_by=as_of, only=[patient.pk])
    pace = update_people(drift, read.columns)
    before = Before(*(np.array([float(working[name])]) for name in BEFORE))
    plan = plan_of_choice(
        before, inputs.site_rules(settings).cells, inputs.limits_of((record,), settings), record.hbs_ceiling_pct,
        interval_days=int(choice["interval_days"]), end_target_pct=float(choice["end_target_pct"]),
        passes_warnings=any(row["state"] != KEPT for row in options.get("limits") or ()),
    )  # fmt: skip
    first = (stored.next_date - record.last_on).days
    if plan is None or first < 1 or np.isnan(pace.after_pct[0]):
        return None
    return course_ahead(
        plan,
        drift,
        inputs.diluted(pace, (record,), pace.hb_after_g_l).take(0),
        first_days=first,
        first_end_pct=float(first_end),
        last_days=(as_of - record.last_on).days + days,
        seed=zlib.crc32(f"{patient.patient_ref}|{as_of}".encode()),
    )


@dataclass(frozen=True, slots=True)
class UnitsOnDay:
    """What the session of one person takes on one day. hbs_before_pct: forecast for that day."""

    units: int
    hbs_before_pct: float


def units_on(
    site: Site, days: Mapping[int, date], suggestions: Mapping[int, Suggestion], *, today: date,
    settings: dict[str, float],
) -> dict[int, UnitsOnDay]:  # fmt: skip
    """Return the units that the session of each person takes on their own day, by key; nothing is written.

    days: by key of the person, the next session of each. suggestions: with `patient__forecast` read. HbS is the stored
    forecast of the day; Hb, the end target and the figures of the body are those stored with the suggestion, as in
    `plan_of_day` before anything is measured. Left out are people of whom too little is stored, whose day lies outside
    the stored forecast, and whom no session of that day suits. Five queries.
    """
    records = {row.pk: row for row in people_inputs(site, today, settings, patient_pks=list(days))}
    starts = {pk: _start_on(suggestions.get(pk), on) for pk, on in days.items() if pk in records}
    known = [(pk, start) for pk, start in starts.items() if start is not None]
    found: dict[int, UnitsOnDay] = {}
    for first in range(0, len(known), CHUNK):
        some = known[first : first + CHUNK]
        columns = np.array([start for _, start in some], dtype=float).T
        plan = prescribe(
            before=Before(*columns[2:]),
            hbs_before_pct=columns[0],
            end_target_pct=columns[1],
            cells=inputs.site_rules(settings).cells,
            limits=inputs.limits_of(tuple(records[pk] for pk, _ in some), settings),
        )
        rows = zip(some, plan.units.tolist(), columns[0].tolist(), strict=True)
        found |= {pk: UnitsOnDay(int(units), hbs) for (pk, _), units, hbs in rows if units}
    return found


def _start_on(row: Suggestion | None, on: date) -> tuple[float, ...] | None:
    """HbS on a day, the end target and the figures of BEFORE; None where something of it is not stored."""
    forecast = getattr(row.patient, "forecast", None) if row is not None and row.status == "ok" else None
    if row is None or forecast is None or forecast.days is None or forecast.last_on is None:
        return None
    if forecast.data_version != row.data_version:
        return None
    ahead = (on - forecast.last_on).days
    working, target = (row.options or {}).get("working") or {}, row.body.get("end_target_hbs_pct")
    if target is None or any(working.get(name) is None for name in BEFORE):
        return None
    if not forecast.days["days"][0] < ahead <= forecast.days["days"][-1]:
        return None
    hbs = float(np.interp(ahead, forecast.days["days"], forecast.days["p50"]))
    start = (hbs, float(target), *(float(working[name]) for name in BEFORE))
    return start if all(map(math.isfinite, start)) else None


def plan_of_day(
    *,
    patient: Patient,
    as_of: date,
    on: date | None = None,
    method: str,
    weight_kg: float | None = None,
    hb_g_l: float | None = None,
    hb_taken_on: date | None = None,
    hbs_pct: float | None = None,
    hbs_taken_on: date | None = None,
    end_target_pct: float | None = None,
    saline_first: bool | None = None,
) -> DayPlan:
    """Return the session of `patient` on a day from what was measured for it; nothing is written.

    as_of: what was known at the end of this day. on: the day of the session; None means `as_of`.
    method: 'two_arm', 'one_arm' (one after the other) or 'automated' (totals and end only, no steps).
    weight_kg, hb_g_l, hbs_pct: of the day; None takes the newest weight, the expected Hb (soon after a session
    that of the days after it) and the forecast HbS.
    hb_taken_on: the day of that Hb.
    hbs_taken_on: the day of that HbS, from which it is carried forward by the pace; None means the day itself.
    end_target_pct: a prescriber's own; None takes the suggested one. saline_first: True where a prescriber turned
    saline first on in spite of a flag.
    A haemolysis lock, a pregnancy, or something unknown given elsewhere gives status 'unavailable' with the reason; so
    does a missing blood volume. What was measured today stands in for results too old to plan from, and HbS of the day
    with an Hb, both of a later day than what was given elsewhere, for what nobody knows of it: a warning says so.
    Raises ValueError for an unknown method.
    """
    found = _seen(patient, as_of).grounds
    (record,), settings, people = found.records, found.settings, found.people
    weight = record.weight_kg if weight_kg is None else weight_kg
    known = replace(record, weight_kg=weight)
    hbs = math.nan if hbs_pct is None else hbs_pct
    day = as_of if on is None else on
    ahead = 0 if hbs_taken_on is None else max((day - hbs_taken_on).days, 0)
    after_unknown = hbs_pct is not None and not ahead and _is_measured_after(record, hb_taken_on, hbs_taken_on)
    pace = float(found.pace.pace_pct_per_day[0])
    pace_sd = float(found.pace.pace_high_pct_per_day[0] - found.pace.pace_low_pct_per_day[0]) / (2.0 * Z90)
    soon_g_l, soon_sd_g_l = _hb_soon_after(found, record, day)
    people = replace(
        people,
        before=measured(
            people.before,
            hb_g_l=soon_g_l if hb_g_l is None else hb_g_l,
            hb_sd_g_l=soon_sd_g_l if hb_g_l is None else settings["hb_assay_sd_g_l"],
            blood_volume_ml=float(inputs.volumes_ml((known,))[0]),
        ),
        limits=inputs.limits_of((known,), settings, one_arm=method == ONE_ARM, saline_first=bool(saline_first)),
        last_hbs_day=people.last_hbs_day if math.isnan(hbs) else np.array([float(day.toordinal() - ahead)]),
    )
    after_unknown &= int(people.bar[0]) == TRANSFUSION_UNKNOWN
    if after_unknown:
        people = replace(people, bar=np.array([AVAILABLE]))
    plan = plan_day(
        people,
        found.programme.fit,
        found.pace,
        inputs.site_rules(settings),
        day=day.toordinal(),
        hbs_pct=hbs + max(pace, 0.0) * ahead if ahead else hbs,
        hbs_sd_pct=math.hypot(settings["hbs_assay_sd_pct"], pace_sd * ahead),
        method=method,
        end_target_pct=end_target_pct,
    )
    return replace(plan, warnings=(*plan.warnings, MEASURED_AFTER)) if after_unknown and plan.status == "ok" else plan


def _hb_soon_after(found: Grounds, record: PersonRecord, day: date) -> tuple[float, float]:
    """Hb to be expected on a day before the shortest interval is over, and its spread; nan from then on.

    It still stands near where the last session left it, and not where it usually is before one. Chosen here.
    """
    days = 0 if record.last_on is None else (day - record.last_on).days
    if not 0 < days < record.shortest_interval_days:
        return math.nan, math.nan
    seen = forecasting.hb_expected(found.programme, found.places, float(days))
    return float(seen.median()[0]), float((seen.quantile(0.9) - seen.quantile(0.1))[0]) / (2.0 * Z90)


def _is_measured_after(record: PersonRecord, *taken_on: date | None) -> bool:
    """Whether samples are of later days than all that is unknown: within a day nobody knows which came first."""
    given = [row.on for row in record.open_transfusions if math.isnan(row.hb_g)]
    return bool(given) and all(on is not None and on > max(given) for on in taken_on)


def _seen(patient: Patient, as_of: date, goals: Goals | None = None) -> SiteAsOf:
    """This one person as of a day with the fit in force; goals: in place of the stored."""
    stored = forecasting.fit_in_force(patient.site, as_of)
    fit = None if stored is None else forecasting.Learnt.from_dict(stored.parameters)
    return SiteAsOf(patient.site, as_of, fit=fit, only=[patient.pk], goals=goals)
