"""Everything the review counts, read in columns: a fixed number of queries however many people there are."""

from __future__ import annotations

from bisect import bisect_right
from dataclasses import dataclass
from datetime import date
from typing import Any
from zoneinfo import ZoneInfo

import numpy as np
from django.db.models import Max, Q

from patients.models import Analyte, Answers, Antibody, Goals, LabResult, Leaving, Patient, Standing
from programme.core.models import Site
from programme.review.numeric.measures import Columns, Floats, Ints
from programme.review.queries.asked import Asked
from sessions.day.models import AdverseEvent
from sessions.models import SessionFacts

PRINTED_PLACES = 1  # HbS is over its ceiling as it is printed and read, on the course as here
NEVER = date.max.toordinal()
FACTS = (
    "patient_id", "day", "hbs_before_pct", "hbs_after_pct", "hbs_ratio", "net_iron_mg", "points_per_unit",
    "exchange_session__units", "exchange_session__weight_kg", "exchange_session__saline_in_ml",
    "exchange_session__red_cells_in_ml", "exchange_session__blood_out_ml", "exchange_session__method",
)  # fmt: skip


@dataclass(frozen=True, slots=True)
class Person:
    """Who stands behind a figure. age_years, ceiling_pct, method (of the newest session): as on the last day."""

    pk: int
    patient_ref: str
    name: str
    last_day: int
    left_because: str
    age_years: float | None
    ceiling_pct: float
    method: str


@dataclass(frozen=True, slots=True)
class Read:
    """People and their columns; pairs (place of the person, ordinal or year), and decisions with what they answered."""

    people: tuple[Person, ...]
    columns: Columns
    events: tuple[tuple[int, int], ...]
    antibodies: tuple[tuple[int, int], ...]
    decisions: tuple[tuple[int, int, str], ...]
    ferritin_now: Ints
    ferritin_before: Ints


def read(site: Site, asked: Asked, *, default_ceiling_pct: float) -> Read:
    """Return what the review of a span and of the one before counts. Six queries."""
    mine = Q(patient__site=site)
    if asked.genotype:
        mine &= Q(patient__genotype=asked.genotype)
    fields = ("patient_id", "since", "hbs_ceiling_pct", "usual_interval_days", "end_target_hbs_pct", "answers")
    goals: dict[int, list[Any]] = {}
    for row in Goals.objects.filter(mine).order_by("since", "pk").values_list(*fields):
        goals.setdefault(row[0], []).append(row)
    facts = list(SessionFacts.objects.filter(mine).order_by("patient_id", "day").values_list(*FACTS))
    last = asked.end.toordinal()
    methods = {row[0]: row[-1] for row in facts if row[1] <= last}
    ceilings = {pk: _decided(rows, last, default_ceiling_pct)[0] for pk, rows in goals.items()}
    patients = Patient.objects.of_site(site).order_by("pk")
    people = tuple(
        _person(patient, asked.end, ceilings.get(patient.pk, default_ceiling_pct), methods.get(patient.pk, ""))
        for patient in (patients.filter(genotype=asked.genotype) if asked.genotype else patients)
    )
    place = {person.pk: number for number, person in enumerate(people)}
    events = AdverseEvent.objects.filter(mine).values_list("patient_id", "at")
    found = Antibody.objects.filter(mine, withdrawn_reason="", found_elsewhere=False, found_year__isnull=False)
    zone = ZoneInfo(site.time_zone)
    return Read(
        people=people,
        columns=_columns(facts, place, goals, people, default_ceiling_pct),
        events=tuple((place[pk], at.astimezone(zone).toordinal()) for pk, at in events),
        antibodies=tuple(
            (place[pk], year) for pk, year in found.values_list("patient_id", "found_year") if year is not None
        ),
        decisions=tuple(
            (place[pk], row[1].toordinal(), row[5] or Answers.NOTHING) for pk, rows in goals.items() for row in rows
        ),
        **_ferritin(mine, place, asked),
    )


def _person(patient: Patient, on: date, ceiling_pct: float, method: str) -> Person:
    return Person(
        pk=patient.pk,
        patient_ref=patient.patient_ref,
        name=patient.shown_name,
        last_day=_last_day(patient),
        left_because=Leaving(patient.left_because).label if patient.standing == Standing.LEFT else "",
        age_years=patient.age_years(on),
        ceiling_pct=ceiling_pct,
        method=method,
    )


def _last_day(patient: Patient) -> int:
    if patient.standing == Standing.LEFT and patient.standing_since is not None:
        return patient.standing_since.toordinal()
    return NEVER


def _columns(
    facts: list[Any], place: dict[int, int], goals: dict[int, list[Any]], people: tuple[Person, ...], default: float
) -> Columns:
    table = np.array([row[1:-1] for row in facts], dtype=np.float64).reshape(len(facts), len(FACTS) - 2)
    days, before, after, ratio, iron, points, units, weight, saline, cells, out = table.T
    decided = np.array([_decided(goals.get(row[0], []), row[1], default) for row in facts], dtype=np.float64)
    ceiling, planned, target = decided.reshape(len(facts), 3).T
    return Columns(
        person=np.array([place[row[0]] for row in facts], dtype=np.int64),
        day=days.astype(np.int64),
        before_pct=np.round(before, PRINTED_PLACES),
        after_pct=np.where(np.isnan(after), before * ratio, after),
        after_measured_pct=after,
        ceiling_pct=ceiling,
        planned_days=planned,
        end_target_pct=target,
        units=units,
        balance_ml_kg=(saline + cells - out) / weight,
        net_iron_mg_kg=iron / weight,
        points_per_unit=points,
        last_day=np.array([person.last_day for person in people], dtype=np.int64),
    )


def _decided(goals: list[Any], day: int, default_ceiling_pct: float) -> tuple[float, float | None, float | None]:
    """Ceiling, planned interval and end target as decided on `day`, an ordinal."""
    at = bisect_right(goals, date.fromordinal(day), key=lambda row: row[1])
    if at == 0:
        return default_ceiling_pct, None, None
    _, _, ceiling, usual, target, _ = goals[at - 1]
    return ceiling, usual, target


def _ferritin(mine: Q, place: dict[int, int], asked: Asked) -> dict[str, Ints]:
    """The day of each person's newest ferritin up to the end of either span; 0 where there is none."""
    earlier = asked.end - asked.shift
    rows = (
        LabResult.objects.in_force()
        .filter(mine, analyte=Analyte.FERRITIN, taken_on__lte=asked.end)
        .values("patient_id")
        .annotate(now=Max("taken_on"), before=Max("taken_on", filter=Q(taken_on__lte=earlier)))
        .values_list("patient_id", "now", "before")
    )
    now, before = np.zeros(len(place), np.int64), np.zeros(len(place), np.int64)
    for pk, newest, old in rows:
        now[place[pk]] = newest.toordinal()
        before[place[pk]] = 0 if old is None else old.toordinal()
    return {"ferritin_now": now, "ferritin_before": before}


def per_person(pairs: list[int], n: int) -> Floats:
    """How often each place 0 to n−1 occurs."""
    return np.bincount(np.array(pairs, dtype=np.int64), minlength=n).astype(np.float64)
