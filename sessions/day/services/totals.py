"""Writing what a session really was: steps, units and totals, taken from the entries and never typed."""

from __future__ import annotations

from datetime import datetime
from typing import Any

from django.db import transaction

from patients.services import change_of, finish_change, state_of
from programme.core.models import User
from programme.core.trail import Change
from sessions.day.numeric.done import Done, done
from sessions.day.numeric.tally import Tally
from sessions.day.queries import method_of, plan_carried_out, tally_of
from sessions.day.services.named_results import link_named_results
from sessions.models import DonationUnit, ExchangeSession, Method, State, UnitState
from sessions.services import StepGiven, write_steps


def values_of(carried_out: Done) -> dict[str, Any]:
    """Return what a session's own row says of what was carried out."""
    units_said = carried_out.units > 0 or carried_out.red_cells_in_ml == 0
    return {
        "units": carried_out.units if units_said else None,
        "saline_in_ml": carried_out.saline_in_ml,
        "red_cells_in_ml": carried_out.red_cells_in_ml,
        "blood_out_ml": carried_out.out_ml,
    } | ({} if carried_out.started_at is None else _times(carried_out))


def _times(carried_out: Done) -> dict[str, Any]:
    return {"started_at": carried_out.started_at, "ended_at": carried_out.ended_at}


def write_done(exchange_session: ExchangeSession, state: Tally, carried_out: Done) -> list[Change]:
    """Write steps and units as carried out, of a session held by this transaction, and link the results of its plan.

    Returns the trail's entries.
    """
    given = [StepGiven(s.fluid, s.in_ml, s.out_ml, s.cells_hb_g_l, s.started_at, s.ended_at) for s in carried_out.steps]
    return [
        *write_steps(exchange_session, given),
        *link_named_results(exchange_session, carried_out),
        *_write_units(exchange_session, state),
    ]


def _write_units(exchange_session: ExchangeSession, state: Tally) -> list[Change]:
    said = []
    rows = DonationUnit.objects.filter(exchange_session=exchange_session, place__in=state.units)
    for unit in rows.order_by("place"):
        times, before = state.units[unit.place], state_of(unit)
        unit.started_at, unit.ended_at = times.started_at, times.ended_at
        if times.started_at or times.in_ml > 0:
            unit.state = UnitState.GIVEN
        if state_of(unit) != before:
            unit.full_clean()
            unit.save_changes(["started_at", "ended_at", "state"])
            said.append(change_of(exchange_session.patient, "unit as given", unit, before=before))
    return said


@transaction.atomic
def rewrite_totals(*, exchange_session: ExchangeSession, actor: User, at: datetime, why: str = "") -> None:
    """Write steps, units and totals anew after an entry that reached, or put right, a finished or abandoned session.

    exchange_session: held by this transaction. Nothing is written where the entry changed none of them.
    """
    if exchange_session.state not in (State.FINISHED, State.ABANDONED):
        return
    method = method_of(exchange_session, plan_carried_out(exchange_session))
    state = tally_of(exchange_session)
    if state.totals is None if method == Method.AUTOMATED else not (state.moved or state.undone):
        # Given up before anything was entered of it: its units were in somebody's hands all the same.
        if said := _write_units(exchange_session, state):
            finish_change(exchange_session.patient, said, actor=actor, at=at)
        return
    # From the entry and not from the row, which already holds what an earlier time, perhaps a wrong one, made of it.
    carried_out = done(state, method=method, began=state.began or exchange_session.started_at)
    before = state_of(exchange_session)
    said = write_done(exchange_session, state, carried_out)
    values = values_of(carried_out)
    changed = [name for name, value in values.items() if getattr(exchange_session, name) != value]
    for name in changed:
        setattr(exchange_session, name, values[name])
    if changed:
        exchange_session.full_clean()
        exchange_session.save_changes(changed)
        said.append(change_of(exchange_session.patient, "rewrite totals", exchange_session, before=before, why=why))
    if said:
        finish_change(exchange_session.patient, said, actor=actor, at=at)
