"""One order with its units and everything that happened to it."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date, datetime, timedelta
from zoneinfo import ZoneInfo

from programme.core.models import Site
from programme.core.numeric.words import count_of
from programme.core.settings_of_site import site_settings
from programme.supply.models import OPEN, BloodOrder, OrderEvent, OrderState, SuppliedUnit
from programme.supply.numeric.held import held_by_rule
from programme.supply.numeric.needs import OrderNeeds, unclear_antibodies, unit_differences
from programme.supply.numeric.orders import Tally, tally
from programme.supply.queries.facts import blood_of
from programme.supply.queries.orders import OrderLine, order_lines, read_orders
from sessions.day.numeric.donation_number import BadCode, check_character, spaced
from sessions.models import DonationUnit


@dataclass(frozen=True, slots=True)
class UnitLine:
    """One unit that came in, with what the order asks of it and the unit does not say. differs: conflicts in words."""

    key: int
    version: int
    number: str
    donation_number: str
    check: str
    group: str
    match: str
    age_days: int | None
    expires_on: date | None
    expires_early: bool
    state: str
    state_words: str
    arrived_at: datetime
    issued_at: datetime | None
    started_at: datetime | None
    ended_at: datetime | None
    given_ref: str
    end_reason: str
    differs: tuple[str, ...]
    back_by: datetime | None = None
    out_words: str = ""


@dataclass(frozen=True, slots=True)
class Happened:
    """One thing that happened to the order."""

    at: datetime
    who: str
    what: str
    words: str


@dataclass(frozen=True, slots=True)
class Post:
    """One post of the order's life: its name, when it was reached, and a few words."""

    name: str
    at: datetime | None
    words: str


@dataclass(frozen=True, slots=True)
class OrderPage:
    """One order with its units and all that happened."""

    line: OrderLine
    units: tuple[UnitLine, ...]
    counted: Tally
    happened: tuple[Happened, ...]
    posts: tuple[Post, ...]
    unclear: tuple[str, ...]
    substitution: str
    late_reason: str
    ended_reason: str
    is_open: bool
    hold_until: datetime
    """Until when the blood bank keeps the units, as the form proposes it."""
    return_limit_min: float

    @property
    def next_act(self) -> str:
        """What comes next with an open order, of which its page makes one button stand out."""
        if self.line.to_tell:
            return "tell"
        return {OrderState.DRAFTED: "send", OrderState.SENT: "answer", OrderState.PART: "answer"}.get(
            OrderState(self.line.state), "arrive"
        )

    @property
    def awaited(self) -> range:
        """Places of the units that are still to come."""
        kept = self.counted.came - self.counted.returned - self.counted.discarded
        first = self.counted.came + 1
        return range(first, first + (max((self.line.units or 0) - kept, 0) if self.is_open else 0))

    @property
    def awaited_confirmed(self) -> int:
        """How many of those were confirmed."""
        kept = self.counted.came - self.counted.returned - self.counted.discarded
        return max(self.line.confirmed - kept, 0)


def order_of(site: Site, number: int) -> BloodOrder | None:
    """Return the order of this number at a unit; None where there is none."""
    return read_orders(BloodOrder.objects.filter(site=site, number=number)).first()


def order_page(order: BloodOrder, now: datetime) -> OrderPage:
    """Return one order as its page shows it; a fixed number of queries."""
    settings = site_settings(order.site, now)
    (line,) = order_lines(order.site, [order], settings, now)
    rows = list(order.supplied_units.select_related("given_to").order_by("arrived_at", "pk"))
    started = dict(
        DonationUnit.objects.filter(
            exchange_session__patient__site=order.site_id, donation_number__in=[row.donation_number for row in rows]
        ).values_list("donation_number", "started_at")
    )
    zone = ZoneInfo(order.site.time_zone)
    session_on = order.booking.starts_at(zone).date()
    events = list(order.events.select_related("by").order_by("-at", "-pk"))
    return OrderPage(
        line=line,
        units=tuple(
            _unit(row, line.needs, started.get(row.donation_number), session_on, now, settings) for row in rows
        ),
        counted=tally(row.state for row in rows),
        happened=tuple(_happened(event, zone) for event in events),
        posts=_posts(order, events, zone, line.order_by),
        unclear=unclear_antibodies(line.needs),
        substitution=order.substitution,
        late_reason=order.late_reason,
        ended_reason=order.ended_reason,
        is_open=order.state in OPEN,
        hold_until=_hold_until(order, line, settings),
        return_limit_min=settings["unit_return_limit_min"],
    )


def _hold_until(order: BloodOrder, line: OrderLine, settings: Mapping[str, float]) -> datetime:
    """What was recorded, unless that is before the start as it is booked now; else the site's rule."""
    starts = order.booking.starts_at(ZoneInfo(order.site.time_zone))
    if line.held_until is not None and line.held_until >= starts:
        return line.held_until
    return held_by_rule(starts, settings["blood_held_days"])


def _unit(
    row: SuppliedUnit,
    needs: OrderNeeds,
    started_at: datetime | None,
    session_on: date,
    now: datetime,
    settings: Mapping[str, float],
) -> UnitLine:
    blood = blood_of(row)
    age = None if row.collected_on is None else (now.date() - row.collected_on).days
    sign = {"+": "+", "-": "\u2212"}.get(row.rhd, "")
    zone = now.tzinfo
    return UnitLine(
        key=row.pk,
        version=row.version,
        number=row.donation_number,
        donation_number=spaced(row.donation_number),
        check=_check(row.donation_number),
        group=f"{row.abo} {sign}".strip(),
        match=" ".join(f"{name}\u2212" for name in sorted(blood.negative)),
        age_days=age,
        expires_on=row.expires_on,
        expires_early=row.expires_on is not None and row.expires_on < session_on,
        state=row.state,
        state_words=row.get_state_display(),
        arrived_at=row.arrived_at.astimezone(zone),
        issued_at=row.issued_at and row.issued_at.astimezone(zone),
        started_at=started_at and started_at.astimezone(zone),
        ended_at=row.ended_at and row.ended_at.astimezone(zone),
        given_ref=row.given_to.patient_ref if row.given_to else "",
        end_reason=row.end_reason,
        differs=unit_differences(blood, needs, age_days=age),
        back_by=_back_by(row, started_at, settings, now),
        out_words=out_words(row, now),
    )


def _back_by(
    row: SuppliedUnit, started_at: datetime | None, settings: Mapping[str, float], now: datetime
) -> datetime | None:
    """When a unit at the chair that was not started must be back in controlled storage."""
    if row.state != SuppliedUnit.State.ISSUED or row.issued_at is None or started_at is not None:
        return None
    return row.issued_at.astimezone(now.tzinfo) + timedelta(minutes=settings["unit_return_limit_min"])


def out_words(row: SuppliedUnit, now: datetime) -> str:
    """How long a unit that came back was out of controlled storage, and who took it back nevertheless."""
    if row.back_at is None:
        return ""
    decided = f"; taken back as decided by {row.return_decided}" if row.return_decided else ""
    back = row.back_at.astimezone(now.tzinfo)
    if row.issued_at is None:
        return f"back in storage {back:%H:%M}, when it left it is not recorded{decided}"
    minutes = (row.back_at - row.issued_at).total_seconds() / 60.0
    return f"out of storage {row.issued_at.astimezone(now.tzinfo):%H:%M} to {back:%H:%M}, {minutes:.0f} min{decided}"


def _check(number: str) -> str:
    try:
        return check_character(number)
    except BadCode:
        return ""


def _happened(event: OrderEvent, zone: ZoneInfo) -> Happened:
    who = event.by.full_name if event.by is not None else "by the record of the session"
    words = event.words or ("" if event.units is None else f"units: {event.units}")
    return Happened(event.at.astimezone(zone), who, event.what, words)


def _posts(order: BloodOrder, events: list[OrderEvent], zone: ZoneInfo, by: date) -> tuple[Post, ...]:
    """The six posts of an order's life; the newest event of each kind says when."""

    def post(name: str, found: OrderEvent | None, words: str) -> Post:
        if found is None:
            return Post(name, None, words)
        by = "" if found.by is None else f"{found.by.full_name}; "
        return Post(name, found.at.astimezone(zone), by + words)

    newest: dict[str, OrderEvent] = {}
    for event in reversed(events):
        newest["confirmed" if event.what.endswith("confirmed") else event.what] = event
    changed = max(
        (newest[what] for what in ("renewed", "moved", "told") if what in newest),
        key=lambda event: event.pk,
        default=None,
    )
    first = next((event for event in reversed(events) if event.what == "arrived" and event.units), None)
    counted = sum(unit.state not in ("arrived", "issued") for unit in order.supplied_units.all())
    ended = newest.get("released") if order.state == OrderState.CANCELLED else newest.get("ended")
    return (
        post("Drafted", newest.get("drafted"), f"for {count_of(_first_units(events), 'unit')}"),
        post("Sent", newest.get("sent"), f"order by {by:%a} {by.day} {by:%b}"),
        post("Confirmed", newest.get("confirmed"), f"{order.confirmed_units} of {order.units}"),
        post("Arrived", first, count_of(order.supplied_units.count(), "unit")),
        post("Changed", changed, changed.words if changed is not None else "as drafted"),
        post("Ended", ended, order.ended_reason or f"units with their end: {counted}"),
    )


def _first_units(events: list[OrderEvent]) -> int:
    return next((event.units or 0 for event in reversed(events) if event.what == "drafted"), 0)
