"""The plan of a running session changed mid-way: what was done stands as it was, what is left is judged anew."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from datetime import datetime
from itertools import zip_longest

from programme.bedside.numeric.laid import Laid, apart, units_of
from programme.bedside.numeric.places import hand_out
from programme.bedside.queries.drafting import Typed, draft_from_typed
from programme.bedside.queries.known import first_moved_at, known_of
from sessions.day.models import Prescription
from sessions.day.numeric.draft import PlanDraft
from sessions.day.numeric.entries import MOST_UNITS
from sessions.day.numeric.tally import StepSoFar, Tally
from sessions.day.queries import plan_carried_out, tally_of
from sessions.models import DonationUnit, ExchangeSession, Fluid, Method, UnitState

PUT_AWAY = (UnitState.RETURNED, UnitState.DISCARDED)
FIRST = (UnitState.GIVEN, UnitState.RUNNING, UnitState.CHECKED, UnitState.AT_CHAIR)


@dataclass(frozen=True, slots=True)
class UnitHere:
    """A unit that was brought. `is_over`: nothing more of it can be given or is still to be entered as given."""

    place: int
    state: str
    is_over: bool


@dataclass(frozen=True, slots=True)
class Midway:
    """A running session: its plan and where it stands. `begun`: steps that hold entries, up to the last such one."""

    exchange_session: ExchangeSession
    plan: Prescription
    state: Tally
    units: tuple[UnitHere, ...] = ()

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
    def standing(self) -> str:
        """Which plan it is and how many of its steps are over: what rows laid out for the rest stand for."""
        return f"{self.plan.number}.{len(self.done)}"

    @property
    def left(self) -> tuple[StepSoFar, ...]:
        return self.state.steps[len(self.done) :]


def midway(exchange_session: ExchangeSession) -> Midway | None:
    """Return a session as it is to be changed; None where it has no plan. Four queries."""
    plan = plan_carried_out(exchange_session)
    if plan is None:
        return None
    state = tally_of(exchange_session)
    rows = DonationUnit.objects.filter(exchange_session=exchange_session).order_by("place")
    return Midway(exchange_session, plan, state, tuple(UnitHere(r.place, r.state, _is_over(r, state)) for r in rows))


def _is_over(row: DonationUnit, state: Tally) -> bool:
    """One that was given to its end and of which no volume is entered yet is not: its volume is still to come."""
    times = state.units.get(row.place)
    told = bool(row.end_reason) or (times is not None and times.in_ml > 0)
    return row.state in PUT_AWAY or (row.state == UnitState.GIVEN and told)


def draft_midway(now: Midway, left: Sequence[Laid], *, at: datetime) -> PlanDraft:
    """Return the plan with what was done as it really went, and then the steps as laid out.

    left: volumes of each whole step that is not over, what was done of it included. Raises ValueError where it cannot
    be carried out, or where less is laid out than was already given or drawn.
    """
    left = _apart(now, left)
    for so_far, laid in zip_longest(now.left, left[: len(now.left)]):
        _check(so_far, laid)
    over = [Laid(step.planned.fluid, step.in_ml, step.out_ml, step.planned.cells_hb_g_l) for step in now.done]
    session = now.exchange_session
    known = known_of(session.patient, on=session.on, at=at, results_until=first_moved_at(now.state))
    plan = now.plan
    typed = Typed(plan.method, plan.weight_kg, plan.hb_g_l, None, (*over, *left))
    draft = draft_from_typed(known, plan, typed)
    places = _places(now, left, known.settings["unit_volume_ml"])
    steps = [{**step, "units": list(given)} for step, given in zip(draft.steps, places, strict=True)]
    return replace(draft, steps=steps, units=len({place for given in places for place in given}))


def _apart(now: Midway, left: Sequence[Laid]) -> tuple[Laid, ...]:
    """The rows as they go through one arm, but for those already begun, whose entries name their step."""
    if now.plan.method != Method.ONE_ARM:
        return tuple(left)
    begun = len(now.begun) - len(now.done)
    gives_first = now.exchange_session.patient.is_flagged
    return (*left[:begun], *apart(left[begun:], gives_first=gives_first))


def _check(so_far: StepSoFar, laid: Laid | None) -> None:
    number, planned = so_far.planned.number, so_far.planned
    begun = so_far.in_ml > 0 or so_far.out_ml > 0
    if laid is None:
        if begun:
            raise ValueError(f"step {number} was begun, so its row stays; its volumes can be those given and drawn")
        return
    if begun and laid.fluid != planned.fluid:
        raise ValueError(f"step {number} was begun with another fluid")
    if laid.in_ml < so_far.in_ml or laid.out_ml < so_far.out_ml:
        raise ValueError(
            f"of step {number} {so_far.in_ml:.0f} mL were given and {so_far.out_ml:.0f} mL drawn already; "
            "its volumes cannot be less"
        )


def _places(now: Midway, left: Sequence[Laid], unit_volume_ml: float) -> list[tuple[int, ...]]:
    """The places of units of every step: as they were given in what is over, then handed out over what is left.

    A unit that is being given comes first, for it hangs in the person's arm; then those at the chair, whose checks
    would be lost, then the others of the plan before. Raises ValueError where one that is being given has no step.
    """
    done = [_given_in(now, step) or step.planned.units if step.in_ml > 0 else () for step in now.done]
    begun: list[tuple[int, ...]] = [_given_in(now, step) for step in now.left][: len(left)]
    begun += [()] * (len(left) - len(begun))
    across = _across(now, done)
    waiting = _waiting(now, used={place for places in done for place in places})
    known = {*waiting, *(place for places in (*done, *begun) for place in places)}
    known |= {place for step in now.state.steps for place in step.planned.units}
    known |= {unit.place for unit in now.units if unit.state not in PUT_AWAY}
    wanted = _wanted(now, left, unit_volume_ml, across)
    shared = {} if across is None else {next((unit for units in wanted for unit in units), 0): across}
    found = [*done, *hand_out(
        wanted, begun, waiting=waiting, fresh=_fresh(now, max(known, default=0)), shared=shared,
        over={unit.place for unit in now.units if unit.is_over},
    )]  # fmt: skip
    for unit in now.units:
        if unit.state == UnitState.RUNNING and not any(unit.place in places for places in found):
            raise ValueError(
                f"unit {unit.place} is being given and no step is left for it. Keep a row of red cells for it, or end "
                "the unit first and then change the plan"
            )
    return found


def _given_in(now: Midway, step: StepSoFar) -> tuple[int, ...]:
    """The places of which something was given in a step, in order."""
    number = step.planned.number
    places = [one.unit for one in now.state.moved if one.step == number and one.unit is not None and one.in_ml > 0]
    return tuple(dict.fromkeys(places)) if step.planned.fluid == Fluid.RED_CELLS else ()


def _across(now: Midway, done: Sequence[tuple[int, ...]]) -> int | None:
    """The place begun in the last step that is over and planned for the next as well; None where it gives no more."""
    last = next((places[-1] for places in reversed(done) if places), None)
    following = next((step.planned.units for step in now.left if step.planned.units), ())
    over = {unit.place for unit in now.units if unit.is_over}
    return last if last in following and last not in over else None


def _waiting(now: Midway, *, used: set[int]) -> list[int]:
    """Places of which more can come, in the order in which they are to be given."""
    planned = dict.fromkeys(place for step in now.state.steps for place in step.planned.units)
    rows = {unit.place: unit for unit in now.units}
    places = [place for place in sorted({*planned, *rows} - used) if place not in rows or not rows[place].is_over]
    return sorted(places, key=lambda place: FIRST.index(rows[place].state) if place in rows else len(FIRST))


def _wanted(now: Midway, left: Sequence[Laid], unit_volume_ml: float, across: int | None) -> list[tuple[int, ...]]:
    """The units of each step that is left: as before where as much is given in as many steps, else by volume."""
    before = [step.planned for step in now.left if step.planned.fluid == Fluid.RED_CELLS and step.planned.in_ml > 0]
    cells = [laid for laid in left if laid.fluid == Fluid.RED_CELLS and laid.in_ml > 0]
    same = [round(step.in_ml) for step in before] == [round(laid.in_ml) for laid in cells]
    if same and all(step.units for step in before):
        units = iter([step.units for step in before])
        return [next(units) if laid in cells else () for laid in left]
    over = {step.planned.number for step in now.done}
    given = sum(one.in_ml for one in now.state.moved if across is not None and one.step in over and one.unit == across)
    given = min(given, 0.9 * unit_volume_ml)  # less than whole: the unit goes on in what is left
    return units_of([Laid(Fluid.RED_CELLS, given, 0.0), *left], unit_volume_ml)[1:]


def _fresh(now: Midway, highest: int) -> Iterator[int]:
    """Places after every one that is known; those put away keep theirs."""
    away = {unit.place for unit in now.units if unit.state in PUT_AWAY}
    yield from (place for place in range(highest + 1, MOST_UNITS + 1) if place not in away)
    raise ValueError(f"a session takes at most {MOST_UNITS} units, those put away included")
