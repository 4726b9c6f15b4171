"""Monitoring, read for one person or a whole site: what was last done of each check, and when it is next due."""

from __future__ import annotations

from collections.abc import Collection, Mapping
from datetime import date
from typing import Any

from django.db.models import Max

from patients.models import CheckDone, CrossmatchSample, LabResult
from patients.numeric.checks import CHECKS, Due, due_of
from programme.core.models import Site

CODES = [code for check in CHECKS for code in check.codes]
LastDone = dict[str, date]


def last_done(site: Site, today: date, *, only: Collection[int] | None = None) -> Mapping[int, LastDone]:
    """Return by person and check the latest day on which it was done, from results, samples and rows; three queries."""
    wanted: dict[str, Any] = {"patient__site": site} if only is None else {"patient__in": only}
    found: dict[int, LastDone] = {}

    def take(pk: int, name: str, on: date) -> None:
        mine = found.setdefault(pk, {})
        mine[name] = max(on, mine.get(name, on))

    results = LabResult.objects.in_force().filter(analyte__in=CODES, taken_on__lte=today, **wanted)
    newest: dict[int, dict[str, date]] = {}
    for pk, code, on in results.order_by().values_list("patient_id", "analyte").annotate(on=Max("taken_on")):
        newest.setdefault(pk, {})[code] = on
    for pk, measured in newest.items():
        for check in CHECKS:
            if (done_on := check.measured_on(measured)) is not None:
                take(pk, check.name, done_on)
    samples = CrossmatchSample.objects.filter(withdrawn_reason="", taken_at__date__lte=today, **wanted).order_by()
    for pk, at in samples.values_list("patient_id").annotate(at=Max("taken_at")):
        for check in CHECKS:
            if check.by_sample:
                take(pk, check.name, at.date())
    rows = CheckDone.objects.filter(withdrawn_at__isnull=True, on__lte=today, **wanted).order_by()
    for pk, name, on in rows.values_list("patient_id", "check_name").annotate(on=Max("on")):
        take(pk, name, on)
    return found


def checks_due(
    age_years: float, genotype: str, settings: Mapping[str, float], last: Mapping[str, date]
) -> tuple[Due, ...]:
    """Return every check that a person of this age and genotype is to have at their site."""
    asked = (check for check in CHECKS if check.applies(age_years, genotype))
    due = (due_of(check, settings[check.setting], last.get(check.name)) for check in asked)
    return tuple(one for one in due if one is not None)
