"""Places for 300 people in 12 weeks: the whole proposal against the successive solves alone, on the same machine.

In processor seconds of this process, so that what else runs on the machine does not count; both use one thread.
"""

from __future__ import annotations

import time
from datetime import UTC, date, datetime, timedelta
from datetime import time as clock

from patients.models import Patient
from programme.booking.models import Chair, OpeningHours, Slot, StaffLimit
from programme.booking.queries.one_more import one_more_start
from programme.booking.queries.problem import read_problem
from programme.booking.queries.together import solved
from programme.booking.solver import place_all
from programme.core.models import Site
from programme.core.numeric.setting_table import DEFAULTS
from programme.planning.models import Suggestion
from programme.planning.services import PLAN_VERSION

PEOPLE, WEEKS, CHAIRS = 300, 12, 6
NOW = datetime(2026, 6, 1, 7, tzinfo=UTC)
FIRST = date(2026, 6, 1)


def run(scale: float) -> list[str]:
    """Make a unit with about as many places as people, and place them all."""
    site = Site.objects.create(code="bench", name="Bench Day Unit")
    people = max(round(scale * PEOPLE), 6)
    _fill(site, people)
    asked = {"first": FIRST, "weeks": WEEKS, "now": NOW, "settings": DEFAULTS}
    start = time.process_time()
    problem = read_problem(site, **asked)
    found = solved(problem)
    placed = time.process_time()
    more = one_more_start(problem, found)
    end = time.process_time()
    place_all(problem.due, problem.room)
    alone, whole, again = time.process_time() - end, end - start, end - placed
    return [
        f"{people} people, {WEEKS} weeks, {CHAIRS} chairs; {len(found.placed)} placed, {len(found.left)} left, "
        f"{sum(row.late for row in found.placed)} late; "
        + ("proven best" if found.proven_optimal else f"gap {100 * found.gap:.1f} %"),
        f"whole proposal {whole:.1f} s, its successive solves alone {alone:.1f} s: "
        f"{whole / alone:.2f} times; aim 2 at most",
        f"of it what one more start would buy: {again:.1f} s, {len(more)} sentences",
    ]


def _fill(site: Site, people: int) -> None:
    since = date(2024, 1, 1)
    for weekday in range(5):
        OpeningHours.objects.create(site=site, weekday=weekday, opens=clock(8), closes=clock(18), since=since)
    for place in range(1, CHAIRS + 1):
        chair = Chair.objects.create(site=site, name=f"Chair {place}", place=place, since=since)
        Slot.objects.create(chair=chair, number=1, starts=clock(9), ends=clock(16), since=since)
    StaffLimit.objects.create(site=site, since=since, most=CHAIRS - 1)
    made = Patient.objects.bulk_create(
        Patient(site=site, patient_ref=f"B{n:04}", family_name=f"Person{n:04}", given_name="A", sex="F")
        for n in range(people)
    )
    Suggestion.objects.bulk_create(_suggestion(patient, n) for n, patient in enumerate(made))


def _suggestion(patient: Patient, number: int) -> Suggestion:
    """Windows of five to eleven days spread over the weeks, a chance that climbs by 1 to 4 in 100 a day."""
    best = FIRST + timedelta(days=7 + (number * 37) % (7 * (WEEKS - 3)))
    climb = 0.01 * (1 + number % 4)
    earliest = best - timedelta(days=5)
    chance = [round(min(1.0, max(0.0, 0.05 + climb * (day - 5))), 3) for day in range(35)]
    return Suggestion(
        patient=patient,
        data_version=patient.data_version,
        code_version=PLAN_VERSION,
        as_of=FIRST,
        made_at=NOW,
        status="ok",
        next_date=best,
        latest_safe_date=best + timedelta(days=number % 7),
        interval_days=35,
        chance_today=0.0,
        body={"session": {"units": 4}},
        options={
            "earliest_date": earliest.isoformat(),
            "chance_by_day": {"from": earliest.isoformat(), "chance": chance},
        },
    )
