"""What becomes of ordered blood when its booking moves or ends: it moves along, falls away unsent, or stays loud."""

from __future__ import annotations

from datetime import datetime
from zoneinfo import ZoneInfo

from patients.services import state_of
from programme.booking.models import Booking, BookingState
from programme.core.models import User
from programme.core.numeric.words import count_of
from programme.supply.models import BloodOrder, OrderState
from programme.supply.queries.basis import bases
from programme.supply.services.writing import hold, still_to_tell, write


def follow_booking(ended: Booking, new: Booking | None, actor: User, at: datetime) -> str:
    """Carry the open order of a booking that moved or ended along, and return in a sentence what became of it.

    Moved: the order goes with it, as it was asked for. Ended before it was sent: it is released, for nobody waits for
    it. Ended later: it stays, loud, until somebody moves or releases it, since the blood bank holds units for it.
    """
    order = BloodOrder.objects.open().filter(booking=ended).first()
    if order is None or ended.state == BookingState.CAME:
        return ""
    order = hold(order)
    if new is not None:
        return _move(order, new, actor, at)
    if order.state == OrderState.DRAFTED:
        before = state_of(order)
        order.state, order.ended_reason = OrderState.CANCELLED, f"booking {ended.get_state_display()}"
        write(
            order, "released", ["state", "ended_reason"], before, actor=actor, at=at, units=0, words=order.ended_reason
        )
        return f"Order {order.number} was not sent yet and is released."
    return f"Order {order.number} for {count_of(order.units, 'unit')} stays open: move or release it on the page Blood."


def _move(order: BloodOrder, new: Booking, actor: User, at: datetime) -> str:
    basis = bases(order.site, [new], now=at)[new.pk]
    before = state_of(order)
    order.booking, order.for_at, order.order_by = new, basis.starts, basis.order_by.on
    local = basis.starts.astimezone(ZoneInfo(order.site.time_zone))
    words = f"to {local:%Y-%m-%d %H:%M} with its booking"
    order.to_tell = still_to_tell(order, words)
    fields = ["booking", "for_at", "order_by", "to_tell"]
    write(order, "moved", fields, before, actor=actor, at=at, units=order.units, words=words)
    if order.state == OrderState.DRAFTED:
        return f"Order {order.number} moved with it."
    return (
        f"Order {order.number} moved with it: tell the blood bank, and ask whether units that are held or here can be "
        "kept until then. It stays loud until that is recorded."
    )
