"""What is still arranged for somebody who leaves the programme or is paused."""

from __future__ import annotations

from datetime import date

from patients.models import Patient, Standing
from programme.booking.models import Booking
from programme.booking.numeric.places import spoken
from programme.core.numeric.words import count_of
from programme.supply.models import BloodOrder


def still_open_words(patient: Patient, today: date) -> str:
    """Name the places and orders that stand for a person who is not on the programme; '' where nothing does.

    Two queries; none for whoever is on the programme.
    """
    if patient.standing == Standing.ACTIVE:
        return ""
    places = Booking.objects.standing().filter(patient=patient, on__gte=today).order_by("on", "starts")
    said = [f"the place of {spoken(row.on)}, {row.starts:%H:%M}" for row in places]
    orders = BloodOrder.objects.open().filter(patient=patient).order_by("number")
    said += [f"order {row.number} ({count_of(row.units, 'unit')}, {row.get_state_display()})" for row in orders]
    if not said:
        return ""
    return f"Still open for them: {'; '.join(said)}. Cancel each place and release each order; the blood bank is told."
