"""What is recorded at the chair of units that came in for an order, taken over by the donation number.

A unit is the same unit where number and product code agree; one without a code is taken as the same.
"""

from __future__ import annotations

from collections.abc import Iterable
from datetime import datetime

from django.db import transaction

from patients.models import Patient
from patients.services import state_of
from programme.core.models import User
from programme.supply.models import SuppliedUnit
from programme.supply.services.writing import ENDS, end_order_if_done, end_unit, hold_unit, reopen_order, write_unit
from sessions.day.models import Entry
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


def _who(used: DonationUnit) -> User | None:
    """Who made the newest entry about this unit at the chair; None where it was only brought there."""
    entries = Entry.objects.filter(
        exchange_session=used.exchange_session_id, body__donation_number=used.donation_number
    )
    newest = entries.select_related("by").order_by("-number").first()
    return newest.by if newest is not None else None


@transaction.atomic
def _follow(unit: SuppliedUnit, used: DonationUnit, at: datetime) -> None:
    row, state = hold_unit(unit), AT_THE_BEDSIDE[UnitState(used.state)]
    if not _differs(row, used):
        return
    by = _who(used)
    if state == SuppliedUnit.State.ISSUED:
        before = state_of(row)
        row.state, row.issued_at = state, row.issued_at or used.out_of_storage_at or at
        row.ended_at, row.given_to, row.end_reason = None, None, ""
        row.back_at, row.return_decided = None, ""
        fields = ["state", "issued_at", "ended_at", "given_to", "end_reason", "back_at", "return_decided"]
        write_unit(row, "at the chair", fields, before, actor=None, at=at, done_by=by)
        reopen_order(row.order, at=at)
        return
    if used.back_in_storage_at is not None:  # the chair's own times go together
        row.issued_at, row.back_at = used.out_of_storage_at, used.back_in_storage_at
        row.return_decided = used.return_decided
    given_to: Patient | None = used.exchange_session.patient if state == SuppliedUnit.State.GIVEN else None
    end_unit(
        row,
        state,
        actor=None,
        at=at,
        reason="" if given_to else used.end_reason,
        given_to=given_to,
        ended_at=used.ended_at,
        done_by=by,
    )
    end_order_if_done(row.order, actor=None, at=at)
