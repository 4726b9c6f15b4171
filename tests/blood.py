"""A chair, bookings and blood for tests: one open unit, people with known needs, numbers that check. All invented."""

from __future__ import annotations

from datetime import UTC, date, datetime, time
from typing import Any

from patients.models import CrossmatchSample, Patient
from programme.booking.models import Booking, Chair, OpeningHours, Slot
from programme.core.models import Site, User
from programme.supply.models import BloodOrder
from programme.supply.services.orders import draft_orders, send_order
from sessions.day.numeric.donation_number import check_character
from tests.factories import NOW, make_needs, make_patient, make_suggestion

SINCE = date(2026, 1, 1)
FOR = date(2026, 6, 12)
"""A Friday, eleven days after TODAY. Order by: Monday 8 June, four working days before."""


def make_open_unit(site: Site) -> Chair:
    """Open Monday to Friday 08:00 to 18:00, one chair with one start at 09:00."""
    for weekday in range(5):
        OpeningHours.objects.create(site=site, weekday=weekday, opens=time(8), closes=time(18), since=SINCE)
    chair = Chair.objects.create(site=site, name="Chair 1", place=1, since=SINCE)
    Slot.objects.create(chair=chair, number=1, starts=time(9), ends=time(14), since=SINCE)
    return chair


def make_booking(patient: Patient, chair: Chair, *, by: User, on: date = FOR, **fields: Any) -> Booking:
    values = {"starts": time(9), "ends": time(14), "made_by": by, "made_at": NOW, **fields}
    return Booking.objects.create(patient=patient, chair=chair, on=on, **values)


def make_booked(chair: Chair, *, by: User, on: date = FOR, ref: str | None = None, **fields: Any) -> Booking:
    """A person O positive, C- E- K-, for whom five units are suggested, with a booking."""
    patient = make_patient(ref, site=chair.site, **fields)
    make_needs(patient)
    make_suggestion(patient)
    return make_booking(patient, chair, by=by, on=on)


def make_order(chair: Chair, *, by: User, at: datetime = NOW, **booked: Any) -> BloodOrder:
    """A drafted order for somebody newly booked."""
    booking = make_booked(chair, by=by, **booked)
    draft_orders(site=chair.site, actor=by, at=at)
    return BloodOrder.objects.get(booking=booking)


def make_sent(chair: Chair, *, by: User, at: datetime = NOW, **booked: Any) -> BloodOrder:
    order = make_order(chair, by=by, at=at, **booked)
    return send_order(order=order, version=order.version, actor=by, at=at)


def make_sample(patient: Patient, taken_at: datetime) -> CrossmatchSample:
    return CrossmatchSample.objects.create(patient=patient, taken_at=taken_at)


def number_of(serial: int) -> str:
    """A donation number of an invented facility, as it is stored."""
    return f"Z999026{serial:06d}"


def typed(serial: int) -> str:
    """The same with its check character, as a person types it."""
    number = number_of(serial)
    return f"{number} {check_character(number)}"


def moment(day: int, hour: int, minute: int = 0, *, month: int = 6) -> datetime:
    return datetime(2026, month, day, hour, minute, tzinfo=UTC)
