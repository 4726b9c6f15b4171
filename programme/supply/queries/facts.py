"""An order beside what holds now, from rows that were read already."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import date

from programme.booking.models import STANDING, BookingState
from programme.supply.models import AWAY, BloodOrder, OrderState, SuppliedUnit
from programme.supply.numeric.alarms import OrderFacts
from programme.supply.numeric.needs import needs_from_dict
from programme.supply.numeric.unfit import Unfit, UnitHere, unfit
from programme.supply.queries.basis import Basis
from sessions.day.numeric.blood_match import Needed, UnitBlood, typed_antigens
from sessions.day.numeric.donation_number import spaced

GONE: dict[BookingState, str] = {
    BookingState.MISSED: "The person did not come",
    BookingState.CANCELLED: "The booking was cancelled",
}


def facts_of(
    order: BloodOrder,
    basis: Basis,
    units: Sequence[SuppliedUnit],
    sent_on: date | None,
    settings: Mapping[str, float],
) -> OrderFacts:
    """Return an order beside what holds now, from rows that were read."""
    booking = order.booking
    moved = getattr(booking, "moved_to", None) if booking.state == BookingState.MOVED else None
    return OrderFacts(
        state=order.state,
        units=order.units,
        confirmed=order.confirmed_units,
        here=sum(unit.state not in AWAY and unit.state != SuppliedUnit.State.GIVEN for unit in units),
        units_now=basis.planned.units,
        for_at=order.for_at,
        starts=basis.starts,
        standing=booking.state in (*STANDING, BookingState.CAME),
        needs=needs_from_dict(order.needs),
        needs_now=basis.needs,
        order_by=basis.order_by.on if order.state == OrderState.DRAFTED else order.order_by,
        answer_by=basis.answer_by,
        sent_on=sent_on,
        sample_holds=basis.sample.holds,
        can_sample=bool(basis.sample.spans),
        moved_to=moved.on if moved is not None else None,
        booking_words=GONE.get(BookingState(booking.state), ""),
        given=sum(unit.given_to_id == order.patient_id for unit in units),
        given_elsewhere=sum(unit.given_to_id not in (None, order.patient_id) for unit in units),
        no_plan=basis.planned.why_not,
        planned_for=basis.planned.for_day,
        to_tell=order.to_tell,
        unfit=unfit_of(units, basis.needed, basis.starts.date()),
        group=basis.group,
        group_samples_needed=int(settings["group_samples_needed"]),
        held_until=order.held_until and order.held_until.astimezone(basis.starts.tzinfo),
        elsewhere_on=basis.elsewhere_on,
        elsewhere_days=int(settings["check_antibodies_elsewhere_days"]),
    )


def unfit_of(units: Sequence[SuppliedUnit], needed: Needed, session_on: date) -> Unfit:
    """Return what speaks against the units that wait for a person with these needs and for this day."""
    waiting = (SuppliedUnit.State.ARRIVED, SuppliedUnit.State.ISSUED)
    here = [
        UnitHere(spaced(unit.donation_number), blood_of(unit), unit.expires_on)
        for unit in units
        if unit.state in waiting
    ]
    return unfit(here, needed, session_on)


def blood_of(unit: SuppliedUnit) -> UnitBlood:
    """Return what was entered of a unit's label."""
    negative, positive = typed_antigens(unit.antigens_negative)
    return UnitBlood(unit.abo, unit.rhd, negative, positive, unit.hbs_negative)
