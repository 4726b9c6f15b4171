"""Orders for blood as they go to the blood bank: in time, and as they are needed on the day on which they go."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime
from zoneinfo import ZoneInfo

from django.core.exceptions import ValidationError
from django.db import transaction

from patients.services import local_day, state_of
from programme.core.models import Site, User
from programme.core.numeric.words import count_of
from programme.supply.models import BloodOrder, OrderState
from programme.supply.numeric.needs import changed_needs, needs_from_dict
from programme.supply.queries.basis import Basis, bases
from programme.supply.services.writing import check_move, hold, write


@transaction.atomic
def send_order(
    *, order: BloodOrder, version: int | None, actor: User, at: datetime, late_reason: str = "", unplanned: bool = True
) -> BloodOrder:
    """Say that a drafted order went to the blood bank; after its order-by day, as it is today, with a reason.

    One that is not what its booking, plan and needs of today ask for is refused: it is renewed first, so that what goes
    is what the person needs, also from a page that was opened before. unplanned: it may go where no units are planned
    now.
    """
    now = hold(order, version=version)
    check_move(now, "send")
    _check_time(now, at)
    basis = bases(now.site, [now.booking], now=at)[now.booking_id]
    _check_in_line(now, basis, unplanned=unplanned)
    by = basis.order_by.on
    late = local_day(at, now.site) > by
    if late and not late_reason.strip():
        raise ValidationError(
            {
                "late_reason": f"Order {now.number} was to be sent by {by.isoformat()}. "
                "Say why it goes now, and telephone."
            }
        )
    before = state_of(now)
    now.state, now.order_by, now.late_reason = OrderState.SENT, by, late_reason.strip() if late else ""
    fields = ["state", "order_by", "late_reason"]
    write(now, "sent", fields, before, actor=actor, at=at, units=now.units, words=now.late_reason)
    return now


@transaction.atomic
def send_orders(*, site: Site, numbers: Sequence[int], actor: User, at: datetime) -> list[BloodOrder]:
    """Send several drafted orders that are in time, all or none.

    Ones past their day are sent singly, with a reason, and so are those for which no units are planned now.
    """
    rows = list(BloodOrder.objects.filter(site=site, number__in=numbers).order_by("patient_id", "number"))
    missing = sorted(set(numbers) - {row.number for row in rows})
    if missing:
        raise ValidationError(f"No order {missing[0]} at this unit.")
    return [send_order(order=row, version=None, actor=actor, at=at, unplanned=False) for row in rows]


def _check_time(order: BloodOrder, at: datetime) -> None:
    """Refuse what comes after the session was to begin."""
    if at >= order.for_at:
        local = order.for_at.astimezone(ZoneInfo(order.site.time_zone))
        raise ValidationError(
            f"Order {order.number} was for {local:%Y-%m-%d %H:%M}, which has passed: allowed is before that. "
            "Renew it where the booking moved, or release it."
        )


def _check_in_line(order: BloodOrder, basis: Basis, *, unplanned: bool) -> None:
    """Refuse to send what is no longer what the booking, the plan and the person need."""
    changes = changed_needs(needs_from_dict(order.needs), basis.needs)
    if changes:
        _refuse_old(order, "needs", "; ".join(changes))
    if order.for_at != basis.starts:
        _refuse_old(order, "the start", f"booked for {basis.starts:%Y-%m-%d %H:%M}")
    planned = basis.planned.units
    if planned is not None and planned != order.units:
        _refuse_old(order, "the plan", f"{count_of(planned, 'unit')} now, {order.units} on the order")
    if planned is None and not unplanned:
        raise ValidationError(
            f"Order {order.number}: no units are planned now: {basis.planned.why_not} Allowed is to send it by itself, "
            "on its page, or to release it."
        )


def _refuse_old(order: BloodOrder, what: str, words: str) -> None:
    raise ValidationError(
        f"Order {order.number}: {what} changed since it was drafted ({words}). Allowed is the order as it is needed "
        "now: renew it, then send it."
    )
