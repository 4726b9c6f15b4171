"""Consent, again at each unit: nobody is given another one who has taken it back."""

from __future__ import annotations

from datetime import datetime

from django.core.exceptions import ValidationError

from patients.models import Consent
from patients.services import local_day
from sessions.models import ExchangeSession


def refuse_taken_back(now: ExchangeSession, at: datetime) -> None:
    """Raise ValidationError where consent was taken back since the day of the session and none was given anew.

    What was missing or out of date before was asked about at the start, and a prescriber let it go on. One query.
    """
    today = local_day(at, now.patient.site)
    consents = list(Consent.objects.filter(patient=now.patient, given_on__lte=today))
    in_force = [row for row in consents if row.withdrawn_on is None and not row.withdrawn_reason]
    taken_back = [row.withdrawn_on for row in consents if row.withdrawn_on is not None]
    last = max(taken_back, default=None)
    if last is None or last < now.on or any(row.valid_until >= today for row in in_force):
        return
    raise ValidationError(
        f"Consent was taken back on {last.day} {last:%b %Y}: no unit is checked or started. Talk with the person and "
        "the prescriber; record the consent if it is given anew, or give the session up."
    )
