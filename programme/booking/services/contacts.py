"""Writing down each try to reach a person about a place."""

from __future__ import annotations

from datetime import date, datetime, timedelta

from django.core.exceptions import ValidationError
from django.db import transaction

from patients.models import Patient
from patients.services import change_of, local_day
from programme.booking.models import Booking, Contact
from programme.booking.numeric.places import spoken
from programme.core import trail
from programme.core.models import User
from programme.core.settings_of_site import site_settings


@transaction.atomic
def log_contact(
    *,
    patient: Patient,
    outcome: str,
    actor: User,
    at: datetime,
    words: str = "",
    next_try_on: date | None = None,
    booking: Booking | None = None,
) -> Contact:
    """Record a try to reach a person. Without a day for the next one, it is the site's usual wait from today.

    Raises ValidationError for an outcome that is not known, a next try that has been, or a booking of somebody else.
    """
    Patient.objects.select_for_update().get(pk=patient.pk)
    today = local_day(at, patient.site)
    if next_try_on is not None and next_try_on < today:
        raise ValidationError(
            {"next_try_on": f"{spoken(next_try_on)} has been; allowed is from today, {spoken(today)}, on."}
        )
    if booking is not None and booking.patient_id != patient.pk:
        raise ValidationError("That booking is somebody else’s.")
    if next_try_on is None and outcome != Contact.Outcome.REACHED:
        next_try_on = today + timedelta(days=round(site_settings(patient.site, at)["contact_every_days"]))
    row = Contact(
        patient=patient, booking=booking, at=at, by=actor, outcome=outcome, words=words.strip(), next_try_on=next_try_on
    )
    row.full_clean()
    row.save()
    trail.write([change_of(patient, "log contact", row)], actor=actor, at=at)
    return row
