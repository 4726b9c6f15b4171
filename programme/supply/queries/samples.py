"""When the exchange of a day began, or is to begin: what its crossmatch sample must have been taken before."""

from __future__ import annotations

from datetime import date, datetime
from zoneinfo import ZoneInfo

from patients.models import Patient
from programme.booking.models import STANDING, Booking, BookingState
from sessions.models import ExchangeSession


def start_of(patient: Patient, on: date) -> datetime | None:
    """Return the start of a person's exchange on a day, in the zone of the site: as it was, else as it is booked.

    None where there is neither. Two queries.
    """
    zone = ZoneInfo(patient.site.time_zone)
    begun = ExchangeSession.objects.filter(patient=patient, on=on, started_at__isnull=False).order_by("started_at")
    first = begun.values_list("started_at", flat=True).first()
    if first is not None:
        return first.astimezone(zone)
    booked = Booking.objects.filter(patient=patient, on=on, state__in=(*STANDING, BookingState.CAME))
    row = booked.order_by("starts").first()
    return None if row is None else row.starts_at(zone)
