"""The session sheet: steps in words, draws, and how long it takes. Numbers and words only."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from programme.planning.numeric.draws import draws_of, draws_words
from programme.planning.numeric.limits import draw_stop_of
from programme.worklist.numeric.trying import Moment, moments
from programme.worklist.numeric.words import count_words
from sessions.day.numeric.durations import ONE_ARM, minutes_a_unit
from sessions.numeric.exchange import SessionOutcome, Start, Step, run_steps

GIVEN_FIRST = "given first, drawn after: this person is not left short of volume"
"""Why a session through one arm begins by giving."""


@dataclass(frozen=True, slots=True)
class SheetInputs:
    """What a suggested session starts from. mixing: effective over formula blood volume. [mL, kg, g/L, %, points]"""

    blood_volume_ml: float
    weight_kg: float
    hb_g_l: float
    hbs_pct: float
    hb_sd_g_l: float
    hbs_sd_pct: float
    mixing: float
    mixing_rel_sd: float
    unit_volume_ml: float
    unit_hb_g: float
    flagged: bool
    one_arm: bool = False

    @property
    def unit_hb_g_l(self) -> float:
        return 1000.0 * self.unit_hb_g / self.unit_volume_ml


@dataclass(frozen=True, slots=True)
class SheetStep:
    """One line of the sheet."""

    give: str
    why: str
    in_ml: float
    out_ml: float
    draws: str
    moment: Moment


@dataclass(frozen=True, slots=True)
class Sheet:
    """The whole session."""

    steps: tuple[SheetStep, ...]
    outcome: SessionOutcome
    in_ml: float
    out_ml: float
    duration: str

    @property
    def last(self) -> Moment:
        return self.steps[-1].moment

    @property
    def litres_out(self) -> str:
        return f"{self.out_ml / 1000:.2f}"


def session_sheet(
    raw_steps: Sequence[Mapping[str, Any]], start: SheetInputs, settings: Mapping[str, float], *, units: int
) -> Sheet:
    """Return the sheet of a suggested session.

    raw_steps : as the planner prints them: fluid, in_ml, out_ml, and 'why' where the planner says it.
    Raises ValueError where the steps cannot be carried out.
    """
    steps = [
        Step(raw["fluid"], raw["in_ml"], raw["out_ml"], start.unit_hb_g_l if raw["fluid"] == "red_cells" else 0.0)
        for raw in raw_steps
    ]
    begin = Start(start.blood_volume_ml, start.hb_g_l, start.hbs_pct, weight_kg=start.weight_kg)
    after = moments(
        start=begin,
        steps=steps,
        unit_hb_g=start.unit_hb_g,
        hb_sd_g_l=start.hb_sd_g_l,
        hbs_sd_pct=start.hbs_sd_pct,
        mixing=start.mixing,
        volume_rel_sd=start.mixing_rel_sd,
    )
    outcome = run_steps(
        begin, steps, mixing=start.mixing, early_loss=settings["early_loss_pct"] / 100.0,
        iron_mg_per_g=settings["iron_mg_per_g_hb"],
    )  # fmt: skip
    named = _units_of(steps, start.unit_volume_ml, one_arm=start.one_arm)
    most_ml = float(draw_stop_of(start.weight_kg, settings))
    lines = tuple(
        SheetStep(
            give=name,
            why=raw.get("why") or (one_arm_reason if start.one_arm else usual_reason)(place, steps, start.flagged),
            in_ml=step.in_ml,
            out_ml=step.out_ml,
            draws=draws_words(draws_of(step.out_ml, settings["draw_size_ml"], most_ml)),
            moment=moment,
        )
        for place, (raw, step, name, moment) in enumerate(zip(raw_steps, steps, named, after, strict=True))
    )
    return Sheet(
        steps=lines,
        outcome=outcome,
        in_ml=sum(step.in_ml for step in steps),
        out_ml=sum(step.out_ml for step in steps),
        duration=duration_words(
            units * minutes_a_unit(ONE_ARM if start.one_arm else "", settings), settings["hours_rest"]
        ),
    )


def _units_of(steps: Sequence[Step], unit_volume_ml: float, *, one_arm: bool) -> list[str]:
    """Name each step, red cells with the numbers of their units."""
    named, given = [], 0.0
    for step in steps:
        if step.fluid == "saline":
            named.append("Saline" if step.in_ml else "Draw" if one_arm else "Draw only")
            continue
        first, given = math.floor(given / unit_volume_ml + 0.05) + 1, given + step.in_ml
        last = max(math.ceil(given / unit_volume_ml - 0.05), first)
        many = f"units {first} and {last}" if last == first + 1 else f"units {first} to {last}"
        named.append(f"Red cells, {f'unit {first}' if last == first else many}")
    return named


def usual_reason(place: int, steps: Sequence[Step], flagged: bool) -> str:
    """Return why a step stands where it does, where the planner does not say; '' for what needs no reason."""
    step = steps[place]
    cells_before = any(earlier.fluid == "red_cells" for earlier in steps[:place])
    if step.fluid == "red_cells" and not step.out_ml:
        return "given first without drawing: Hb starts too low to exchange"
    if step.fluid == "red_cells" and place == 0 and flagged:
        return "first, because saline first is off for this person"
    if step.fluid == "red_cells" and place == 0 and any(later.fluid == "saline" for later in steps):
        return "first, because with saline first Hb would fall further"
    if step.fluid == "saline" and not cells_before:
        return "first: what is drawn now holds no donor cells"
    if step.fluid == "saline":
        return "now that Hb has risen, so that it stays over the floor"
    return ""


def one_arm_reason(place: int, steps: Sequence[Step], flagged: bool) -> str:
    """Return why a step of a one-arm session stands where it does; '' for what needs no reason."""
    step, before = steps[place], steps[place - 1] if place else None
    drawn_before = any(earlier.out_ml for earlier in steps[:place])
    if place == 0 and step.fluid == "red_cells" and not flagged:
        return "given first without drawing: Hb starts too low to exchange"
    if place == 0 and flagged:
        return GIVEN_FIRST
    if step.out_ml and not drawn_before and not flagged:
        return "drawn first, given after, through the same arm"
    if step.out_ml and place + 1 == len(steps) and before is not None and before.in_ml and not flagged:
        return "not given back: Hb would stay too high"
    return ""


def duration_words(minutes: float, rest_hours: float, how: str = "by hand") -> str:
    """Return 'about 3 h 45 by hand and an hour’s rest', to the quarter of an hour; how: by hand or on the machine."""
    quarters = max(1, round(minutes / 15))
    hours, left = divmod(quarters * 15, 60)
    worded = f"{hours} h {left:02d}" if hours and left else f"{hours} h" if hours else f"{left} min"
    if rest_hours <= 0:
        return f"about {worded} {how}"
    rest = "an hour’s rest" if rest_hours == 1 else f"{rest_hours:g} hours’ rest"
    return f"about {worded} {how} and {rest}"


def steps_words(count: int) -> str:
    """Return 'one step' or 'five steps'."""
    return f"{count_words(count)} step{'' if count == 1 else 's'}"
