"""What becomes of a booking: moved, cancelled, did not come, came. Nothing is deleted but the hold on the chair."""

from __future__ import annotations

from datetime import date, datetime

from django.core.exceptions import ValidationError
from django.db import transaction

from patients.services import local_day, need_reason
from programme.booking.models import STANDING, Booking, BookingState, Occupied
from programme.booking.numeric.places import spoken
from programme.booking.services.booking import change_state, hold, make_booking, occupy_again, told
from programme.core import changes
from programme.core.models import User

UNIT, PERSON = "unit", "person"


@transaction.atomic
def move(
    *,
    booking: Booking,
    version: int,
    chair_pk: int,
    on: date,
    slot: int,
    ended_by: str,
    reason: str,
    actor: User,
    at: datetime,
    late_reason: str = "",
) -> tuple[Booking, str]:
    """Give a booked person another place; return the new booking, and what became of what hung on the old one.

    Both or neither: where the new place cannot be had, the old booking stands. Raises ValidationError.
    """
    hold(booking.patient)
    give_way(booking=booking, version=version, ended_by=ended_by, reason=reason, actor=actor, at=at)
    new = make_booking(
        patient=booking.patient, chair_pk=chair_pk, on=on, slot=slot, actor=actor, at=at, late_reason=late_reason,
        instead_of=booking,
    )  # fmt: skip
    return new, told(booking, new, actor=actor, at=at)


def give_way(*, booking: Booking, version: int, ended_by: str, reason: str, actor: User, at: datetime) -> None:
    """End a booking that another will take the place of, in a transaction that holds the unit and the person."""
    why = need_reason(reason, "reason")
    change_state(
        booking, version, BookingState.MOVED, STANDING, action="move booking", actor=actor, at=at, why=why,
        ended_by=_who(ended_by), ended_reason=why,
    )  # fmt: skip
    _free(booking)


@transaction.atomic
def cancel(*, booking: Booking, version: int, ended_by: str, reason: str, actor: User, at: datetime) -> str:
    """Cancel a booking by the unit or the person, with the reason; return what became of what hung on it."""
    hold(booking.patient)
    why = need_reason(reason, "reason")
    change_state(
        booking, version, BookingState.CANCELLED, STANDING, action="cancel booking", actor=actor, at=at, why=why,
        ended_by=_who(ended_by), ended_reason=why,
    )  # fmt: skip
    return _given_up(booking, actor=actor, at=at)


@transaction.atomic
def did_not_come(*, booking: Booking, version: int, actor: User, at: datetime, reason: str = "") -> str:
    """Record that somebody did not come, with the reason if it is known; it is needed to take back that they came."""
    hold(booking.patient)
    _refuse_ahead(booking, at, "did not come")
    if booking.state == BookingState.CAME:
        need_reason(reason, "reason")
    change_state(
        booking, version, BookingState.MISSED, (*STANDING, BookingState.CAME), action="did not come", actor=actor,
        at=at, why=reason.strip(), ended_reason=reason.strip(),
    )  # fmt: skip
    return _given_up(booking, actor=actor, at=at)


@transaction.atomic
def came(*, booking: Booking, version: int, actor: User, at: datetime) -> None:
    """Record that somebody came; also of one who was taken as not having come, whose place is theirs again.

    Raises ValidationError where somebody else has that place meanwhile; then nothing is kept.
    """
    hold(booking.patient)
    _refuse_ahead(booking, at, "came")
    change_state(
        booking, version, BookingState.CAME, (*STANDING, BookingState.MISSED), action="came", actor=actor, at=at,
        ended_reason="",
    )  # fmt: skip
    if not booking.occupied.exists():
        occupy_again(booking)


def _who(ended_by: str) -> str:
    if ended_by not in (UNIT, PERSON):
        raise ValidationError({"ended_by": "Say who asked for it: the unit or the person."})
    return ended_by


def _refuse_ahead(booking: Booking, at: datetime, words: str) -> None:
    today = local_day(at, booking.patient.site)
    if booking.on > today:
        raise ValidationError(
            f"{spoken(booking.on)} has not come yet; '{words}' is recorded on the day or after. Cancel or move it."
        )


def _given_up(booking: Booking, *, actor: User, at: datetime) -> str:
    """A person is without this place: the chair is free, and their window is reckoned again from today."""
    _free(booking)
    changes.announce(booking.patient_id, at=at)
    return told(booking, None, actor=actor, at=at)


def _free(booking: Booking) -> None:
    """Give the chair back: the rows only hold it, what happened stands in the booking and the trail."""
    Occupied.objects.filter(booking=booking).delete()
