"""How every change of an order or a unit is written: locked, event added, trail kept."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime
from typing import Any
from zoneinfo import ZoneInfo

from django.core.exceptions import ValidationError

from patients.models import Patient
from patients.services import change_of, state_of
from programme.core import trail
from programme.core.models import User
from programme.core.settings_of_site import site_settings
from programme.supply.models import BloodOrder, OrderEvent, OrderState, SuppliedUnit
from programme.supply.numeric.held import held_by_rule
from programme.supply.numeric.orders import MOVES

ENDS = (SuppliedUnit.State.GIVEN, SuppliedUnit.State.RETURNED, SuppliedUnit.State.DISCARDED)

DOES = {
    "send": "is sent", "answer": "can be answered", "arrive": "can have units arrive", "renew": "is renewed",
    "release": "is released", "tell": "is told to the blood bank",
}  # fmt: skip


def hold(order: BloodOrder, *, version: int | None = None) -> BloodOrder:
    """Return the order as it is now, locked, and with it its person, whose part of the trail it continues.

    version: the one it was shown at; saving then refuses if somebody else changed it meanwhile.
    """
    Patient.objects.select_for_update().get(pk=order.patient_id)
    now = (
        BloodOrder.objects.select_for_update(of=("self",)).select_related("patient", "booking", "site").get(pk=order.pk)
    )
    if version is not None:
        now.version = version
    return now


def hold_unit(unit: SuppliedUnit, version: int | None = None) -> SuppliedUnit:
    """Return a unit as it is now, locked with its order; version: the one it was shown at."""
    order = hold(unit.order)
    row = SuppliedUnit.objects.select_for_update().get(pk=unit.pk)
    row.order = order
    if version is not None:
        row.version = version
    return row


def check_move(order: BloodOrder, move: str) -> None:
    """Raise ValidationError unless the order's state allows the move, naming the states that do."""
    allowed = MOVES[move]
    if order.state not in allowed:
        words = ", ".join(OrderState(state).label for state in allowed)
        raise ValidationError(
            f"Order {order.number} is {order.get_state_display()}: only one that is {words} {DOES[move]}."
        )


def still_to_tell(order: BloodOrder, words: str) -> str:
    """Return what the blood bank does not know of an order that was changed by so much; '' of one not sent yet."""
    if order.state == OrderState.DRAFTED:
        return ""
    return "; ".join(part for part in (order.to_tell, words) if part)[:400]


def held(order: BloodOrder, until: datetime | None, at: datetime) -> datetime:
    """Return until when units are kept: as the blood bank said, else as the site's setting has it."""
    if until is not None and until < at:
        local = until.astimezone(ZoneInfo(order.site.time_zone))
        raise ValidationError({"held_until": f"{local:%Y-%m-%d %H:%M} has passed: allowed is from now on."})
    days = site_settings(order.site, at)["blood_held_days"]
    return until or held_by_rule(order.for_at.astimezone(ZoneInfo(order.site.time_zone)), days)


def held_words(order: BloodOrder, *, said: bool) -> str:
    """Say until when units are kept, and where the blood bank did not say it."""
    if order.held_until is None:
        return ""
    local = order.held_until.astimezone(ZoneInfo(order.site.time_zone))
    return f"held until {local:%Y-%m-%d %H:%M}{'' if said else ' by the setting here'}"


def write(
    order: BloodOrder,
    what: str,
    fields: Sequence[str],
    before: dict[str, Any] | None,
    *,
    actor: User | None,
    at: datetime,
    units: int | None = None,
    words: str = "",
) -> None:
    """Save the order's fields, add the event and the trail's entry; nothing is saved for an order just made."""
    if before is not None:
        order.full_clean(validate_unique=False)
        order.save_changes(list(fields))
    OrderEvent.objects.create(order=order, at=at, by=actor, what=what, units=units, words=words)
    entry = change_of(order.patient, f"blood order: {what}", order, before=before, why=words)
    trail.write([entry], actor=actor, at=at)


def write_unit(
    unit: SuppliedUnit,
    what: str,
    fields: Sequence[str],
    before: dict[str, Any] | None,
    *,
    actor: User | None,
    at: datetime,
    words: str = "",
    done_by: User | None = None,
) -> None:
    """Save a unit's fields (all of a new one), add the event of its order and the trail's entry.

    done_by: who did at the chair what is taken over from there without anybody's act here.
    """
    unit.full_clean(validate_unique=False)
    if before is None:
        unit.save()
    else:
        unit.save_changes(list(fields))
    said = f"{unit.donation_number}{f': {words}' if words else ''}"
    OrderEvent.objects.create(order=unit.order, at=at, by=actor or done_by, what=what, units=1, words=said)
    entry = change_of(unit.order.patient, f"blood unit: {what}", unit, before=before, why=words)
    trail.write([entry], actor=actor, at=at)


def end_unit(
    unit: SuppliedUnit,
    state: str,
    *,
    actor: User | None,
    at: datetime,
    reason: str = "",
    given_to: Patient | None = None,
    ended_at: datetime | None = None,
    done_by: User | None = None,
) -> None:
    """Give a unit its end: given to somebody, or returned or discarded with a reason.

    ended_at: when it really ended, for one that is taken over from the bedside; never before it arrived. done_by: who
    ended it there.
    """
    before = state_of(unit)
    unit.state, unit.end_reason, unit.given_to = SuppliedUnit.State(state), reason, given_to
    unit.ended_at = max(ended_at or at, unit.arrived_at)
    fields = ["state", "end_reason", "given_to", "ended_at", "issued_at", "back_at", "return_decided"]
    words = "; ".join(filter(None, [reason or _whom(unit, given_to), out_words(unit)]))[:400]
    write_unit(unit, state, fields, before, actor=actor, at=at, words=words, done_by=done_by)


def out_words(unit: SuppliedUnit) -> str:
    """Say how long a unit that came back was out of controlled storage, and who took it back nevertheless."""
    if unit.back_at is None:
        return ""
    zone = ZoneInfo(unit.order.site.time_zone)
    out = f"{unit.issued_at.astimezone(zone):%H:%M}" if unit.issued_at else "a time not recorded"
    decided = f", as decided by {unit.return_decided}" if unit.return_decided else ""
    return f"out of storage from {out} to {unit.back_at.astimezone(zone):%H:%M}{decided}"


def _whom(unit: SuppliedUnit, given_to: Patient | None) -> str:
    """Say to whom a unit was given; of somebody else no reference, for these words stay with whose order it was."""
    if given_to is None:
        return ""
    return f"to {given_to.patient_ref}" if given_to.pk == unit.order.patient_id else "to somebody else"


def end_order_if_done(order: BloodOrder, *, actor: User | None, at: datetime) -> None:
    """End an order whose session has begun and whose every unit has its end."""
    units = SuppliedUnit.objects.filter(order=order)
    if order.state != OrderState.ARRIVED or at < order.for_at or units.exclude(state__in=ENDS).exists():
        return
    before = state_of(order)
    order.state = OrderState.ENDED
    write(order, "ended", ["state"], before, actor=actor, at=at, units=units.count(), words="every unit has its end")


def reopen_order(order: BloodOrder, *, at: datetime) -> None:
    """Open an ended order again: the end of one of its units was taken back at the chair."""
    if order.state == OrderState.ENDED:
        before = state_of(order)
        order.state = OrderState.ARRIVED
        write(order, "open again", ["state"], before, actor=None, at=at, words="a unit's end was taken back")
