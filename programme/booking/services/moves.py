"""What becomes of a booking: moved, cancelled, did not come, came. Nothing is deleted but the hold on the chair."""

from __future__ import annotations

from datetime import date, datetime

from django.core.exceptions import ValidationError
from django.db import transaction
from django.db.models import QuerySet

from patients.services import local_day, need_reason
from programme.booking.models import STANDING, Booking, BookingState, Occupied
from programme.booking.numeric.missed import CHILD_NOT_BROUGHT, is_child
from programme.booking.numeric.places import spoken
from programme.booking.numeric.reasons import NONE, Reasons
from programme.booking.queries.person import has_begun
from programme.booking.services.booking import change_state, hold, make_booking, occupy_again, told
from programme.core import changes
from programme.core.models import User
from sessions.models import NOT_BEGUN, ExchangeSession, State

UNIT, PERSON = "unit", "person"
BEGUN = (State.RUNNING, State.FINISHED, State.CLOSED, State.ABANDONED)


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
    reasons: Reasons = NONE,
) -> tuple[Booking, str]:
    """Give a booked person another place; return the new booking, and what became of what hung on the old one.

    Both or neither: where the new place cannot be had, the old booking stands. Raises ValidationError.
    """
    hold(booking.patient)
    give_way(booking=booking, version=version, ended_by=ended_by, reason=reason, actor=actor, at=at)
    new = make_booking(
        patient=booking.patient, chair_pk=chair_pk, on=on, slot=slot, actor=actor, at=at, reasons=reasons,
        instead_of=booking,
    )  # fmt: skip
    more = "" if new.on == booking.on else _planned_then(booking)
    return new, " ".join(filter(None, [told(booking, new, actor=actor, at=at), more]))


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
    """Record that somebody did not come, with the reason if it is known; it is needed to take back that they came.

    Return what became of what hung on the booking, and what is to be thought of for a child. Raises ValidationError
    before the booked start, and where an
    exchange was begun that day.
    """
    hold(booking.patient)
    _refuse_before_start(booking, at)
    if _sessions_then(booking, BEGUN).exists():
        raise ValidationError(f"An exchange of theirs was begun on {spoken(booking.on)}, so they came: record that.")
    if booking.state == BookingState.CAME:
        need_reason(reason, "reason")
    change_state(
        booking, version, BookingState.MISSED, (*STANDING, BookingState.CAME), action="did not come", actor=actor,
        at=at, why=reason.strip(), ended_reason=reason.strip(),
    )  # fmt: skip
    born, today = booking.patient.birth_date, local_day(at, booking.patient.site)
    prompt = CHILD_NOT_BROUGHT if is_child(born, today) else ""
    return f"{prompt} {_given_up(booking, actor=actor, at=at)}".strip()


@transaction.atomic
def came(*, booking: Booking, version: int, actor: User, at: datetime) -> None:
    """Record that somebody came; also of one who was taken as not having come, whose place is theirs again.

    Raises ValidationError where somebody else has that place meanwhile; then nothing is kept.
    """
    hold(booking.patient)
    _refuse_before_day(booking, at)
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


def _refuse_before_day(booking: Booking, at: datetime) -> None:
    if booking.on > local_day(at, booking.patient.site):
        raise ValidationError(
            f"{spoken(booking.on)} has not come yet; 'came' is recorded on the day or after. Cancel or move it."
        )


def _refuse_before_start(booking: Booking, at: datetime) -> None:
    """Nobody has missed a visit whose hour has not struck; who says so beforehand has cancelled it."""
    if not has_begun(booking, at):
        raise ValidationError(
            f"It is not {booking.starts:%H:%M} on {spoken(booking.on)} yet; 'did not come' is recorded from then on. "
            "Somebody who rings to say that they will not come has cancelled: cancel or move it for the person."
        )


def _sessions_then(booking: Booking, states: tuple[State, ...]) -> QuerySet[ExchangeSession]:
    return ExchangeSession.objects.filter(patient=booking.patient_id, on=booking.on, state__in=states)


def _planned_then(booking: Booking) -> str:
    """What is to be done with a session that was planned for the day of a place that is given up.

    It is left as it is: it may bear a signature, and it goes on where they come after all.
    """
    if not _sessions_then(booking, NOT_BEGUN).exists():
        return ""
    return (
        f"An exchange is still planned for them on {spoken(booking.on)}: cancel it on its plan, unless they come "
        "that day after all."
    )


def _given_up(booking: Booking, *, actor: User, at: datetime) -> str:
    """A person is without this place: the chair is free, and their window is reckoned again from today."""
    _free(booking)
    changes.announce(booking.patient_id, at=at)
    return " ".join(filter(None, [told(booking, None, actor=actor, at=at), _planned_then(booking)]))


def _free(booking: Booking) -> None:
    """Give the chair back: the rows only hold it, what happened stands in the booking and the trail."""
    Occupied.objects.filter(booking=booking).delete()
