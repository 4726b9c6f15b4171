"""Monitoring in words: the table of one person, and what the list says is overdue."""

from __future__ import annotations

from collections.abc import Collection, Mapping
from dataclasses import dataclass
from datetime import date

from patients.models import CheckDone, Patient
from patients.numeric.checks import Due
from patients.queries import checks_due
from programme.core.numeric.setting_table import SETTINGS
from programme.core.numeric.words import count_of
from programme.worklist.numeric.words import DAYS_A_MONTH, age_words, full_day_words


@dataclass(frozen=True, slots=True)
class CheckLine:
    """One check of one person in words. withdraw: key of the row that a person entered last, None for a result."""

    words: str
    every: str
    last: str
    next: str
    overdue: bool
    ground: str
    setting: str
    withdraw: int | None = None


def overdue_words(due: Collection[Due], today: date) -> str:
    """Return what the list says: 'check due: ferritin, 3 weeks over'; the one longest over, and how many more."""
    over = sorted((one for one in due if one.is_overdue(today)), key=lambda one: one.next_on or today)
    if not over:
        return ""
    first = over[0]
    more = f" and {len(over) - 1} more" if len(over) > 1 else ""
    return f"check due: {first.check.words}, {age_words((today - (first.next_on or today)).days)} over{more}"


def check_lines(
    patient: Patient, age_years: float, settings: Mapping[str, float], last: Mapping[str, date], today: date
) -> tuple[CheckLine, ...]:
    """Return the monitoring table of one person; one query for what people entered."""
    rows = CheckDone.objects.filter(patient=patient, withdrawn_at__isnull=True, on__lte=today).select_related("by")
    entered = {row.check_name: row for row in rows.order_by("on", "pk")}
    return tuple(
        _line(due, entered.get(due.check.name), today)
        for due in checks_due(age_years, patient.genotype, settings, last)
    )


def _line(due: Due, row: CheckDone | None, today: date) -> CheckLine:
    last = "no record" if due.last_on is None else full_day_words(due.last_on)
    by_hand = row is not None and row.on == due.last_on
    if row is not None and by_hand:
        last += "" if row.by is None else f", {row.by.full_name}"
        last += f": {row.words}" if row.words else ""
    overdue = due.is_overdue(today)
    if due.next_on is None:
        upcoming = "ask when it was last done"
    elif overdue:
        upcoming = f"was due {full_day_words(due.next_on)}"
    else:
        upcoming = full_day_words(due.next_on)
    return CheckLine(
        words=due.check.words, every=every_words(due.every_days), last=last, next=upcoming, overdue=overdue,
        ground=SETTINGS[due.check.setting].ground, setting=due.check.setting,
        withdraw=row.pk if row is not None and by_hand else None,
    )  # fmt: skip


def every_words(days: int) -> str:
    """Return an interval as it is said: 'every' 8 weeks, 3 months, 2 years."""
    months = round(days / DAYS_A_MONTH)
    if months < 3:
        return count_of(round(days / 7), "week")
    return count_of(months // 12, "year") if months % 12 == 0 else count_of(months, "month")
