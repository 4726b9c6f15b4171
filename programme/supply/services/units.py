"""Units that came in for an order, each to its end.

What is done with a unit at the chair is recorded there and taken over by `services.chair`.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, datetime
from zoneinfo import ZoneInfo

from django.core.exceptions import ValidationError
from django.db import IntegrityError, transaction

from patients.services import local_day, need_reason, state_of
from programme.core.models import Site, User
from programme.core.numeric.words import count_of
from programme.core.settings_of_site import site_settings
from programme.supply.models import AWAY, BloodOrder, OrderState, SuppliedUnit
from programme.supply.services.chair import follow_units
from programme.supply.services.writing import (
    ENDS,
    check_move,
    end_order_if_done,
    end_unit,
    held,
    held_words,
    hold,
    hold_unit,
    write,
    write_unit,
)
from sessions.day.numeric.blood_match import negatives_written, typed_antigens
from sessions.day.numeric.donation_number import BadCode, read_number, spaced
from sessions.day.numeric.unit_clocks import out_too_long
from sessions.day.queries import other_use
from sessions.models import UnitState


@dataclass(frozen=True, slots=True)
class ArrivedLabel:
    """What a unit says that came in. number: as scanned or typed; negatives: such as 'C- E- K-'."""

    number: str
    product_code: str = ""
    abo: str = ""
    rhd: str = ""
    negatives: str = ""
    hbs_negative: bool | None = None
    collected_on: date | None = None
    expires_on: date | None = None


@transaction.atomic
def take_in(
    *,
    order: BloodOrder,
    version: int,
    labels: Sequence[ArrivedLabel],
    actor: User,
    at: datetime,
    words: str = "",
    held_until: datetime | None = None,
) -> list[SuppliedUnit]:
    """Record units that arrived for an order, all of them or none. held_until: so long they are kept for the person.

    A unit that is not as it was asked for is taken in and shown as such; whether it may be given is decided by the
    blood bank and checked again at the chair. Refused are numbers that cannot be, units used elsewhere, units that
    expire before the session, and more than were ordered.
    """
    Site.objects.select_for_update().get(pk=order.site_id)  # of two arrivals of one unit the second sees the first
    now = hold(order, version=version)
    check_move(now, "arrive")
    if not labels:
        raise ValidationError({"numbers": "Enter at least one donation number."})
    _check_twice(labels)
    _check_count(now, len(labels))
    made = [_take_in(now, label, actor=actor, at=at) for label in labels]
    before = state_of(now)
    now.state = OrderState.ARRIVED
    now.confirmed_units = max(now.confirmed_units, _kept(now))
    kept = ""
    if held_until is not None or now.held_until is None:
        now.held_until = held(now, held_until, at)
        kept = held_words(now, said=held_until is not None)
    said = "; ".join(part for part in (words.strip(), kept) if part)[:400]
    fields = ["state", "confirmed_units", "held_until"]
    write(now, "arrived", fields, before, actor=actor, at=at, units=len(made), words=said)
    follow_units(made, at=at)
    return made


def _kept(order: BloodOrder) -> int:
    """Units of the order that were not put away again."""
    return SuppliedUnit.objects.filter(order=order).exclude(state__in=AWAY).count()


def _check_count(order: BloodOrder, more: int) -> None:
    kept = _kept(order)
    if kept + more > order.units:
        raise ValidationError(
            {
                "numbers": f"{more} more would make {count_of(kept + more, 'unit')}; {order.units} are on the order, "
                f"so allowed are {order.units - kept}. Renew the order first where more are planned."
            }
        )


def _take_in(order: BloodOrder, label: ArrivedLabel, *, actor: User, at: datetime) -> SuppliedUnit:
    try:
        number = read_number(label.number)
    except BadCode as error:
        raise ValidationError({"numbers": f"{label.number.strip()[:24]}: {error}"}) from error
    session_on = local_day(order.for_at, order.site)
    if label.expires_on is not None and label.expires_on < session_on:
        raise ValidationError(
            {"numbers": f"{spaced(number)} expires on {label.expires_on}, before the session of {session_on}."}
        )
    used = other_use(number, label.product_code)
    if used is not None and used.exchange_session.patient_id != order.patient_id:
        raise ValidationError(
            {"numbers": f"{spaced(number)} is recorded at another person's session ({used.get_state_display()}): "
             "one unit is for one person. Look at the label again."}
        )  # fmt: skip
    _check_new(number, label.product_code)
    unit = SuppliedUnit(
        order=order,
        donation_number=number,
        product_code=label.product_code,
        abo=label.abo,
        rhd=label.rhd,
        antigens_negative=negatives_written(typed_antigens(label.negatives)[0]),
        hbs_negative=label.hbs_negative,
        collected_on=label.collected_on,
        expires_on=label.expires_on,
        arrived_at=at,
    )
    try:
        with transaction.atomic():
            write_unit(unit, "arrived", (), None, actor=actor, at=at)
    except IntegrityError as error:  # at another site, in the same moment
        raise ValidationError({"numbers": f"{spaced(number)} has arrived already, at another unit."}) from error
    return unit


def _check_twice(labels: Sequence[ArrivedLabel]) -> None:
    """Refuse one unit entered twice at once, also where one of the two has no product code."""
    seen: list[tuple[str, str]] = []
    for label in labels:
        try:
            number = read_number(label.number)
        except BadCode:
            continue  # said when it is taken in
        for other, code in seen:
            if other == number and (not code or not label.product_code or code == label.product_code):
                words = f"{spaced(number)} is entered twice: each unit once. Look at the labels again."
                raise ValidationError({"numbers": words})
        seen.append((number, label.product_code))


def _check_new(number: str, product_code: str) -> None:
    """Refuse a unit that is here already, also where one of the two was entered without a product code."""
    rows = SuppliedUnit.objects.filter(donation_number=number)
    rows = rows.exclude(state=SuppliedUnit.State.RETURNED)
    if product_code:
        rows = rows.filter(product_code__in=["", product_code])
    found = rows.select_related("order").first()
    if found is not None:
        was = "was discarded" if found.state == SuppliedUnit.State.DISCARDED else "has arrived already"
        raise ValidationError({"numbers": f"{spaced(number)} {was}, for order {found.order.number}."})


@transaction.atomic
def issue_unit(*, unit: SuppliedUnit, version: int, actor: User, at: datetime) -> SuppliedUnit:
    """Say that a unit left the fridge for the chair."""
    row = hold_unit(unit, version)
    if row.state != SuppliedUnit.State.ARRIVED:
        raise ValidationError(f"This unit is {row.get_state_display()}: only one in the unit's fridge is issued.")
    if row.expires_on is not None and row.expires_on < local_day(at, row.order.site):
        raise ValidationError(f"This unit expired on {row.expires_on}: discard it.")
    before = state_of(row)
    row.state, row.issued_at = SuppliedUnit.State.ISSUED, at
    write_unit(row, "issued", ["state", "issued_at"], before, actor=actor, at=at)
    return row


@transaction.atomic
def give_unit(*, unit: SuppliedUnit, version: int, actor: User, at: datetime) -> SuppliedUnit:
    """Say that a unit was given to the person it was ordered for, where the bedside record does not say so itself.

    Refused before it was issued and before the day of its session, and where it had expired by then, as at the chair.
    """
    row = hold_unit(unit, version)
    _check_open(row)
    _check_giveable(row, at)
    used = other_use(row.donation_number, row.product_code)
    if used is not None and used.exchange_session.patient_id != row.order.patient_id:
        raise ValidationError(
            f"{spaced(row.donation_number)} is recorded at another person's session: one unit is given to one person."
        )
    if used is not None and used.state == UnitState.DISCARDED:
        raise ValidationError(f"{spaced(row.donation_number)} was discarded at the chair: it was not given.")
    end_unit(row, SuppliedUnit.State.GIVEN, given_to=row.order.patient, actor=actor, at=at)
    end_order_if_done(row.order, actor=actor, at=at)
    return row


def _check_giveable(row: SuppliedUnit, at: datetime) -> None:
    number, session_on = spaced(row.donation_number), local_day(row.order.for_at, row.order.site)
    if row.state != SuppliedUnit.State.ISSUED:
        raise ValidationError(f"{number} is {row.get_state_display()}: only one that was issued to the chair is given.")
    if local_day(at, row.order.site) < session_on:
        raise ValidationError(f"{number} is for {session_on}: it can be given from that day on.")
    if row.expires_on is not None and row.expires_on < session_on:
        raise ValidationError(f"{number} expired on {row.expires_on}, before the session of {session_on}: discard it.")


@transaction.atomic
def put_away_unit(
    *,
    unit: SuppliedUnit,
    version: int,
    state: str,
    why: str,
    actor: User,
    at: datetime,
    back_at: datetime | None = None,
    decided: str = "",
) -> SuppliedUnit:
    """Return a unit to the blood bank or discard it, with a reason.

    back_at: when one that was issued was back in controlled storage, by default now; over the site's limit it is not
    returned, unless somebody at the blood bank decided so (`decided`: who).
    """
    row = hold_unit(unit, version)
    _check_open(row)
    if state not in AWAY:
        raise ValidationError({"state": "A unit is returned or discarded."})
    used = other_use(row.donation_number, row.product_code)
    if used is not None and used.state != UnitState.DISCARDED:
        raise ValidationError(
            f"{spaced(row.donation_number)} is {used.get_state_display()} in a session's record: put it away there."
        )
    reason = need_reason(why)
    if state == SuppliedUnit.State.RETURNED and row.state == SuppliedUnit.State.ISSUED:
        _back_in_storage(row, back_at or at, decided.strip(), at)
    end_unit(row, state, reason=reason, actor=actor, at=at)
    end_order_if_done(row.order, actor=actor, at=at)
    return row


def _back_in_storage(row: SuppliedUnit, back_at: datetime, decided: str, at: datetime) -> None:
    """Note when an issued unit was back in controlled storage; refuse one that was out too long and not taken back."""
    zone, number = ZoneInfo(row.order.site.time_zone), spaced(row.donation_number)
    out = row.issued_at and row.issued_at.astimezone(zone)
    if back_at > at or (out is not None and back_at < out):
        first = f"{out:%d %b %H:%M}" if out is not None else "when it left storage"
        raise ValidationError(
            {"back_at": f"{number}: {back_at.astimezone(zone):%d %b %H:%M}; allowed is {first} to now."}
        )
    limit = site_settings(row.order.site, at)["unit_return_limit_min"]
    late = out_too_long(out, back_at.astimezone(zone), limit_min=limit)
    if late and not decided:
        raise ValidationError({"decided": f"{number}: {late}"})
    row.back_at, row.return_decided = back_at, decided if late else ""


def _check_open(row: SuppliedUnit) -> None:
    if row.state in ENDS:
        raise ValidationError(
            f"{spaced(row.donation_number)} is {row.get_state_display()} already: a unit has one end."
        )
