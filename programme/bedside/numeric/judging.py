"""A session laid out by hand, step by step: what it does, how sure that is, and every limit at every moment.

Arithmetic: `sessions.numeric.exchange` and `sessions.numeric.uncertainty`; limits: `planning.numeric.limits`, judged at
the unfavourable tenth as the planner judges them, Hb in whole g/L as it is measured. Between two moments Hb never turns
(`exchange`), so the ends of the steps hold its extremes. In two arms blood is drawn bag by bag and the fluid follows,
so the balance dips by as much as one draw runs ahead: after draw k of a step it is
b + in·(d₁ + … + dₖ₋₁)/out − (d₁ + … + dₖ), with b as the step begins (mass balance; chosen here as the worst case).
"""

import math
from collections.abc import Mapping, Sequence
from dataclasses import replace
from typing import Any

import numpy as np

from programme.bedside.numeric.held import limits_of, limits_of_totals
from programme.bedside.numeric.laid import Ground, Judged, Laid, Moment, spread, units_of
from programme.planning.numeric import automated
from programme.planning.numeric.draws import draws_of
from programme.planning.numeric.limits import Limits
from programme.planning.numeric.search import UNFAVOURABLE_TENTH, Before, Cells
from sessions.numeric.exchange import run_many
from sessions.numeric.uncertainty import outcome_spread

MOST_STEPS = 40


def judge(ground: Ground, steps: Sequence[Laid], limits: Limits, hard: Mapping[str, bool]) -> Judged:
    """Work out a session laid out by hand and hold it against every limit.

    limits : of this one person, arrays [1]. hard : by setting of `SETTING_OF`, whether nobody can pass that stop.
    Raises ValueError where there is no step, more than MOST_STEPS, or more blood would be drawn than there is.
    """
    if not 1 <= len(steps) <= MOST_STEPS:
        raise ValueError(f"a session has 1 to {MOST_STEPS} steps, not {len(steps)}")
    many, spreads = _run(ground, steps)
    if not np.isfinite(many.step_hb).all():
        raise ValueError("more blood would be drawn than there is")
    moments = _moments(ground, steps, many, spreads, float(limits.draw_stop_ml[0]))
    settled = spread(float(many.hb_settled), float(spreads.hb_settled[-1]))
    rise_sd = math.sqrt(
        max(float(spreads.hb_settled[-1]) ** 2 + ground.hb_sd_g_l**2 * (1.0 - 2.0 * float(many.own_left)), 0.0)
    )
    rise = float(many.hb_settled) - ground.hb_g_l + UNFAVOURABLE_TENTH * rise_sd
    deepest, highest = _balance(moments)
    found = Judged(
        moments=moments,
        units=max((max(moment.units) for moment in moments if moment.units), default=0),
        hb_settled=settled,
        hb_end_g_l=float(many.hb_end),
        hbs=spread(float(many.hbs_settled), float(spreads.hbs[-1]), most=100.0),
        own_left_pct=100.0 * float(many.own_left),
        donor_kept_pct=100.0 * float(many.donor_kept),
        net_iron_mg=float(many.net_iron_mg),
        deepest_ml=deepest,
        highest_ml=highest,
        limits=(),
    )
    return replace(found, limits=limits_of(ground, found, limits, rise, hard))


def judge_automated(
    ground: Ground, *, units: int, hb_end_g_l: float, limits: Limits, hard: Mapping[str, bool]
) -> Judged:
    """Work out an automated session as totals: so many units, the machine set to end at this Hb (`automated.totals`).

    Raises ValueError where so many units cannot end there.
    """
    found = automated.totals(
        _before(ground), np.array([ground.hbs_pct]), np.array([hb_end_g_l]), np.array([float(units)]), _cells(ground)
    )
    if not bool(found.reached[0]) or not 1 <= units <= 20:
        raise ValueError(f"{units} units cannot end at {hb_end_g_l:.0f} g/L")
    hbs, settled = float(found.hbs_after_pct[0]), spread(float(found.hb_end_g_l[0]), float(found.hb_end_sd_g_l[0]))
    hbs_sd = hbs * math.hypot(float(found.hbs_ratio_rel_sd[0]), ground.hbs_sd_pct / ground.hbs_pct)
    after = spread(hbs, hbs_sd, most=100.0)
    cells, out = float(found.red_cells_ml[0]), float(found.blood_out_ml[0])
    laid = Laid("red_cells", round(cells), round(out), ground.unit_hb_g_l)
    moment = Moment(laid, tuple(range(1, units + 1)), (), settled, after, cells - out, cells - out)
    told = Judged(
        moments=(moment,), units=units, hb_settled=settled, hb_end_g_l=settled.p50, hbs=after,
        own_left_pct=100.0 * hbs * settled.p50 / (ground.hbs_pct * ground.hb_g_l), donor_kept_pct=math.nan,
        net_iron_mg=float(found.net_iron_mg[0]), deepest_ml=0.0, highest_ml=0.0, limits=(),
    )  # fmt: skip
    return replace(told, limits=limits_of_totals(ground, told, limits, hard))


def _run(ground: Ground, steps: Sequence[Laid]) -> tuple[Any, Any]:
    """The session, and the spread of the sessions cut off after each of its steps."""
    n, so_far = len(steps), np.tri(len(steps))
    given, drawn = np.array([s.in_ml for s in steps]), np.array([s.out_ml for s in steps])
    cells_hb = np.array([s.hb_g_l if s.fluid == "red_cells" else 0.0 for s in steps])
    known: dict[str, Any] = {
        "blood_volume_ml": ground.blood_volume_ml, "hb_g_l": ground.hb_g_l, "hbs_pct": ground.hbs_pct,
        "mixing": ground.mixing,
    }  # fmt: skip
    many = run_many(
        **known, in_ml=given, out_ml=drawn, cells_hb_g_l=cells_hb, early_loss=ground.early_loss,
        iron_mg_per_g=ground.iron_mg_per_g,
    )  # fmt: skip
    spreads = outcome_spread(
        **known,
        in_ml=so_far * given,
        out_ml=so_far * drawn,
        cells_hb_g_l=np.broadcast_to(cells_hb, (n, n)),
        blood_volume_rel_sd=ground.mixing_rel_sd,
        fluid_in_rel_sd=0.0,  # as the planner does: what scales and pumps add shows at the bedside
        blood_out_rel_sd=0.0,
        unit_hb_g=ground.unit_hb_g,
        hb_sd_g_l=ground.hb_sd_g_l,
        hbs_sd_pct=ground.hbs_sd_pct,
    )
    return many, spreads


def _moments(ground: Ground, steps: Sequence[Laid], many: Any, spreads: Any, draw_stop_ml: float) -> tuple[Moment, ...]:
    places = units_of(steps, ground.unit_volume_ml)
    without = np.cumsum([(s.in_ml if s.fluid == "red_cells" else 0.0) - s.out_ml for s in steps])
    return tuple(
        Moment(
            laid=step,
            units=places[n],
            draws=draws_of(step.out_ml, ground.draw_ml, draw_stop_ml),
            hb_g_l=spread(float(many.step_hb[n]), float(spreads.hb_end[n])),
            hbs_pct=spread(float(many.step_hbs[n]), float(spreads.hbs[n]), most=100.0),
            balance_ml=float(many.step_balance[n]),
            balance_without_saline_ml=float(without[n]),
        )
        for n, step in enumerate(steps)
    )


def _balance(moments: Sequence[Moment]) -> tuple[float, float]:
    """Lowest and highest balance, one draw ahead of the fluid. [mL]"""
    deepest, highest, begins = 0.0, 0.0, 0.0
    for moment in moments:
        drawn = 0.0
        for draw in moment.draws:
            replaced = moment.laid.in_ml * drawn / moment.laid.out_ml
            drawn += draw
            deepest = min(deepest, begins + replaced - drawn)
        begins = moment.balance_ml
        deepest, highest = min(deepest, begins), max(highest, begins)
    return deepest, highest


def _before(ground: Ground) -> Before:
    return Before(
        hb_g_l=np.array([ground.hb_g_l]),
        hb_sd_g_l=np.array([ground.hb_sd_g_l]),
        blood_volume_ml=np.array([ground.blood_volume_ml]),
        mixing=np.array([ground.mixing]),
        mixing_rel_sd=np.array([ground.mixing_rel_sd]),
    )


def _cells(ground: Ground) -> Cells:
    return Cells(
        unit_ml=ground.unit_volume_ml,
        hb_g_l=ground.unit_hb_g_l,
        unit_hb_rel_sd=0.10,
        early_loss=ground.early_loss,
        rounding_ml=ground.rounding_ml,
        iron_mg_per_g=ground.iron_mg_per_g,
    )
