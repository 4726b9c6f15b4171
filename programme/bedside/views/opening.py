"""The one door to a session of a person of the user's own site."""

from __future__ import annotations

from django.http import Http404

from patients.models import Patient
from programme.core import access
from sessions.day import rows
from sessions.models import ExchangeSession


def open_session(request: access.SignedIn, patient_ref: str, key: int) -> ExchangeSession:
    """Return the session; one of another person or site is as unknown as one that does not exist. Two queries."""
    patient = access.open_patient(request, Patient.objects.all(), patient_ref, own=rows.PATIENT)
    if patient.site_id == request.user.site_id:
        patient.site = request.user.site
    exchange_session = rows.SESSION.first(key=key, patient=patient.pk)
    if exchange_session is None:
        raise Http404("This person has no such session.")
    exchange_session.patient = patient
    return exchange_session


def lines_seen(request: access.SignedIn) -> list[str] | None:
    """Return the names of the lines that were open on the page as it was shown, None where it did not say."""
    return request.POST["seen"].split("|") if "seen" in request.POST else None
