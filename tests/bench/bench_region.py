"""The pages of a unit of 300 people among 10,000 of other units, against the very same pages with nobody else there.

Seconds are of the processor: who else works on the machine hardly moves them, and SQLite works in this very process.
"""

from __future__ import annotations

import json
import os
import statistics
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable
from datetime import UTC, date, datetime

from django.contrib.auth.models import AnonymousUser
from django.db import connection
from django.test import RequestFactory

from patients.models import Patient
from programme.booking.queries.diary import read_diary
from programme.core import trail
from programme.core.models import Site, TrailEntry
from programme.intake.queries.inbox import inbox_page
from programme.worklist import tables
from programme.worklist.queries.everyone import everyone
from programme.worklist.queries.trail import Asked, trail_page
from sessions.models import ExchangeSession
from tests.bench.bench_list import fill

OTHERS, HERE, A_UNIT = 9_700, 300, 300
SERVE = "import django; django.setup(); from tests.bench import bench_region; bench_region.serve()"
ROUNDS, LOOKS_A_PERSON, AIM = 15, 40, 1.3
TODAY, NOW = date(2026, 6, 1), datetime(2026, 6, 1, 9, tzinfo=UTC)


def run(scale: float) -> list[str]:
    """Measure each page of one unit, in turn with a process that has it alone, on a copy made before the others."""
    others = max(round(scale * OTHERS), A_UNIT)
    unit = a_unit("here", HERE)
    look_at_sizes()
    with tempfile.TemporaryDirectory(prefix="ebbline-alone-") as folder:
        with connection.cursor() as cursor:
            cursor.execute("VACUUM INTO %s", [f"{folder}/alone.sqlite3"])
        for start in range(0, others, A_UNIT):
            a_unit(f"other{start}", min(A_UNIT, others - start))
        look_at_sizes()
        alone, among = in_turn(unit, f"sqlite:///{folder}/alone.sqlite3")
    people, sessions, looks = (model.objects.count() for model in (Patient, ExchangeSession, TrailEntry))
    head = f"{HERE} people alone, then among {people} with {sessions} sessions and {looks} entries of the trail"
    lines = [
        f"{name:20} alone {1000 * alone[name]:7.1f} ms, among them {1000 * among[name]:7.1f} ms: "
        f"{among[name] / alone[name]:.2f} times (aim {AIM})"
        for name in alone
    ]
    return [f"{head}; both in turn, middle of {ROUNDS} rounds", *lines]


def in_turn(unit: Site, url: str) -> tuple[dict[str, float], dict[str, float]]:
    """Return the middle seconds of each page, where the unit is alone and here; a slow moment slows both."""
    other = subprocess.Popen(
        [sys.executable, "-c", SERVE],
        env={**os.environ, "DATABASE_URL": url},
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        text=True,
    )
    assert other.stdin is not None and other.stdout is not None
    rounds = []
    for _ in range(ROUNDS + 1):
        other.stdin.write("go\n")
        other.stdin.flush()
        rounds.append((json.loads(other.stdout.readline()), one_round(unit)))
    other.stdin.close()
    other.wait()
    alone, among = ([one[side] for one in rounds[1:]] for side in (0, 1))  # what is only done once is not counted
    return middle(alone), middle(among)


def serve() -> None:
    """Measure a round whenever asked, in the process that has the unit alone."""
    unit = Site.objects.get(code="here")
    for _ in sys.stdin:
        print(json.dumps(one_round(unit)), flush=True)


def one_round(unit: Site) -> dict[str, float]:
    took = {}
    for name, work in pages_of(unit).items():
        start = time.process_time()
        work()
        took[name] = time.process_time() - start
    return took


def middle(rounds: list[dict[str, float]]) -> dict[str, float]:
    return {name: statistics.median(one[name] for one in rounds) for name in rounds[0]}


def look_at_sizes() -> None:
    """Let the database count its rows, as PostgreSQL does by itself."""
    with connection.cursor() as cursor:
        cursor.execute("ANALYZE")


def pages_of(unit: Site) -> dict[str, Callable[[], object]]:
    """What each page reads, and of the list its rows as they are sent."""
    return {
        "list": lambda: the_list(unit),
        "diary": lambda: read_diary(unit, NOW),
        "inbox": lambda: inbox_page(unit, NOW),
        "trail of a day": lambda: trail_page(unit, Asked(TODAY, TODAY)),
    }


def the_list(unit: Site) -> str:
    request = RequestFactory().get("/")
    request.user = AnonymousUser()
    return "".join(tables.list_chunks(everyone(unit, NOW), tables.ROWS_HERE, request))


def a_unit(code: str, people: int) -> Site:
    """A unit with a full past, whose people were looked at today and on the days before."""
    unit = Site.objects.create(code=code, name=f"Unit {code}")
    fill(unit, people)
    keys = list(Patient.objects.filter(site=unit).values_list("pk", flat=True))
    TrailEntry.objects.bulk_create(
        (
            TrailEntry(
                site=unit, chain=f"seen:{key}", number=number + 1, patient_key=key, actor=None,
                at=NOW.replace(year=2026 - number % 2, hour=number % 8), action="saw", row_kind="course",
                previous_hash=trail.FIRST, hash=f"{key:032d}{number:032d}",
            )
            for key in keys
            for number in range(LOOKS_A_PERSON)
        ),
        batch_size=2_000,
    )  # fmt: skip
    return unit
