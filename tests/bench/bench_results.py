"""From a laboratory's message to the list that shows it: one message, and a morning's results read together.

A unit with two years of history, everybody planned; HL7 messages of Hb and HbS. The plain reference is what nobody
could do without: one committed row, and the list made once.
"""

from __future__ import annotations

import csv
import statistics
import tempfile
import time
from collections.abc import Callable
from datetime import UTC, date, datetime, timedelta
from pathlib import Path

from django.contrib.auth.models import AnonymousUser
from django.core.management import call_command
from django.test import RequestFactory

from patients.models import LabResult, Patient
from programme.core.models import Site
from programme.intake.models import ReadResult
from programme.intake.numeric.mllp import Frame
from programme.intake.services.reading import read_all
from programme.intake.services.receiving import receive
from programme.planning.replan import replan
from programme.worklist import tables
from programme.worklist.queries.everyone import everyone

PEOPLE, SESSIONS, EVERY_DAYS, ROUNDS = 120, 26, 28, 15
TODAY = date(2026, 6, 1)
NOW = datetime(2026, 6, 1, 9, tzinfo=UTC)
HEADER = (
    "patient_ref", "sex", "birth_date", "height_cm", "session_date", "weight_kg", "hb_pre_g_l", "hb_post_g_l",
    "hbs_pre_pct", "hbs_post_pct", "saline_in_ml", "red_cells_in_ml", "blood_out_ml", "units",
)  # fmt: skip


def run(scale: float) -> list[str]:
    """Bring a unit in and plan it; then let results arrive and make the list."""
    site = Site.objects.create(code="bench", name="Bench Day Unit")
    people = max(round(scale * PEOPLE), 2 * ROUNDS)
    _bring_in(site, people)
    replan(site=site, as_of=TODAY, clock=lambda: NOW, everyone=True)
    listed = _middle(lambda _: _list(site))
    row = _middle(lambda n: LabResult.objects.filter(pk=LabResult.objects.first().pk).update(method=f"bare {n}"))
    kept, read, shown = ([], [], [])
    for n in range(ROUNDS):
        kept.append(_seconds(lambda n=n: _receive(site, n, n)))
        read.append(_seconds(lambda: read_all(clock=lambda: NOW)))
        shown.append(_seconds(lambda: _list(site)))
    whole = [sum(parts) for parts in zip(kept, read, shown, strict=True)]
    one = statistics.median(whole)
    for n in range(ROUNDS):
        for part in range(3):
            _receive(site, ROUNDS + n, ROUNDS + 3 * n + part)
    many = _seconds(lambda: read_all(clock=lambda: NOW))
    filed = ReadResult.objects.filter(became__in=("filed", "held")).count()
    return [
        f"{people} people with {SESSIONS} sessions each; middle of {ROUNDS} messages of Hb and HbS; {filed} stored",
        f"kept and answered {_ms(kept)}, read, filed and planned anew {_ms(read)}, list made {_ms(shown)}",
        f"message to updated list {1000 * one:.0f} ms: {one / (row + listed):.1f} times a bare row and the list "
        f"({1000 * row:.1f} + {1000 * listed:.0f} ms)",
        f"a morning of {3 * ROUNDS} messages about {ROUNDS} people read together {1000 * many:.0f} ms: "
        f"{1000 * many / (3 * ROUNDS):.0f} ms a message",
    ]


def _bring_in(site: Site, people: int) -> None:
    with tempfile.TemporaryDirectory(prefix="ebbline-bench-") as folder:
        path = Path(folder) / "history.csv"
        with path.open("w", newline="") as file:
            writer = csv.writer(file)
            writer.writerow(HEADER)
            writer.writerows(_row(n, k) for n in range(people) for k in range(SESSIONS))
        call_command("load_history", str(path), site=site.code, verbosity=0)


def _row(n: int, k: int) -> tuple[object, ...]:
    on = TODAY - timedelta(days=EVERY_DAYS - n % 3 + EVERY_DAYS * k)
    before, after = 25 + (7 * n + 11 * k) % 9 / 2, 12 + (5 * n + 3 * k) % 7 / 2
    return (f"B{n:03d}", "FM"[n % 2], date(1990, 1, 1) + timedelta(days=97 * n), 168, on, 60 + n % 20,
            82 + (3 * n + k) % 8, 101 + (n + k) % 6, before, after, 400, 1200, 1600, 4)  # fmt: skip


def _receive(site: Site, n: int, message: int) -> None:
    patient = Patient.objects.get(site=site, patient_ref=f"B{n:03d}")
    taken = f"20260601{6 + message % 3:02d}15+0000"
    pid = f"PID|1||{patient.patient_ref}^^^UNIT^MR||||{patient.birth_date:%Y%m%d}"
    body = "\r".join((
        f"MSH|^~\\&|LAB|HOSP|EBB|UNIT|20260601083000+0000||ORU^R01^ORU_R01|M{message}|P|2.5.1", pid,
        f"OBR|1||ORDER{message}|58410-2^count^LN|||{taken}",
        f"OBX|1|NM|718-7^Hb^LN||{84 + message % 5}|g/L|||||F|||{taken}",
        f"OBX|2|NM|4625-0^HbS^LN||{26 + message % 4}|%|||||F|||{taken}",
    ))  # fmt: skip
    assert receive(site=site, frame=Frame(body.encode()), at=NOW).code == "AA"


def _list(site: Site) -> None:
    request = RequestFactory().get("/")
    request.user = AnonymousUser()
    "".join(tables.list_chunks(everyone(site, NOW), tables.ROWS_HERE, request, pictures=True))


def _middle(work: Callable[[int], object]) -> float:
    return statistics.median(_seconds(lambda n=n: work(n)) for n in range(ROUNDS))


def _seconds(work: Callable[[], object]) -> float:
    start = time.perf_counter()
    work()
    return time.perf_counter() - start


def _ms(times: list[float]) -> str:
    return f"{1000 * statistics.median(times):.0f} ms"
