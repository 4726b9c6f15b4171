"""A chair, bookings and blood for tests: one open unit, people with known needs, numbers that check. All invented."""

from __future__ import annotations

from datetime import UTC, date, datetime, time, timedelta
from typing import Any

from patients.models import CheckDone, CrossmatchSample, Patient
from patients.numeric.checks import ANTIBODIES_ELSEWHERE
from programme.booking.models import Booking, Chair
from programme.core.models import Site, User
from programme.supply.models import BloodOrder, SuppliedUnit
from programme.supply.services.orders import draft_orders
from programme.supply.services.sending import send_order
from sessions.day.numeric.donation_number import check_character
from tests import factories
from tests.factories import NOW, TODAY, make_chair, make_needs, make_open_week, make_patient, make_suggestion

FOR = date(2026, 6, 12)
"""A Friday, eleven days after TODAY. Order by: Monday 8 June, four working days before."""


def make_open_unit(site: Site) -> Chair:
    """Open Monday to Friday 08:00 to 18:00, one chair with one start at 09:00."""
    make_open_week(site)
    return make_chair(site, ends=time(14))


def make_booking(patient: Patient, chair: Chair, *, by: User, on: date = FOR, **fields: Any) -> Booking:
    return factories.make_booking(patient, chair, on=on, made_by=by, **fields)


def make_booked(chair: Chair, *, by: User, on: date = FOR, ref: str | None = None, **fields: Any) -> Booking:
    """A person O positive, C- E- K-, for whom five units are suggested, with a booking."""
    patient = make_patient(ref, site=chair.site, **fields)
    make_needs(patient)
    make_known(patient)
    make_suggestion(patient, next_date=on)
    return make_booking(patient, chair, by=by, on=on)


def make_known(patient: Patient) -> None:
    """The person's group as two samples of long ago found it, and others asked for antibodies last month."""
    for days in (200, 100):
        CrossmatchSample.objects.create(patient=patient, taken_at=NOW - timedelta(days=days), abo="O", rhd="+")
    CheckDone.objects.create(patient=patient, check_name=ANTIBODIES_ELSEWHERE, on=TODAY - timedelta(days=30), at=NOW)


def make_order(chair: Chair, *, by: User, at: datetime = NOW, **booked: Any) -> BloodOrder:
    """A drafted order for somebody newly booked."""
    booking = make_booked(chair, by=by, **booked)
    draft_orders(site=chair.site, actor=by, at=at)
    return BloodOrder.objects.get(booking=booking)


def make_sent(chair: Chair, *, by: User, at: datetime = NOW, **booked: Any) -> BloodOrder:
    order = make_order(chair, by=by, at=at, **booked)
    return send_order(order=order, version=order.version, actor=by, at=at)


def make_order_with_unit(booking: Booking) -> BloodOrder:
    """A sent order with one unit in the fridge, numbered so that no other site has the same number."""
    order = BloodOrder.objects.create(
        patient=booking.patient, booking=booking, number=100 + booking.pk, site=booking.patient.site, units=4,
        for_at=datetime.combine(booking.on, booking.starts, tzinfo=UTC), needs={"abo": "O", "rhd": "+"},
        plan={"units": 4}, order_by=booking.on, state="arrived", confirmed_units=4,
    )  # fmt: skip
    SuppliedUnit.objects.create(order=order, donation_number=number_of(order.number), arrived_at=NOW)
    return order


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
