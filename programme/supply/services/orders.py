"""Orders for blood: drafted from bookings and plans, answered, renewed, moved with their booking, released.

They are sent by `services.sending`.

Each function is one transaction with actor and time. What a person can put right is raised as ValidationError, a row
changed by someone else meanwhile as EditedMeanwhile; nothing is written then. What may stand in for what is never
decided here: an answer keeps in words what the blood bank decided.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime

from django.core.exceptions import ValidationError
from django.db import transaction
from django.db.models import Max

from patients.models import Patient
from patients.services import local_day, need_reason, state_of
from programme.booking.models import STANDING, Booking, BookingState
from programme.core.models import Site, User
from programme.core.numeric.words import count_of
from programme.supply.models import OPEN, BloodOrder, OrderState, SuppliedUnit
from programme.supply.numeric.needs import changed_needs, needs_from_dict, needs_to_dict
from programme.supply.numeric.orders import state_after_answer
from programme.supply.queries.basis import REACH_DAYS, Basis, bases, unordered
from programme.supply.services.writing import ENDS, check_move, end_unit, held, held_words, hold, still_to_tell, write


@dataclass(frozen=True, slots=True)
class Drafted:
    """What drafting came to: the orders made, and (booking, reason) for those that could not be drafted."""

    orders: tuple[BloodOrder, ...]
    left: tuple[tuple[Booking, str], ...]


@transaction.atomic
def draft_orders(*, site: Site, actor: User | None, at: datetime, reach_days: int = REACH_DAYS) -> Drafted:
    """Draft an order for every standing booking in reach that has none; asking again changes nothing.

    A booking whose order was released on purpose stays without one, and so does one that took the place of a booking
    that still holds an order: that order is moved, not doubled.
    """
    Site.objects.select_for_update().get(pk=site.pk)  # two people drafting at once: the second finds them made
    wanted = list(unordered(site, at=at, reach_days=reach_days))
    list(Patient.objects.select_for_update().filter(pk__in={row.patient_id for row in wanted}).order_by("pk"))
    found = bases(site, wanted, now=at)
    number = BloodOrder.objects.filter(site=site).aggregate(newest=Max("number"))["newest"] or 0
    made, left = [], []
    for booking in wanted:
        basis = found[booking.pk]
        if basis.planned.units is None:
            left.append((booking, basis.planned.why_not))
            continue
        number += 1
        made.append(_draft(booking, basis, number=number, site=site, actor=actor, at=at))
    return Drafted(tuple(made), tuple(left))


@transaction.atomic
def draft_order(*, booking: Booking, actor: User | None, at: datetime) -> BloodOrder:
    """Draft an order for one booking, also anew after an earlier one was released."""
    site = booking.patient.site
    Site.objects.select_for_update().get(pk=site.pk)
    Patient.objects.select_for_update().get(pk=booking.patient_id)
    if booking.state not in (*STANDING, BookingState.CAME):
        raise ValidationError("The booking does not stand any more: blood is ordered for a booking that does.")
    found = BloodOrder.objects.open().filter(booking=booking).first()
    if found is not None:
        raise ValidationError(f"Order {found.number} is open for this booking already.")
    basis = bases(site, [booking], now=at)[booking.pk]
    if basis.planned.units is None:
        raise ValidationError(f"No units are planned: {basis.planned.why_not}")
    number = BloodOrder.objects.filter(site=site).aggregate(newest=Max("number"))["newest"] or 0
    return _draft(booking, basis, number=number + 1, site=site, actor=actor, at=at)


def _draft(booking: Booking, basis: Basis, *, number: int, site: Site, actor: User | None, at: datetime) -> BloodOrder:
    units = basis.planned.units or 0
    order = BloodOrder(
        patient=booking.patient,
        booking=booking,
        number=number,
        site=site,
        for_at=basis.starts,
        units=units,
        needs=needs_to_dict(basis.needs),
        plan={"units": units, **basis.planned.source},
        order_by=basis.order_by.on,
    )
    order.full_clean(validate_unique=False)
    order.save()
    by = basis.order_by
    words = f"{count_of(units, 'unit')}, {basis.needs.words()} Order by {by.on.isoformat()}: {by.why}."
    write(order, "drafted", (), None, actor=actor, at=at, units=units, words=words[:400])
    return order


@transaction.atomic
def answer_order(
    *,
    order: BloodOrder,
    version: int,
    units: int,
    words: str,
    actor: User,
    at: datetime,
    substitution: str = "",
    held_until: datetime | None = None,
) -> BloodOrder:
    """Take the blood bank's answer: of how many units it is sure, in whole or in part, and what stands in for what.

    units: confirmed altogether. words: needed where they are fewer than ordered. substitution: what the blood bank
    decided to send instead of what was asked; kept as said, never judged. held_until: so long it keeps the units; where
    it did not say, as the site's setting has it.
    """
    now = hold(order, version=version)
    check_move(now, "answer")
    if now.to_tell:
        raise ValidationError(
            f"The order was changed since ({now.to_tell}): record first that the blood bank was told, then its answer "
            "to that."
        )
    if not 0 <= units <= now.units:
        raise ValidationError(
            {"units": f"{count_of(units, 'unit')}; allowed is 0 to the {now.units} that were ordered."}
        )
    if units < now.units and not words.strip():
        raise ValidationError({"words": "Fewer than ordered: say what the blood bank said, and which need is not met."})
    before = state_of(now)
    now.confirmed_units, now.substitution = units, substitution.strip()
    now.held_until = held(now, held_until, at) if units or now.state == OrderState.ARRIVED else None
    if now.state != OrderState.ARRIVED:
        now.state = OrderState(state_after_answer(units, now.units))
    said = f"{units} of {now.units} confirmed" if units else "none confirmed"
    kept = held_words(now, said=held_until is not None)
    parts = [words.strip(), f"instead: {now.substitution}" if now.substitution else "", kept]
    fields = ["confirmed_units", "substitution", "state", "held_until"]
    told = "; ".join(part for part in parts if part)
    write(now, said, fields, before, actor=actor, at=at, units=units, words=told[:400])
    return now


@transaction.atomic
def renew_order(*, order: BloodOrder, version: int, actor: User, at: datetime, why: str = "") -> BloodOrder:
    """Put the order in line with its booking, plan and needs of today; what was sent is to be told to the blood bank.

    Where the booking was moved, the order moves to the booking that took its place; where it was missed or cancelled,
    to the person's next one that has no order.
    """
    now = hold(order, version=version)
    check_move(now, "renew")
    booking = standing_booking(now, at=at)
    if booking is None:
        raise ValidationError("The booking does not stand any more: release the units, or book again.")
    basis = bases(now.site, [booking], now=at)[booking.pk]
    if basis.planned.units is None:
        raise ValidationError(f"No units are planned: {basis.planned.why_not}")
    before, told = state_of(now), _renewed_words(now, booking, basis)
    moved = booking.pk != now.booking_id
    now.booking, now.for_at, now.units = booking, basis.starts, basis.planned.units
    now.needs, now.order_by = needs_to_dict(basis.needs), basis.order_by.on
    now.plan = {"units": basis.planned.units, **basis.planned.source}
    now.confirmed_units = min(now.confirmed_units, now.units)
    if now.state in (OrderState.SENT, OrderState.PART, OrderState.CONFIRMED):
        now.state = OrderState(state_after_answer(now.confirmed_units, now.units))
    now.to_tell = still_to_tell(now, told) if told else now.to_tell
    words = "; ".join(part for part in (told, why.strip()) if part) or "nothing of it differs"
    fields = ["booking", "for_at", "units", "needs", "order_by", "plan", "confirmed_units", "state", "to_tell"]
    what = "moved" if moved else "renewed"
    write(now, what, fields, before, actor=actor, at=at, units=now.units, words=words[:400])
    return now


@transaction.atomic
def tell_order(*, order: BloodOrder, version: int, words: str, actor: User, at: datetime) -> BloodOrder:
    """Record that the blood bank was told what was changed; its answer is awaited anew, unless units are here already.

    words: who was told, and how.
    """
    now = hold(order, version=version)
    check_move(now, "tell")
    if not now.to_tell:
        raise ValidationError("Nothing was changed since the blood bank was told last.")
    if not words.strip():
        raise ValidationError({"words": "Say who was told, and how: by telephone, with the new order sheet."})
    before, told = state_of(now), now.to_tell
    now.to_tell = ""
    if now.state != OrderState.ARRIVED:
        now.state, now.confirmed_units = OrderState.SENT, 0
    fields = ["to_tell", "state", "confirmed_units"]
    write(now, "told", fields, before, actor=actor, at=at, units=now.units, words=f"{words.strip()}; {told}"[:400])
    return now


def standing_booking(order: BloodOrder, *, at: datetime) -> Booking | None:
    """Return the booking that an order is for: its own while it stands, else the one that took its place.

    Where it was missed or cancelled, that is the person's next booking without an order. None where there is none.
    """
    booking: Booking | None = order.booking
    while booking is not None and booking.state == BookingState.MOVED:
        booking = Booking.objects.filter(moved_from=booking).select_related("patient__site").first()
    if booking is not None and booking.state in (*STANDING, BookingState.CAME):
        return booking
    ahead = Booking.objects.standing().filter(patient=order.patient_id, on__gte=local_day(at, order.site))
    return ahead.exclude(blood_orders__state__in=OPEN).select_related("patient__site").order_by("on", "starts").first()


def _renewed_words(order: BloodOrder, booking: Booking, basis: Basis) -> str:
    found = []
    if order.for_at != basis.starts:
        found.append(f"for {booking.on.isoformat()} {booking.starts:%H:%M}")
    if order.units != basis.planned.units:
        found.append(f"{count_of(basis.planned.units or 0, 'unit')} instead of {order.units}")
    found += changed_needs(needs_from_dict(order.needs), basis.needs)
    return "; ".join(found)


@transaction.atomic
def release_order(*, order: BloodOrder, version: int, why: str, actor: User, at: datetime) -> BloodOrder:
    """Cancel an order with a reason; its units that wait in the fridge go back to the blood bank with it."""
    now = hold(order, version=version)
    check_move(now, "release")
    reason = need_reason(why)
    units = list(SuppliedUnit.objects.select_for_update().filter(order=now).exclude(state__in=ENDS))
    out = [unit.donation_number for unit in units if unit.state == SuppliedUnit.State.ISSUED]
    if out:
        raise ValidationError(f"{', '.join(out)} is at the chair: return or discard it there first.")
    for unit in units:
        _send_back(unit, now, reason, actor=actor, at=at)
    before = state_of(now)
    now.state, now.ended_reason = OrderState.CANCELLED, reason
    write(now, "released", ["state", "ended_reason"], before, actor=actor, at=at, units=len(units), words=reason)
    return now


def _send_back(unit: SuppliedUnit, order: BloodOrder, reason: str, *, actor: User, at: datetime) -> None:
    unit.order = order
    end_unit(unit, SuppliedUnit.State.RETURNED, reason=reason, actor=actor, at=at)
