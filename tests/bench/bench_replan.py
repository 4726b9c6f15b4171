"""The nightly replan of a region against the bare reading of the same rows, and the drift fit against statsmodels.

At full size 10,000 people with 100 sessions each. The steps are timed inside a real replan of everybody. Seconds are of
the processor: who else works on the machine hardly moves them, and SQLite works in this very process.
"""

from __future__ import annotations

import multiprocessing
import time
import warnings
from collections import defaultdict
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from datetime import UTC, date, datetime
from typing import Any

import numpy as np
import statsmodels.api as sm
from django.db import connection, connections
from django.db.models import Model

from patients.models import BodyMeasure, Goals, Patient
from programme.core.models import Site
from programme.planning import beside, inputs, reckoning, replan, services
from sessions import forecasting
from sessions.models import ExchangeSession, Origin, SessionFacts, State
from sessions.numeric.drift.fit import fit_programme
from sessions.numeric.drift.person import update_people
from sessions.numeric.drift.predict import predict
from sessions.numeric.forecasters import gap_days, gap_rows
from sessions.numeric.mechanisms.made_up import MadeUp, simulate
from tests.bench._memory import peak_mb

PEOPLE, SESSIONS = 10_000, 100
DIFFERENT_PEOPLE = 500
ROWS_AT_ONCE = 500
AS_OF = date(2026, 6, 1)
NOW = datetime(2026, 6, 1, 2, 10, tzinfo=UTC)
NINE_COLUMNS = (
    "patient_id", "day", "hbs_before_pct", "hbs_after_pct", "hbs_ratio", "hbs_ratio_sd", "hb_before_g_l",
    "hb_after_g_l", "untransfused_pct",
)  # fmt: skip
FIGURES = (*NINE_COLUMNS[2:], "blood_volume_ml", "topup_hb_g")

STEPS: tuple[tuple[str, Any, str], ...] = (
    ("read", reckoning, "session_columns"),
    ("read", reckoning, "people_inputs"),
    ("person update", forecasting, "see"),
    ("person update", inputs, "people_inputs"),
    ("person update", inputs, "diluted"),
    ("suggestion", reckoning, "suggest_some"),
    ("beside, with lived years", services, "beside"),
    ("lived years alone", beside, "lived_years"),
    ("forecast and its rows", services, "forecast_rows"),
    ("rows of suggestions", services, "suggestion_rows"),
    ("store", services, "store"),
)


def run(scale: float) -> list[str]:
    lines = []
    people = max(round(scale * PEOPLE), 100)
    for count in sorted({100, max(people // 10, 100), people}):
        site = made_apart(count)
        bare, rows = bare_read(site, NINE_COLUMNS)
        full, _ = bare_read(site, [field.column for field in SessionFacts._meta.concrete_fields])
        start = time.process_time()
        services.fit_to_use(site=site, as_of=AS_OF, at=NOW)
        fitted = time.process_time() - start
        with timed() as spent:
            start, began = time.process_time(), time.monotonic()
            done = replan.replan(site=site, as_of=AS_OF, clock=lambda: NOW, everyone=True)
            whole, waited = time.process_time() - start, time.monotonic() - began
        lines.append(
            f"{done.renewed} people, {rows} sessions: bare read of nine columns {bare:.2f} s, of the rows whole "
            f"{full:.2f} s; fit {fitted:.1f} s"
        )
        lines += [f"    {name:24} {seconds:7.2f} s, {seconds / bare:6.1f} times" for name, seconds in spent.items()]
        each = 1000 * whole / count
        lines.append(
            f"    replan in all            {whole:7.2f} s, {whole / bare:6.1f} times (aim 3), {whole / full:.1f} of "
            f"the rows whole; {each:.2f} ms a person; {waited:.1f} s by the clock"
        )
        lines.append(f"    peak memory so far, fit and replan, {peak_mb()} MB")
    return [*lines, *against_statsmodels(scale)]


def made_apart(count: int) -> Site:
    """`a_region` made by another process, so that what it holds is not taken for what a replan holds."""
    connections.close_all()
    maker = multiprocessing.get_context("fork").Process(target=a_region, args=(count,))
    maker.start()
    maker.join()
    assert maker.exitcode == 0
    return Site.objects.get(code=f"region{count}")


@contextmanager
def timed() -> Iterator[dict[str, float]]:
    """Add up what each step of a replan takes, by wrapping the functions where they are called."""
    spent: dict[str, float] = defaultdict(float)
    kept = [(module, name, getattr(module, name)) for _, module, name in STEPS]
    for step, module, name in STEPS:
        setattr(module, name, _wrapped(step, getattr(module, name), spent))
    try:
        yield spent
    finally:
        for module, name, function in kept:
            setattr(module, name, function)


def _wrapped(step: str, function: Callable[..., Any], spent: dict[str, float]) -> Callable[..., Any]:
    def call(*arguments: Any, **named: Any) -> Any:
        start = time.process_time()
        try:
            return function(*arguments, **named)
        finally:
            spent[step] += time.process_time() - start

    return call


def bare_read(site: Site, columns: Sequence[str]) -> tuple[float, int]:
    """Seconds for a cursor to read these columns of the site's facts, the better of two, and how many rows."""
    query = (
        f"SELECT {', '.join(columns)} FROM {SessionFacts._meta.db_table} WHERE patient_id IN "
        f"(SELECT id FROM {Patient._meta.db_table} WHERE site_id = %s)"
    )
    best, rows = np.inf, 0
    for _ in range(2):
        start, rows = time.process_time(), 0
        with connection.cursor() as cursor:
            cursor.execute(query, [site.pk])
            while some := cursor.fetchmany(20_000):
                rows += len(some)
        best = min(best, time.process_time() - start)
    return best, rows


# A made-up region, straight into the tables


def a_region(count: int) -> Site:
    """A site with `count` people of 100 sessions each; DIFFERENT_PEOPLE made-up ones, over and over."""
    made = simulate("feedback", n_people=min(count, DIFFERENT_PEOPLE), n_gaps=SESSIONS - 1, seed=20260601)
    site = Site.objects.create(code=f"region{count}", name=f"Region of {count}")
    people = _people(site, made)
    sessions = _sessions(people, made)
    for copy in range(1, -(-count // len(people))):
        # A database copies its own rows a hundred times faster than they can be sent to it.
        moved = {Patient: copy * len(people), ExchangeSession: copy * len(sessions)}
        fewer = count - copy * len(people)
        for model in (Patient, BodyMeasure, Goals, ExchangeSession, SessionFacts):
            _copy(model, people[:fewer], moved)
    return site


def _people(site: Site, made: MadeUp) -> list[Patient]:
    kilograms, ceilings = made.people.weight_kg.tolist(), made.people.ceiling_pct.tolist()
    people = _create(
        Patient(site=site, patient_ref=f"P{n:05d}", sex="FM"[n % 2], birth_date=date(1990, 1, 1))
        for n in range(len(kilograms))
    )
    _create(
        BodyMeasure(patient=person, on=date(2015, 1, 1), weight_kg=weight, height_cm=168.0, source="")
        for person, weight in zip(people, kilograms, strict=True)
    )
    _create(
        Goals(
            patient=person, since=date(2015, 1, 1), hbs_ceiling_pct=ceiling, recorded_at=NOW,
            decided_by_name="made up", reason="made up",
        )
        for person, ceiling in zip(people, ceilings, strict=True)
    )  # fmt: skip
    return people


def _sessions(people: list[Patient], made: MadeUp) -> list[ExchangeSession]:
    columns = made.columns
    moved = AS_OF.toordinal() - 3 - np.maximum.reduceat(columns.day, columns.starts()[:-1])[columns.person]
    days, persons = (columns.day + moved).tolist(), [people[person] for person in columns.person]
    sessions = _create(
        ExchangeSession(
            patient=person, on=date.fromordinal(day), weight_kg=float(made.people.weight_kg[number]),
            state=State.CLOSED, origin=Origin.IMPORTED,
        )
        for person, day, number in zip(persons, days, columns.person, strict=True)
    )  # fmt: skip
    _create(
        SessionFacts(
            exchange_session=session, patient=persons[row], day=days[row], share_of_ideal=0.9, share_of_ideal_sd=0.13,
            gap_known=bool(columns.gap_known[row]), code_version="bench",
            topup_day=_plain(columns.topup_day[row] + moved[row]),
            **{name: _plain(getattr(columns, name)[row]) for name in FIGURES},
        )
        for row, session in enumerate(sessions)
    )  # fmt: skip
    return sessions


def _copy(model: type[Model], people: list[Patient], moved: dict[type[Model], int]) -> None:
    """Copy the rows of these people to people, and sessions, whose keys are higher by `moved`."""
    chosen = {}
    for field in model._meta.concrete_fields:
        by = moved.get(field.related_model or (model if field.primary_key else None), 0)
        chosen[field.column] = f'"{field.column}" + {by}' if by else f'"{field.column}"'
    if model is Patient:
        chosen["patient_ref"] = f"'P' || (CAST(substr(patient_ref, 2) AS integer) + {moved[Patient]})"
    elif model not in moved:
        chosen.pop("id", None)
    person = "id" if model is Patient else "patient_id"
    into, taken = ", ".join(f'"{name}"' for name in chosen), ", ".join(chosen.values())
    table = model._meta.db_table
    with connection.cursor() as cursor:
        cursor.execute(
            f"INSERT INTO {table} ({into}) SELECT {taken} FROM {table} WHERE {person} BETWEEN %s AND %s",
            [people[0].pk, people[-1].pk],
        )


def _create(rows: Any) -> list[Any]:
    made = list(rows)
    type(made[0])._default_manager.bulk_create(made, batch_size=ROWS_AT_ONCE)
    return made


def _plain(value: float) -> float | None:
    return None if np.isnan(value) else float(value)


# Against statsmodels


def against_statsmodels(scale: float) -> list[str]:
    """Fit and forecast everybody, against a mixed model with random slopes of a fifth as many people."""
    ours, theirs = max(round(scale * PEOPLE), 500), max(round(scale * 2000), 100)
    columns = simulate("feedback", n_people=ours, n_gaps=30, seed=7).columns
    start = time.monotonic()
    fit = fit_programme(columns)
    median = predict(fit, update_people(fit, columns), days=28.0).median()
    drift = time.monotonic() - start
    columns = simulate("feedback", n_people=theirs, n_gaps=20, seed=8).columns
    rows = gap_rows(columns)
    climb = columns.hbs_before_pct[rows] - columns.hbs_after_pct[rows - 1]
    known = np.isfinite(climb)
    months = gap_days(columns)[rows][known, None] / 30.0  # in days it does not converge
    start = time.monotonic()
    with warnings.catch_warnings():
        warnings.simplefilter("error")
        sm.MixedLM(climb[known], months, groups=columns.person[rows][known], exog_re=months).fit(reml=False)
    mixed = time.monotonic() - start
    return [
        f"drift fit and forecast of {len(median)} people with 30 gaps {drift:.1f} s; MixedLM of {theirs} with 20 gaps "
        f"{mixed:.1f} s: ratio {drift / mixed:.2f} (aim under 1)"
    ]
