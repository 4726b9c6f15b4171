"""Consent, again at each unit: nobody is given another one who has taken it back."""

from __future__ import annotations

from datetime import datetime

from django.core.exceptions import ValidationError

from patients.services import local_day
from sessions.day.queries import consent_taken_back
from sessions.models import ExchangeSession


def refuse_taken_back(now: ExchangeSession, at: datetime) -> None:
    """Raise ValidationError where consent was taken back since the day of the session and none was given anew.

    What was missing or out of date before was asked about at the start, and a prescriber let it go on. One query.
    """
    today = local_day(at, now.patient.site)
    row = consent_taken_back(now, today)
    last = row.withdrawn_on if row else None
    if last is None:
        return
    raise ValidationError(
        f"Consent was taken back on {last.day} {last:%b %Y}: no unit is checked or started. Talk with the person and "
        "the prescriber; record the consent if it is given anew, or give the session up."
    )
