"""Antibody screens that arrive are never filed; a final one that is clearly negative counts as the check of its day."""

from __future__ import annotations

from datetime import datetime

from patients.clinic import record_check, withdraw_check
from patients.models import CheckDone, Patient
from patients.services import local_day
from programme.core.models import Site
from programme.intake.numeric.arrivals import PRELIMINARY, Arrival

CHECK = "antibody_screen"


def record_screen(*, patient: Patient, arrival: Arrival, at: datetime) -> None:
    """Record a negative screen in the monitoring of a person; not one without a day, or from a day to come."""
    if arrival.status == PRELIMINARY or arrival.taken_at is None:
        return
    on = local_day(arrival.taken_at, patient.site)
    if on <= local_day(at, patient.site):
        record_check(patient=patient, check_name=CHECK, on=on, words=_words(arrival), actor=None, at=at)


def take_back_screen(*, site: Site, arrival: Arrival, at: datetime) -> None:
    """Withdraw the check that an earlier version of this screen was recorded as."""
    rows = CheckDone.objects.filter(patient__site=site, check_name=CHECK, by=None, words=_words(arrival))
    for row in rows.filter(withdrawn_at=None).select_related("patient__site"):
        reason = f"{arrival.status} version sent by {arrival.source}"
        withdraw_check(patient=row.patient, key=row.pk, reason=reason, actor=None, at=at)


def _words(arrival: Arrival) -> str:
    return f"negative, sent by {arrival.source} as {arrival.result_id}"
