"""The review of 300 people over five years, against the bare reading of the same rows."""

from __future__ import annotations

import statistics
import time
from collections.abc import Callable
from datetime import UTC, date, datetime, timedelta
from functools import partial

from patients.models import Antibody, Goals, LabResult, Patient
from programme.core.models import Site, SiteSetting
from programme.core.numeric.intervals import drawn_times
from programme.review.queries.asked import Asked
from programme.review.queries.columns import FACTS
from programme.review.queries.programme import review
from sessions.day.models import AdverseEvent
from sessions.models import ExchangeSession, Origin, SessionFacts, State

PEOPLE, YEARS, EVERY_DAYS, ROUNDS = 300, 5, 28, 5
END = date(2026, 6, 1)
NOW = datetime(2026, 6, 1, 9, tzinfo=UTC)


def run(scale: float) -> list[str]:
    """Make a unit of people with five years of sessions, then review it and read its rows bare."""
    site = Site.objects.create(code="bench", name="Bench Day Unit")
    people = max(round(scale * PEOPLE), 6)
    rows = _fill(site, people)
    bare = _seconds(lambda: _read(site))
    lines = [
        f"{people} people, {rows} sessions over {YEARS} years; middle of {ROUNDS} rounds",
        f"bare reading of the rows {1000 * bare:.0f} ms; aim for each review: 5 times that at most",
    ]
    for words, years, by in (("all five years", YEARS, ""), ("a year and the year before", 1, ""),
                             ("a year and the year before, by age", 1, "age")):  # fmt: skip
        asked = Asked(END - timedelta(days=365 * years - 1), END, by=by)
        whole = _seconds(partial(review, site, asked, NOW))
        lines.append(f"review of {words} {1000 * whole:.0f} ms: {whole / bare:.2f} times")
    return lines


def _read(site: Site) -> int:
    mine = {"patient__site": site}
    return (
        len(list(SessionFacts.objects.filter(**mine).order_by("patient_id", "day").values_list(*FACTS)))
        + len(list(Patient.objects.of_site(site)))
        + len(list(Goals.objects.filter(**mine).values_list("patient_id", "since", "hbs_ceiling_pct")))
        + len(list(AdverseEvent.objects.filter(**mine).values_list("patient_id", "at")))
        + len(list(Antibody.objects.filter(**mine).values_list("patient_id", "found_year")))
        + len(list(LabResult.objects.filter(**mine).values_list("patient_id", "taken_on")))
        + len(list(SiteSetting.objects.filter(site=site).values_list("name", "value")))
    )


def _fill(site: Site, people: int) -> int:
    Patient.objects.bulk_create(
        Patient(site=site, patient_ref=f"B{n}", family_name=f"Bench{n}", sex="F", genotype="SS") for n in range(people)
    )
    everyone = list(Patient.objects.of_site(site).order_by("pk"))
    Goals.objects.bulk_create(
        Goals(patient=who, since=date(2020, 1, 1), usual_interval_days=EVERY_DAYS, recorded_at=NOW) for who in everyone
    )
    visits = range(0, 365 * YEARS, EVERY_DAYS)
    ExchangeSession.objects.bulk_create(
        ExchangeSession(
            patient=who, on=END - timedelta(days=back), state=State.CLOSED, origin=Origin.IMPORTED, weight_kg=60.0,
            units=4, saline_in_ml=500.0, red_cells_in_ml=1100.0, blood_out_ml=1550.0,
        )
        for who in everyone
        for back in visits
    )  # fmt: skip
    made = ExchangeSession.objects.filter(patient__site=site).values_list("pk", "patient_id", "on")
    SessionFacts.objects.bulk_create(
        SessionFacts(
            exchange_session_id=pk, patient_id=who, day=on.toordinal(), hbs_before_pct=24.0 + (who * 7 + pk) % 9,
            hbs_after_pct=12.0, untransfused_pct=90.0, points_per_unit=3.5, net_iron_mg=150.0, code_version="bench",
        )
        for pk, who, on in made
    )  # fmt: skip
    return len(everyone) * len(visits)


def _seconds(do: Callable[[], object]) -> float:
    times = []
    for _ in range(ROUNDS):
        drawn_times.cache_clear()
        start = time.perf_counter()
        do()
        times.append(time.perf_counter() - start)
    return statistics.median(times)
