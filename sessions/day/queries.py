"""Reading a session of the day: the plan in force, the entries, and where both leave it."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Any

from sessions.day.models import Entry, Prescription
from sessions.day.numeric.entries import Said
from sessions.day.numeric.tally import PlannedStep, Tally, tally
from sessions.models import ExchangeSession


def planned_steps(steps: Iterable[dict[str, Any]]) -> tuple[PlannedStep, ...]:
    """Return stored steps of a prescription as plain values."""
    return tuple(
        PlannedStep(
            number=int(step["number"]),
            fluid=step["fluid"],
            in_ml=float(step["in_ml"]),
            out_ml=float(step["out_ml"]),
            units=tuple(step.get("units") or ()),
            cells_hb_g_l=float(step.get("cells_hb_g_l") or 0.0),
            draws=tuple(float(draw) for draw in step.get("draws") or ()),
        )
        for step in steps
    )


def said_of(entry: Entry) -> Said:
    """Return one stored entry as a plain value."""
    return Said(
        number=entry.number,
        kind=entry.kind,
        body=entry.body,
        happened_at=entry.happened_at,
        received_at=entry.received_at,
        by=entry.by_id,
        seen=entry.seen,
    )


def plan_carried_out(exchange_session: ExchangeSession) -> Prescription | None:
    """Return the plan in force, else the one last signed; None where nobody ever signed one. One query."""
    signed = Prescription.objects.filter(exchange_session=exchange_session, authorised_at__isnull=False)
    rows = sorted(signed, key=lambda plan: (plan.is_in_force, plan.number))
    return rows[-1] if rows else None


def tally_of(exchange_session: ExchangeSession) -> Tally:
    """Return where a session stands; two queries."""
    plan = plan_carried_out(exchange_session)
    entries = Entry.objects.filter(exchange_session=exchange_session).order_by("number")
    return tally(planned_steps(plan.steps if plan else ()), [said_of(entry) for entry in entries])
