"""Units that came in for an order, each to its end.

What is done with a unit at the chair is recorded there; `follow_bedside` takes it over by the donation number. A unit
is the same unit where number and product code agree; one without a code is taken as the same.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import date, datetime

from django.core.exceptions import ValidationError
from django.db import IntegrityError, transaction

from patients.models import Patient
from patients.services import local_day, need_reason, state_of
from programme.core.models import Site, User
from programme.core.numeric.words import count_of
from programme.supply.models import AWAY, BloodOrder, OrderState, SuppliedUnit
from programme.supply.services.writing import (
    ENDS,
    check_move,
    end_order_if_done,
    end_unit,
    hold,
    reopen_order,
    write,
    write_unit,
)
from sessions.day.numeric.blood_match import negatives_written, typed_antigens
from sessions.day.numeric.donation_number import BadCode, read_number, spaced
from sessions.day.queries import other_use
from sessions.models import DonationUnit, UnitState

MOST_IN_ONE_QUERY = 500
AT_THE_BEDSIDE = {
    UnitState.AT_CHAIR: SuppliedUnit.State.ISSUED,
    UnitState.CHECKED: SuppliedUnit.State.ISSUED,
    UnitState.RUNNING: SuppliedUnit.State.ISSUED,
    UnitState.GIVEN: SuppliedUnit.State.GIVEN,
    UnitState.RETURNED: SuppliedUnit.State.RETURNED,
    UnitState.DISCARDED: SuppliedUnit.State.DISCARDED,
}


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
    *, order: BloodOrder, version: int, labels: Sequence[ArrivedLabel], actor: User, at: datetime, words: str = ""
) -> list[SuppliedUnit]:
    """Record units that arrived for an order, all of them or none.

    A unit that is not as it was asked for is taken in and shown as such; whether it may be given is decided by the
    blood bank and checked again at the chair. Refused are numbers that cannot be, units used elsewhere, units that
    expire before the session, and more than were ordered.
    """
    Site.objects.select_for_update().get(pk=order.site_id)  # of two arrivals of one unit the second sees the first
    now = hold(order, version=version)
    check_move(now, "arrive")
    if not labels:
        raise ValidationError({"numbers": "Enter at least one donation number."})
    _check_count(now, len(labels))
    made = [_take_in(now, label, actor=actor, at=at) for label in labels]
    before = state_of(now)
    now.state = OrderState.ARRIVED
    now.confirmed_units = max(now.confirmed_units, _kept(now))
    write(
        now, "arrived", ["state", "confirmed_units"], before, actor=actor, at=at, units=len(made), words=words.strip()
    )
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
    row = _held(unit, version)
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
    row = _held(unit, version)
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
def put_away_unit(*, unit: SuppliedUnit, version: int, state: str, why: str, actor: User, at: datetime) -> SuppliedUnit:
    """Return a unit to the blood bank or discard it, with a reason."""
    row = _held(unit, version)
    _check_open(row)
    if state not in AWAY:
        raise ValidationError({"state": "A unit is returned or discarded."})
    used = other_use(row.donation_number, row.product_code)
    if used is not None and used.state != UnitState.DISCARDED:
        raise ValidationError(
            f"{spaced(row.donation_number)} is {used.get_state_display()} in a session's record: put it away there."
        )
    end_unit(row, state, reason=need_reason(why), actor=actor, at=at)
    end_order_if_done(row.order, actor=actor, at=at)
    return row


def _held(unit: SuppliedUnit, version: int | None = None) -> SuppliedUnit:
    order = hold(unit.order)
    row = SuppliedUnit.objects.select_for_update().get(pk=unit.pk)
    row.order = order
    if version is not None:
        row.version = version
    return row


def _check_open(row: SuppliedUnit) -> None:
    if row.state in ENDS:
        raise ValidationError(
            f"{spaced(row.donation_number)} is {row.get_state_display()} already: a unit has one end."
        )


# What happened at the chair


def follow_bedside(patient_keys: tuple[int, ...], at: datetime) -> None:
    """Take over what was recorded at the chair about units that came in for an order; called after each change."""
    for start in range(0, len(patient_keys), MOST_IN_ONE_QUERY):
        some = patient_keys[start : start + MOST_IN_ONE_QUERY]
        used = DonationUnit.objects.filter(exchange_session__patient__in=some).exclude(donation_number="")
        follow_units(SuppliedUnit.objects.filter(donation_number__in=used.values("donation_number")), at=at)


def follow_units(units: Iterable[SuppliedUnit], *, at: datetime) -> None:
    """Bring these units to where the bedside record has them; what agrees already stays untouched."""
    newest = {(row.donation_number, row.product_code): row for row in sorted(units, key=lambda row: row.pk)}
    for row in newest.values():
        used = _at_the_bedside(row)
        if used is not None and _differs(row, used):
            _follow(row, used, at)


def _at_the_bedside(row: SuppliedUnit) -> DonationUnit | None:
    """The newest record of this unit at a chair of the same site that is not older than its arrival's order."""
    rows = DonationUnit.objects.filter(
        donation_number=row.donation_number, exchange_session__patient__site=row.order.site_id
    )
    if row.product_code:
        rows = rows.filter(product_code__in=["", row.product_code])
    return rows.select_related("exchange_session__patient").order_by("-pk").first()


def _differs(row: SuppliedUnit, used: DonationUnit) -> bool:
    state = AT_THE_BEDSIDE[UnitState(used.state)]
    if state != SuppliedUnit.State.GIVEN:
        return row.state != state and not (row.state in ENDS and state in ENDS)
    return row.state != state or row.given_to_id != used.exchange_session.patient_id


@transaction.atomic
def _follow(unit: SuppliedUnit, used: DonationUnit, at: datetime) -> None:
    row, state = _held(unit), AT_THE_BEDSIDE[UnitState(used.state)]
    if not _differs(row, used):
        return
    if state == SuppliedUnit.State.ISSUED:
        before = state_of(row)
        row.state, row.issued_at = state, row.issued_at or used.out_of_storage_at or at
        row.ended_at, row.given_to, row.end_reason = None, None, ""
        fields = ["state", "issued_at", "ended_at", "given_to", "end_reason"]
        write_unit(row, "at the chair", fields, before, actor=None, at=at)
        reopen_order(row.order, at=at)
        return
    given_to: Patient | None = used.exchange_session.patient if state == SuppliedUnit.State.GIVEN else None
    end_unit(
        row,
        state,
        actor=None,
        at=at,
        reason="" if given_to else used.end_reason,
        given_to=given_to,
        ended_at=used.ended_at,
    )
    end_order_if_done(row.order, actor=None, at=at)
