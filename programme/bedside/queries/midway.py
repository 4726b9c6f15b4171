"""The plan of a running session changed mid-way: what was done stands as it was, what is left is judged anew."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import datetime
from typing import Any

from programme.bedside.numeric.laid import Laid
from programme.bedside.queries.drafting import Typed, draft_from_typed
from programme.bedside.queries.known import known_of
from sessions.day.models import Prescription
from sessions.day.numeric.draft import PlanDraft
from sessions.day.numeric.tally import StepSoFar, Tally
from sessions.day.queries import plan_carried_out, tally_of
from sessions.models import ExchangeSession


@dataclass(frozen=True, slots=True)
class Midway:
    """A running session: its plan and where it stands. `begun`: steps that hold entries, up to the last such one."""

    exchange_session: ExchangeSession
    plan: Prescription
    state: Tally

    @property
    def begun(self) -> tuple[StepSoFar, ...]:
        touched = [place for place, step in enumerate(self.state.steps, 1) if step.done or step.in_ml or step.out_ml]
        return self.state.steps[: max(touched, default=0)]

    @property
    def done(self) -> tuple[StepSoFar, ...]:
        """Steps that are over; one that was begun and is not done is still to be laid out."""
        steps = self.begun
        while steps and not steps[-1].done:
            steps = steps[:-1]
        return steps

    @property
    def left(self) -> tuple[StepSoFar, ...]:
        return self.state.steps[len(self.done) :]


def midway(exchange_session: ExchangeSession) -> Midway | None:
    """Return a session as it is to be changed; None where it has no plan. Three queries."""
    plan = plan_carried_out(exchange_session)
    return None if plan is None else Midway(exchange_session, plan, tally_of(exchange_session))


def draft_midway(now: Midway, left: Sequence[Laid], *, at: datetime) -> PlanDraft:
    """Return the plan with what was done as it really went, and then the steps as laid out.

    left: volumes of each whole step that is not over, what was done of it included. Raises ValueError where it cannot
    be carried out, or where less is laid out than was already given or drawn.
    """
    for so_far, laid in zip(now.left, left, strict=False):
        _check(so_far, laid)
    over = [Laid(step.planned.fluid, step.in_ml, step.out_ml, step.planned.cells_hb_g_l) for step in now.done]
    known = known_of(now.exchange_session.patient, on=now.exchange_session.on, at=at)
    plan = now.plan
    typed = Typed(plan.method, plan.weight_kg, plan.hb_g_l, None, (*over, *left))
    draft = draft_from_typed(known, plan, typed)
    return replace(draft, **_units(now, draft))


def _check(so_far: StepSoFar, laid: Laid) -> None:
    number, planned = so_far.planned.number, so_far.planned
    begun = so_far.in_ml > 0 or so_far.out_ml > 0
    if begun and laid.fluid != planned.fluid:
        raise ValueError(f"step {number} was begun with another fluid")
    if laid.in_ml < so_far.in_ml or laid.out_ml < so_far.out_ml:
        raise ValueError(
            f"of step {number} {so_far.in_ml:.0f} mL were given and {so_far.out_ml:.0f} mL drawn already; "
            "its volumes cannot be less"
        )


def _units(now: Midway, draft: PlanDraft) -> dict[str, Any]:
    """The places of units: as they were in the plan for its own steps, the next free ones for what was added."""
    old = {step.planned.number: step.planned for step in now.state.steps}
    taken = [place for step in now.state.steps for place in step.planned.units]
    fresh = max(taken, default=0)
    steps = []
    for step in draft.steps:
        planned = old.get(step["number"])
        if planned is not None and planned.units and planned.fluid == step["fluid"]:
            wanted = max(len(step["units"]), 1)
            places = list(planned.units[:wanted])
        else:
            wanted, places = len(step["units"]), []
        while len(places) < wanted:
            fresh += 1
            places.append(fresh)
        steps.append({**step, "units": places})
    return {"steps": steps, "units": max((len({p for s in steps for p in s["units"]})), 0)}
