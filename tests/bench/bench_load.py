"""Bringing 100,000 past sessions in, against plain bulk_create of the very same rows."""

from __future__ import annotations

import random
import time
from datetime import UTC, date, datetime, timedelta

from django.db import connection, transaction
from django.db.models import Model

from patients.models import BodyMeasure, Goals, LabResult, Patient
from programme.core import guards
from programme.core.models import Site, TrailEntry
from programme.planning.models import Suggestion
from sessions.history.bring_in import ROWS_AT_ONCE, bring_in
from sessions.history.look import look_at
from sessions.models import ExchangeSession, ResultLink, SessionFacts, StoredForecast
from sessions.numeric.history.table import COLUMNS

SESSIONS, SESSIONS_A_PERSON = 100_000, 100
NOW = datetime(2026, 6, 1, 9, tzinfo=UTC)
WRITTEN: tuple[type[Model], ...] = (
    Patient, ExchangeSession, LabResult, ResultLink, BodyMeasure, Goals, SessionFacts, TrailEntry,
)  # fmt: skip
FOLLOWING: tuple[type[Model], ...] = (StoredForecast, Suggestion)


def a_file(people: int, seed: int = 20260601) -> bytes:
    """Return a file of past records of invented people."""
    draw = random.Random(seed)
    lines = [",".join(COLUMNS)]
    for number in range(people):
        day, weight = date(2016, 1, 1) + timedelta(days=draw.randrange(28)), draw.uniform(50, 85)
        for place in range(SESSIONS_A_PERSON):
            units = draw.choice((4, 5, 6))
            person = ["FM"[number % 2], "1990-05-06", "168", "", "30"] if place == 0 else [""] * 5
            figures = (
                day, f"{weight + draw.gauss(0, 0.6):.1f}", draw.randrange(80, 105), draw.randrange(95, 115),
                f"{draw.uniform(25, 45):.1f}", f"{draw.uniform(8, 22):.1f}", 500, units * 258, 500 + units * 258, units,
            )  # fmt: skip
            rest = ("", "", "capillary", "routine", "no")
            lines.append(",".join(map(str, (f"P{number:05d}", *person, *figures, *rest))))
            day += timedelta(days=draw.choice((28, 28, 30, 35)))
    return "\n".join(lines).encode()


def run(scale: float) -> list[str]:
    """Load a file, then write the same rows plainly into the emptied tables; return the times and their ratio."""
    site = Site.objects.create(code="bench", name="Bench Day Unit")
    data = a_file(max(round(scale * SESSIONS / SESSIONS_A_PERSON), 1))
    start = time.monotonic()
    with transaction.atomic():
        done = bring_in(site=site, data=data, actor=None, at=NOW)
        loaded = time.monotonic() - start
    renewed = time.monotonic() - start - loaded
    rows = {model: list(model._default_manager.order_by("pk")) for model in WRITTEN}
    _empty()
    start = time.monotonic()
    with transaction.atomic():
        for some in rows.values():
            type(some[0])._default_manager.bulk_create(some, batch_size=ROWS_AT_ONCE)
    plain = time.monotonic() - start
    start = time.monotonic()
    again = look_at(site=site, data=data, at=NOW)
    looked = time.monotonic() - start
    n_rows = sum(len(some) for some in rows.values())
    return [
        f"{done.n_sessions} sessions with {done.n_results} results, {n_rows} rows in all",
        f"load_history {loaded:.1f} s, plain bulk_create of these rows {plain:.1f} s: {loaded / plain:.2f}, aim 3",
        f"the same file again, {again.same} sessions found stored: {looked:.1f} s",
        f"commit, and what follows it (fit, forecasts and suggestions of all these people): {renewed:.1f} s",
    ]


def _empty() -> None:
    guards.drop()
    with connection.cursor() as cursor:
        for model in (*FOLLOWING, *reversed(WRITTEN)):
            cursor.execute(f"DELETE FROM {model._meta.db_table}")
    guards.make()
