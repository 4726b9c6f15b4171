"""The list of 300 people: server time against the same rows in the same table without pictures, and bytes a row."""

from __future__ import annotations

import gzip
import statistics
import time
from datetime import UTC, date, datetime, timedelta

from django.contrib.auth.models import AnonymousUser
from django.http import HttpRequest
from django.template.loader import render_to_string
from django.test import RequestFactory
from scipy.special import ndtri

from patients.models import Goals, Patient
from programme.core.models import Site
from programme.planning.models import Suggestion
from programme.planning.services import PLAN_VERSION
from programme.worklist import tables
from programme.worklist.queries.everyone import ListPage, everyone
from sessions.forecasting import MODEL_VERSION
from sessions.models import ExchangeSession, ModelFit, SessionFacts, StoredForecast

PEOPLE, SESSIONS_EACH, ROUNDS = 300, 40, 7
TODAY = date(2026, 6, 1)
NOW = datetime(2026, 6, 1, 9, tzinfo=UTC)
CURVE_DAYS = list(range(0, 99, 7))
QUANTILES = {"p10": 0.1, "p25": 0.25, "p50": 0.5, "p75": 0.75, "p90": 0.9}


def run(scale: float) -> list[str]:
    """Make a unit of people with a full past, then make its list with and without pictures."""
    site = Site.objects.create(code="bench", name="Bench Day Unit")
    people = max(round(scale * PEOPLE), 3)
    fill(site, people)
    request = RequestFactory().get("/")
    request.user = AnonymousUser()
    page = everyone(site, NOW)
    read = _seconds(lambda: everyone(site, NOW))
    plain = _seconds(lambda: _made(page, request, pictures=False))
    drawn = _seconds(lambda: _made(page, request, pictures=True))
    whole, bare = _made(page, request, pictures=True), _made(page, request, pictures=False)
    per_row = len(gzip.compress(whole.encode(), 6)) / people
    first = _until_first_band(page, request)
    return [
        f"{people} people with {SESSIONS_EACH} sessions each; middle of {ROUNDS} rounds",
        f"reading {1000 * read:.0f} ms; table without pictures {1000 * plain:.0f} ms, "
        f"with pictures {1000 * drawn:.0f} ms",
        f"table with pictures over without: {drawn / plain:.2f}; with reading on both sides "
        f"{(read + drawn) / (read + plain):.2f}; aim 4 at most",
        f"first band sent {1000 * first:.0f} ms after the rows were read",
        f"{len(whole) / people / 1000:.2f} kB a row, {len(bare) / people / 1000:.2f} without picture; "
        f"gzipped {per_row / 1000:.2f} kB a row, aim 0.9 at most",
    ]


def _made(page: ListPage, request: HttpRequest, *, pictures: bool) -> str:
    return "".join(tables.list_chunks(page, tables.ROWS_HERE, request, pictures=pictures))


def _until_first_band(page: ListPage, request: HttpRequest) -> float:
    start = time.perf_counter()
    shell = render_to_string("worklist/_list_head.html", {"table": tables.head_table(page.today)}) + tables.ROWS_HERE
    chunks = tables.list_chunks(page, shell, request)
    next(chunks)
    next(chunks)
    return time.perf_counter() - start


def _seconds(work) -> float:  # type: ignore[no-untyped-def]
    times = []
    for _ in range(ROUNDS):
        start = time.perf_counter()
        work()
        times.append(time.perf_counter() - start)
    return statistics.median(times)


def fill(site: Site, people: int) -> None:
    """Give a unit people with a full past, a forecast and a suggestion each."""
    fit = ModelFit.objects.create(
        site=site, made_at=NOW, as_of=TODAY, form="linear", code_version=MODEL_VERSION, parameters={}, n_people=people,
        n_gaps=people * SESSIONS_EACH, in_force_since=NOW,
    )  # fmt: skip
    persons = Patient.objects.bulk_create(
        Patient(
            site=site, patient_ref=f"B-{n:03d}", family_name=f"Family{n}", given_name=f"Given{n % 37}", sex="FM"[n % 2]
        )
        for n in range(people)
    )
    Goals.objects.bulk_create(Goals(patient=p, since=date(2024, 1, 2), recorded_at=NOW) for p in persons)
    lasts = {p.pk: TODAY - timedelta(days=n * 7 % 33) for n, p in enumerate(persons)}
    done = ExchangeSession.objects.bulk_create(
        ExchangeSession(patient=p, on=lasts[p.pk] - timedelta(days=28 * k), state="closed", weight_kg=60, units=4)
        for p in persons
        for k in range(SESSIONS_EACH)
    )
    SessionFacts.objects.bulk_create(
        SessionFacts(
            exchange_session=row, patient_id=row.patient_id, day=row.on.toordinal(), untransfused_pct=90,
            hbs_before_pct=24 + (row.pk * 7919 % 89) / 11, hbs_after_pct=12 + (row.pk * 104729 % 61) / 13,
            code_version="bench",
        )
        for row in done
    )  # fmt: skip
    StoredForecast.objects.bulk_create(_forecast(p, fit, lasts[p.pk], n) for n, p in enumerate(persons))
    Suggestion.objects.bulk_create(_suggestion(p, fit, lasts[p.pk], n) for n, p in enumerate(persons))


def _forecast(patient: Patient, fit: ModelFit, last: date, n: int) -> StoredForecast:
    pace, end = 0.35 + 0.013 * (n % 29), 12 + 0.17 * (n % 23)
    days = {
        name: [round(end + pace * d + float(ndtri(share)) * (0.8 + 0.05 * d), 2) for d in CURVE_DAYS]
        for name, share in QUANTILES.items()
    }
    return StoredForecast(
        patient=patient, model_fit=fit, data_version=1, code_version=MODEL_VERSION, as_of=TODAY, made_at=NOW,
        last_on=last, pace={"pct_per_day": pace}, days={"days": CURVE_DAYS, **days},
    )  # fmt: skip


def _suggestion(patient: Patient, fit: ModelFit, last: date, n: int) -> Suggestion:
    latest = last + timedelta(days=24 + n % 13)
    best = max(latest - timedelta(days=2), TODAY)
    chances = [round(min(0.004 * (d + n % 40), 1), 4) for d in range(84)]
    return Suggestion(
        patient=patient, model_fit=fit, data_version=1, code_version=PLAN_VERSION, as_of=TODAY, made_at=NOW,
        status="ok", next_date=best, latest_safe_date=latest, interval_days=(best - last).days,
        chance_today=0.01 * (n % 60), body={"status": "ok"},
        options={
            "chance_by_day": {"from": TODAY.isoformat(), "chance": chances},
            "earliest_date": TODAY.isoformat(),
        },
    )  # fmt: skip
