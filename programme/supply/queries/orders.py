"""Orders as the pages show them: all of a unit by day, one with everything that happened, and what is coming."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import date, datetime
from zoneinfo import ZoneInfo

from django.db.models import QuerySet

from programme.booking.models import Booking
from programme.core.models import Site
from programme.core.settings_of_site import site_settings
from programme.supply.models import BloodOrder, OrderEvent, OrderState, SuppliedUnit
from programme.supply.numeric.alarms import CHECK, STOP, Alarm, alarms, other_day
from programme.supply.numeric.groups import GroupSamples
from programme.supply.numeric.needs import OrderNeeds
from programme.supply.numeric.orders import Tally, tally
from programme.supply.queries.basis import Basis, SampleNow, bases, released, unordered
from programme.supply.queries.facts import facts_of

TOLD = ("sent", "told")
FEWEST_SHARED = 3
SHARED_WORDS = {
    "one_sample": "the group rests on fewer samples recorded here than are asked for: ask the blood bank on how many",
    "elsewhere": "antibodies known elsewhere were never asked for, or too long ago: ask other hospitals and registers, "
    "and record the day",
}
"""What is true of most orders, as one sentence of all of them."""


@dataclass(frozen=True, slots=True)
class OrderLine:
    """One open order, or a booking that has none yet (number None), as a line of a page."""

    number: int | None
    version: int
    patient_ref: str
    name: str
    birth_date: date | None
    starts: datetime
    units: int | None
    confirmed: int
    needs: OrderNeeds
    order_by: date
    order_by_why: str
    sent_on: date | None
    state: str
    state_words: str
    sample: SampleNow
    sample_today: bool
    alarms: tuple[Alarm, ...]
    why_not: str = ""
    group: GroupSamples = field(default_factory=GroupSamples)
    elsewhere_on: date | None = None
    held_until: datetime | None = None
    missing: int = 0  # of an order of which some came
    to_tell: str = ""
    released: int | None = None  # the order of this booking that was released
    said_of_all: frozenset[str] = frozenset()  # kinds of alarms that the page says once for most orders

    @property
    def own_alarms(self) -> tuple[Alarm, ...]:
        """What is loud about this order and not said of most at once; a stop is always its own."""
        return tuple(one for one in self.alarms if one.level == STOP or one.kind not in self.said_of_all)

    @property
    def mark(self) -> str:
        """The state mark: what is loud goes before where the order stands."""
        levels = [alarm.level for alarm in self.alarms]
        if STOP in levels:
            return "stop"
        if CHECK in levels or self.why_not:
            return "check"
        if self.state in (OrderState.CONFIRMED, OrderState.ARRIVED):
            return "tick"
        return "half" if self.state in (OrderState.SENT, OrderState.PART) else "dash"

    @property
    def mark_words(self) -> str:
        return {"stop": "Stop", "check": "Check", "tick": "Ready", "half": "Waiting", "dash": "Not yet"}[self.mark]

    @property
    def may_be_sent(self) -> bool:
        """Whether it goes with the others: drafted, not after its day, of one group, and what is needed now."""
        speaks_against = {"late", "needs", "group_differs", "units", "time"} & {alarm.kind for alarm in self.alarms}
        return self.state == OrderState.DRAFTED and not speaks_against


@dataclass(frozen=True, slots=True)
class BloodPage:
    """All open orders of a unit, and the bookings in reach that have none."""

    lines: tuple[OrderLine, ...]
    settings: Mapping[str, float]
    shared: tuple[str, ...] = ()  # what is true of most orders, each in one sentence

    @property
    def to_send(self) -> tuple[OrderLine, ...]:
        return tuple(line for line in self.lines if line.may_be_sent)

    @property
    def to_draft(self) -> tuple[OrderLine, ...]:
        waiting = (line for line in self.lines if line.number is None and line.released is None)
        return tuple(line for line in waiting if not line.why_not)

    @property
    def sample_days(self) -> int:
        """Calendar days for which a sample holds under the short rule."""
        return -int(-self.settings["sample_valid_hours"] // 24)

    @property
    def sheet(self) -> tuple[OrderLine, ...]:
        """What the blood bank is asked for: every open order of which units are still to come."""
        asked = (OrderState.DRAFTED, OrderState.SENT, OrderState.PART, OrderState.CONFIRMED)
        return tuple(line for line in self.lines if line.state in asked or line.missing)

    @property
    def loud(self) -> tuple[tuple[OrderLine, Alarm], ...]:
        """What must be done, most pressing first."""
        found = [(line, alarm) for line in self.lines for alarm in line.own_alarms]
        return tuple(sorted(found, key=lambda pair: (pair[1].rank, pair[0].starts)))

    @property
    def samples_today(self) -> tuple[OrderLine, ...]:
        return tuple(line for line in self.lines if line.sample_today)


def blood_page(site: Site, now: datetime) -> BloodPage:
    """Return the open orders of a unit by day and start, with what is loud; a fixed number of queries."""
    settings = site_settings(site, now)
    orders = list(read_orders(BloodOrder.objects.open().filter(site=site)))
    lines = [*order_lines(site, orders, settings, now), *_without(site, now)]
    counted = _counted(lines)
    kinds = frozenset(counted)
    lines = [replace(line, said_of_all=kinds) for line in lines]
    orders_open = sum(line.number is not None for line in lines)
    shared = tuple(f"For {n} of {orders_open} orders {SHARED_WORDS[kind]}." for kind, n in counted.items())
    return BloodPage(tuple(sorted(lines, key=lambda line: (line.starts, line.name))), settings, shared)


def _counted(lines: Sequence[OrderLine]) -> dict[str, int]:
    """Return of how many orders each kind of alarm about records holds, where it does of most of at least three."""
    orders = [line for line in lines if line.number is not None]
    counted = {
        kind: sum(any(one.kind == kind and one.level != STOP for one in line.alarms) for line in orders)
        for kind in SHARED_WORDS
    }
    return {kind: n for kind, n in counted.items() if n >= FEWEST_SHARED and 2 * n > len(orders)}


def read_orders(rows: QuerySet[BloodOrder]) -> QuerySet[BloodOrder]:
    rows = rows.select_related("patient", "booking__patient", "booking__moved_to", "site")
    return rows.order_by("for_at", "pk")


def _without(site: Site, now: datetime) -> list[OrderLine]:
    """Lines of bookings that wait for an order, and of those whose order was released."""
    bookings, given_up = list(unordered(site, at=now)), released(site, at=now)
    found = bases(site, [*bookings, *given_up], now=now)
    lines = [_line_without(booking, found[booking.pk], now) for booking in bookings]
    return lines + [_line_released(booking, order, found[booking.pk], now) for booking, order in given_up.items()]


def _line_released(booking: Booking, order: BloodOrder, basis: Basis, now: datetime) -> OrderLine:
    words = f"No blood is ordered: order {order.number} was released ({order.ended_reason})."
    words += " Order again, or cancel the booking."
    line = _line_without(booking, basis, now)
    alarm = Alarm(STOP, "released", words)
    return replace(line, state_words="released", alarms=(alarm, *line.alarms), released=order.number)


def _line_without(booking: Booking, basis: Basis, now: datetime) -> OrderLine:
    late = basis.order_by.on < now.date()
    words = f"No order yet; it was to be sent by {basis.order_by.on:%a} {basis.order_by.on.day} {basis.order_by.on:%b}."
    return OrderLine(
        number=None,
        version=0,
        patient_ref=booking.patient.patient_ref,
        name=booking.patient.shown_name,
        birth_date=booking.patient.birth_date,
        starts=basis.starts,
        units=basis.planned.units,
        confirmed=0,
        needs=basis.needs,
        order_by=basis.order_by.on,
        order_by_why=basis.order_by.why,
        sent_on=None,
        state="",
        state_words="to order",
        sample=basis.sample,
        sample_today=_today(basis.sample, now),
        group=basis.group,
        elsewhere_on=basis.elsewhere_on,
        alarms=(
            *([Alarm(STOP, "late", words)] if late else []),
            *other_day(basis.planned.for_day, basis.starts.date()),
        ),
        why_not=f"No units are planned: {basis.planned.why_not}" if basis.planned.units is None else "",
    )


def order_lines(
    site: Site, orders: Sequence[BloodOrder], settings: Mapping[str, float], now: datetime
) -> list[OrderLine]:
    """Return orders as lines, in their order; a fixed number of queries."""
    found = bases(site, [order.booking for order in orders], now=now)
    keys = [order.pk for order in orders]
    sent = {
        pk: at.astimezone(ZoneInfo(site.time_zone)).date()  # an answer is awaited from the last time it was told
        for pk, at in OrderEvent.objects.filter(order__in=keys, what__in=TOLD)
        .order_by("pk")
        .values_list("order_id", "at")
    }
    units: defaultdict[int, list[SuppliedUnit]] = defaultdict(list)
    for unit in SuppliedUnit.objects.filter(order__in=keys):
        units[unit.order_id].append(unit)
    return [
        _line(order, found[order.booking_id], units[order.pk], sent.get(order.pk), settings, now) for order in orders
    ]


def _line(
    order: BloodOrder,
    basis: Basis,
    units: Sequence[SuppliedUnit],
    sent_on: date | None,
    settings: Mapping[str, float],
    now: datetime,
) -> OrderLine:
    facts = facts_of(order, basis, units, sent_on, settings)
    return OrderLine(
        number=order.number,
        version=order.version,
        patient_ref=order.patient.patient_ref,
        name=order.patient.shown_name,
        birth_date=order.patient.birth_date,
        starts=order.for_at.astimezone(now.tzinfo),
        units=order.units,
        confirmed=order.confirmed_units,
        needs=facts.needs,
        order_by=facts.order_by,
        order_by_why=basis.order_by.why,
        sent_on=sent_on,
        state=order.state,
        state_words=_state_words(order, tally(unit.state for unit in units)),
        sample=basis.sample,
        sample_today=facts.standing and _today(basis.sample, now),
        alarms=alarms(facts, today=now.date(), now=now, answer_days=int(settings["blood_answer_days"])),
        missing=facts.missing,
        to_tell=order.to_tell,
        group=facts.group,
        elsewhere_on=facts.elsewhere_on,
        held_until=facts.held_until,
    )


def _today(sample: SampleNow, now: datetime) -> bool:
    """Whether a sample is to be taken today: none holds yet, and today is the last day for it."""
    if sample.holds or not sample.spans:
        return False
    return sample.spans[-1].last.date() == now.date()


def _state_words(order: BloodOrder, counted: Tally) -> str:
    if order.state == OrderState.ARRIVED:
        ended = counted.given + counted.returned + counted.discarded
        here = counted.here + counted.issued
        return f"{here} of {order.units} here" + (f", {ended} ended" if ended else "")
    if order.state == OrderState.PART:
        return f"{order.confirmed_units} of {order.units} confirmed"
    return order.get_state_display()
