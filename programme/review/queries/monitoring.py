"""What is checked again and again: for how many it is overdue or was never recorded, and who they are."""

from __future__ import annotations

from collections import defaultdict
from dataclasses import dataclass
from datetime import date

from patients.models import Patient
from patients.numeric.checks import CHECKS, Due
from patients.queries import checks_due, last_done
from programme.core.models import Site
from programme.core.numeric.intervals import wilson
from programme.core.numeric.setting_table import SETTINGS
from programme.review.queries.behind import Who


@dataclass(frozen=True, slots=True)
class CheckRow:
    """One check over everybody who is to have it. in_time_pct with its 95 % score interval, one answer a person."""

    words: str
    every_days: int
    ground: str
    asked: int
    in_time: int
    in_time_pct: float
    low: float
    high: float
    overdue: tuple[Who, ...]
    unrecorded: tuple[Who, ...]


@dataclass(frozen=True, slots=True)
class Monitoring:
    """Checks as they stand on a day. longest: people by what they are overdue for, who waits longest first."""

    on: date
    n_people: int
    rows: tuple[CheckRow, ...]
    longest: tuple[Who, ...]


def monitoring(site: Site, today: date, settings: dict[str, float]) -> Monitoring:
    """Return the checks of everybody active on the programme; four queries."""
    done = last_done(site, today)
    people = list(Patient.objects.of_site(site).active())
    by_check: dict[str, list[tuple[Patient, Due]]] = defaultdict(list)
    for patient in people:
        age = patient.age_years(today)
        age_years = float("nan") if age is None else age
        for due in checks_due(age_years, patient.genotype, settings, done.get(patient.pk, {})):
            by_check[due.check.name].append((patient, due))
    rows = tuple(_row(by_check[check.name], today) for check in CHECKS if by_check[check.name])
    return Monitoring(today, len(people), rows, _longest(by_check, today))


def _row(asked: list[tuple[Patient, Due]], today: date) -> CheckRow:
    due = asked[0][1]
    overdue = [(patient, _days_over(one, today)) for patient, one in asked if one.is_overdue(today)]
    unrecorded = [patient for patient, one in asked if one.last_on is None]
    in_time = len(asked) - len(overdue) - len(unrecorded)
    limits = wilson(in_time, len(asked))
    return CheckRow(
        words=due.check.words,
        every_days=due.every_days,
        ground=SETTINGS[due.check.setting].ground,
        asked=len(asked),
        in_time=in_time,
        in_time_pct=100 * in_time / len(asked),
        low=100 * limits.low,
        high=100 * limits.high,
        overdue=tuple(
            Who(one.patient_ref, one.shown_name, words=f"{days} days over")
            for one, days in sorted(overdue, key=lambda pair: -pair[1])
        ),
        unrecorded=tuple(
            Who(one.patient_ref, one.shown_name) for one in sorted(unrecorded, key=lambda one: one.shown_name)
        ),
    )


def _longest(by_check: dict[str, list[tuple[Patient, Due]]], today: date) -> tuple[Who, ...]:
    over: dict[int, list[tuple[int, str]]] = defaultdict(list)
    who: dict[int, Patient] = {}
    for pairs in by_check.values():
        for patient, due in pairs:
            if due.is_overdue(today):
                who[patient.pk] = patient
                over[patient.pk].append((_days_over(due, today), due.check.words))
    ordered = sorted(over, key=lambda pk: (-max(over[pk])[0], who[pk].shown_name))
    return tuple(
        Who(who[pk].patient_ref, who[pk].shown_name, len(over[pk]),
            ", ".join(f"{words} {days} days" for days, words in sorted(over[pk], reverse=True)))
        for pk in ordered
    )  # fmt: skip


def _days_over(due: Due, today: date) -> int:
    return 0 if due.next_on is None else (today - due.next_on).days
