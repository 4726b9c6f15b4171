"""What is to be done next: the steps of the plan cut into touches, each a draw with what is given meanwhile.

A step is cut at its draws, or at its units where it has more units than draws; where a draw is small beside a unit it
is cut too where one unit ends and the next begins, so that no touch gives of two. Fluid goes in as blood comes out, so
each part gets its share. What was really done so far is taken off, so a draw that came out short is made up in the
next one. One arm: each part is two touches, the draw and then what is given; what is given comes first where the person
is not to be left short of volume.
"""

from collections.abc import Container
from dataclasses import dataclass

from sessions.day.numeric.tally import PlannedStep, StepSoFar, Tally, about_as_much
from sessions.day.numeric.unit_volumes import OVER_LABEL_SHARE


@dataclass(frozen=True, slots=True)
class Stroke:
    """One touch: `out_ml` drawn while `in_ml` is given, of `unit` where it is red cells. [mL]"""

    step: int
    fluid: str
    out_ml: float
    in_ml: float
    unit: int | None = None


def parts_of(step: PlannedStep) -> tuple[tuple[float, float], ...]:
    """Return (in, out) up to the end of each part of a step, from its start. [mL]"""
    n_units = max(len(step.units), 1)
    if len(step.draws) >= n_units and step.out_ml > 0.0 and sum(step.draws) > 0.0:
        drawn, shares = 0.0, []
        for draw in step.draws:
            drawn += draw
            shares.append(drawn / sum(step.draws))
        shares = sorted([*shares, *_ends_of_units_inside(shares, n_units)])
    else:
        shares = [(place + 1) / n_units for place in range(n_units)]
    return tuple((step.in_ml * share, step.out_ml * share) for share in shares)


def _ends_of_units_inside(shares: list[float], n_units: int) -> list[float]:
    """The shares of a step at which one unit gives way to the next, but for those where a draw ends about there: as
    near as a unit may be over its label without a question."""
    ends = [place / n_units for place in range(1, n_units)]
    return [end for end in ends if min(abs(end - share) for share in shares) > OVER_LABEL_SHARE / n_units]


def strokes_of(
    so_far: StepSoFar, *, one_arm: bool = False, gives_first: bool = False, ended: Container[int] = ()
) -> tuple[Stroke, ...]:
    """Return what is left of one step, in order; nothing where it is done. ended: units whose end was entered."""
    step, strokes = so_far.planned, []
    given, drawn = so_far.in_ml, so_far.out_ml
    if so_far.done:
        return ()
    for in_end, out_end in parts_of(step):
        in_ml = 0.0 if about_as_much(given, in_end) else in_end - given
        out_ml = 0.0 if about_as_much(drawn, out_end) else out_end - drawn
        if in_ml <= 0.0 and out_ml <= 0.0:
            continue
        unit = _unit_at(step, given + in_ml / 2.0, ended) if in_ml > 0.0 else None
        if one_arm and in_ml > 0.0 and out_ml > 0.0:
            both = [Stroke(step.number, step.fluid, out_ml, 0.0), Stroke(step.number, step.fluid, 0.0, in_ml, unit)]
            strokes += both[::-1] if gives_first else both
        else:
            strokes.append(Stroke(step.number, step.fluid, max(out_ml, 0.0), max(in_ml, 0.0), unit))
        given, drawn = given + max(in_ml, 0.0), drawn + max(out_ml, 0.0)
    return tuple(strokes)


def coming(tally: Tally, *, one_arm: bool = False, gives_first: bool = False) -> tuple[Stroke, ...]:
    """Return every touch that is left, in the order of the plan. gives_first: nobody is to be left short."""
    ended = {place for place, times in tally.units.items() if times.ended_at is not None}
    order = {"one_arm": one_arm, "gives_first": gives_first}
    return tuple(stroke for step in tally.steps for stroke in strokes_of(step, **order, ended=ended))


def _unit_at(step: PlannedStep, given_ml: float, ended: Container[int]) -> int | None:
    """The unit that hangs once so much of the step is in; one that was ended short is passed over for the next.

    Where all from there on were ended it stays the one that should hang: its end may have been entered too early.
    """
    if not step.units or step.in_ml <= 0.0:
        return None
    place = min(max(int(given_ml / step.in_ml * len(step.units)), 0), len(step.units) - 1)
    return next((unit for unit in step.units[place:] if unit not in ended), step.units[place])
