"""A session laid out by hand, step by step: what it does, how sure that is, and every limit at every moment.

Arithmetic: `sessions.numeric.exchange` and `sessions.numeric.uncertainty`; limits: `planning.numeric.limits`, judged at
the unfavourable tenth as the planner judges them, Hb in whole g/L as it is measured. Between two moments Hb never turns
(`exchange`), so the ends of the steps hold its extremes. In two arms blood is drawn bag by bag and the fluid follows,
so the balance dips by as much as one draw runs ahead: after draw k of a step it is
b + in·(d₁ + … + dₖ₋₁)/out − (d₁ + … + dₖ), with b as the step begins (mass balance; chosen here as the worst case).
"""

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from programme.planning.numeric import automated
from programme.planning.numeric.limits import HIGH_HBS_PCT, WORDS, Limits, hb_after_warn
from programme.planning.numeric.search import UNFAVOURABLE_TENTH, Before, Cells
from sessions.day.numeric.draft import KEPT, STOPPED, WARNED
from sessions.numeric.exchange import run_many
from sessions.numeric.uncertainty import outcome_spread

SETTING_OF = {
    "hb_after": "hard_hb_after", "rise": "hard_hb_rise", "hb_floor": "hard_hb_floor", "draw": "hard_single_draw",
    "blood_out": "hard_blood_out", "saline": "hard_saline", "balance": "hard_balance",
}  # fmt: skip
"""The site setting that says whether the stop of a limit can be passed; limits without one can, with a reason."""

MOST_STEPS = 40

A_LITTLE_ML = 40.0
"""Nobody draws another bag for less. Chosen here; not from a source."""


@dataclass(frozen=True, slots=True)
class Ground:
    """What a session is judged from. mixing: effective over formula volume. [kg, mL, g/L, %, points, g]"""

    weight_kg: float
    blood_volume_ml: float
    mixing: float
    mixing_rel_sd: float
    hb_g_l: float
    hb_sd_g_l: float
    hbs_pct: float
    hbs_sd_pct: float
    unit_volume_ml: float
    unit_hb_g: float
    early_loss: float
    iron_mg_per_g: float
    draw_ml: float
    rounding_ml: float

    @property
    def unit_hb_g_l(self) -> float:
        return 1000.0 * self.unit_hb_g / self.unit_volume_ml


@dataclass(frozen=True, slots=True)
class Laid:
    """One step as laid out: fluid in and blood out, either may be nothing. hb_g_l: of the fluid, 0 for saline."""

    fluid: str
    in_ml: float
    out_ml: float
    hb_g_l: float = 0.0


@dataclass(frozen=True, slots=True)
class Spread:
    """Eight in ten of what is reckoned lie from p10 to p90."""

    p50: float
    p10: float
    p90: float

    def stored(self, places: int) -> list[float]:
        """As a plan stores it: middle, low, high."""
        return [round(value, places) for value in (self.p50, self.p10, self.p90)]


@dataclass(frozen=True, slots=True)
class Moment:
    """Where one step leaves the person. units: places of the donor units given in it; draws: the bags of blood [mL]."""

    laid: Laid
    units: tuple[int, ...]
    draws: tuple[float, ...]
    hb_g_l: Spread
    hbs_pct: Spread
    balance_ml: float
    balance_without_saline_ml: float


@dataclass(frozen=True, slots=True)
class LimitFound:
    """A limit, how far the session goes, and whether its stop can be passed. state: 'ok', 'warn' or 'stop'."""

    name: str
    words: str
    reached: float
    allowed: float
    unit: str
    state: str
    hard: bool = False

    def stored(self) -> dict[str, Any]:
        """As a plan stores it."""
        return {
            "name": self.name, "words": self.words, "reached": round(self.reached, 1),
            "allowed": round(self.allowed, 1), "unit": self.unit, "state": self.state, "hard": self.hard,
            "setting": SETTING_OF.get(self.name, ""),
        }  # fmt: skip


@dataclass(frozen=True, slots=True)
class Judged:
    """A whole session. hb_settled, hbs: as it ends, volume back at the blood volume; deepest, highest: balance [mL]."""

    moments: tuple[Moment, ...]
    units: int
    hb_settled: Spread
    hb_end_g_l: float
    hbs: Spread
    own_left_pct: float
    donor_kept_pct: float
    net_iron_mg: float
    deepest_ml: float
    highest_ml: float
    limits: tuple[LimitFound, ...]


def judge(ground: Ground, steps: Sequence[Laid], limits: Limits, hard: Mapping[str, bool]) -> Judged:
    """Work out a session laid out by hand and hold it against every limit.

    limits : of this one person, arrays [1]. hard : by setting of `SETTING_OF`, whether nobody can pass that stop.
    Raises ValueError where there is no step, more than MOST_STEPS, or more blood would be drawn than there is.
    """
    if not 1 <= len(steps) <= MOST_STEPS:
        raise ValueError(f"a session has 1 to {MOST_STEPS} steps, not {len(steps)}")
    many, spread = _run(ground, steps)
    if not np.isfinite(many.step_hb).all():
        raise ValueError("more blood would be drawn than there is")
    moments = _moments(ground, steps, many, spread, float(limits.draw_stop_ml[0]))
    settled = _spread(float(many.hb_settled), float(spread.hb_settled[-1]))
    rise_sd = math.sqrt(
        max(float(spread.hb_settled[-1]) ** 2 + ground.hb_sd_g_l**2 * (1.0 - 2.0 * float(many.own_left)), 0.0)
    )
    rise = float(many.hb_settled) - ground.hb_g_l + UNFAVOURABLE_TENTH * rise_sd
    deepest, highest = _balance(moments)
    found = Judged(
        moments=moments,
        units=max((max(moment.units) for moment in moments if moment.units), default=0),
        hb_settled=settled,
        hb_end_g_l=float(many.hb_end),
        hbs=_spread(float(many.hbs_settled), float(spread.hbs[-1]), most=100.0),
        own_left_pct=100.0 * float(many.own_left),
        donor_kept_pct=100.0 * float(many.donor_kept),
        net_iron_mg=float(many.net_iron_mg),
        deepest_ml=deepest,
        highest_ml=highest,
        limits=(),
    )
    return replace(found, limits=_limits(ground, found, limits, rise, hard))


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
    hbs, settled = float(found.hbs_after_pct[0]), _spread(float(found.hb_end_g_l[0]), float(found.hb_end_sd_g_l[0]))
    hbs_sd = hbs * math.hypot(float(found.hbs_ratio_rel_sd[0]), ground.hbs_sd_pct / ground.hbs_pct)
    after = _spread(hbs, hbs_sd, most=100.0)
    cells, out = float(found.red_cells_ml[0]), float(found.blood_out_ml[0])
    laid = Laid("red_cells", round(cells), round(out), ground.unit_hb_g_l)
    moment = Moment(laid, tuple(range(1, units + 1)), (), settled, after, cells - out, cells - out)
    told = Judged(
        moments=(moment,), units=units, hb_settled=settled, hb_end_g_l=settled.p50, hbs=after,
        own_left_pct=100.0 * hbs * settled.p50 / (ground.hbs_pct * ground.hb_g_l), donor_kept_pct=math.nan,
        net_iron_mg=float(found.net_iron_mg[0]), deepest_ml=0.0, highest_ml=0.0, limits=(),
    )  # fmt: skip
    rise = settled.p50 - ground.hb_g_l
    rows = _limits(ground, told, limits, rise, hard)
    return replace(told, limits=tuple(row for row in rows if row.name in ("hb_after", "rise", "units")))


def draws_of(out_ml: float, size_ml: float, most_ml: float = math.inf) -> tuple[float, ...]:
    """Return a volume as bags of the usual size, rounded down to 10 mL; the last may be smaller. [mL]

    What would fill only A_LITTLE_ML of another bag goes into the last ones instead, where they hold no more than
    most_ml.
    """
    if out_ml <= 0.0:
        return ()
    size = max(10.0, 10.0 * math.floor(min(size_ml, most_ml) / 10.0))
    whole = int(out_ml // size)
    rest = out_ml - whole * size
    bags = [size] * whole
    if whole and 0.0 < rest <= A_LITTLE_ML and size + rest <= most_ml:
        bags[-1] += rest
    elif rest >= 0.5:
        bags.append(rest)
    return tuple(bags)


def units_of(steps: Sequence[Laid], unit_volume_ml: float) -> list[tuple[int, ...]]:
    """Return the places of the donor units given in each step, as volumes fill one unit after another."""
    places: list[tuple[int, ...]] = []
    given = 0.0
    for step in steps:
        if step.fluid == "saline" or step.in_ml <= 0.0:
            places.append(())
            continue
        first = math.floor(given / unit_volume_ml + 0.05)
        given += step.in_ml
        last = max(math.ceil(given / unit_volume_ml - 0.05), first + 1)
        places.append(tuple(range(first + 1, last + 1)))
    return places


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
    spread = outcome_spread(
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
    return many, spread


def _moments(ground: Ground, steps: Sequence[Laid], many: Any, spread: Any, draw_stop_ml: float) -> tuple[Moment, ...]:
    places = units_of(steps, ground.unit_volume_ml)
    without = np.cumsum([(s.in_ml if s.fluid == "red_cells" else 0.0) - s.out_ml for s in steps])
    return tuple(
        Moment(
            laid=step,
            units=places[n],
            draws=draws_of(step.out_ml, ground.draw_ml, draw_stop_ml),
            hb_g_l=_spread(float(many.step_hb[n]), float(spread.hb_end[n])),
            hbs_pct=_spread(float(many.step_hbs[n]), float(spread.hbs[n]), most=100.0),
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


def _limits(
    ground: Ground, found: Judged, limits: Limits, rise_g_l: float, hard: Mapping[str, bool]
) -> tuple[LimitFound, ...]:
    saline = sum(m.laid.in_ml for m in found.moments if m.laid.fluid == "saline")
    out = sum(m.laid.out_ml for m in found.moments)
    rise, draw = float(limits.rise_stop_g_l[0]), float(limits.draw_stop_ml[0])
    most_saline, most_out = float(limits.saline_stop_ml[0]), float(limits.blood_out_stop_ml[0])
    balance, units = float(limits.balance_stop_ml[0]), float(limits.units_most[0])
    rows = [
        _hb_after(ground, found, limits),
        _upper("rise", "at the end, in one day", rise_g_l, rise, "g/L"),
        _hb_floor(ground, found, limits),
        _upper("draw", f"one draw ahead; {draw / ground.weight_kg:.1f} mL/kg", -found.deepest_ml, draw, "mL"),
        _upper("balance", f"{balance / ground.weight_kg:.0f} mL/kg", found.highest_ml, balance, "mL"),
        _upper("saline", f"{most_saline / ground.weight_kg:.0f} mL/kg", saline, most_saline, "mL"),
        _upper("blood_out", "drawn in all steps together", out, most_out, "mL"),
        _upper("units", "this person's own or the site's", float(found.units), units, ""),
    ]
    first = _saline_first(found.moments)
    if not limits.saline_first[0] and first > 0.0:
        rows.append(LimitFound("saline_first", f"{WORDS['saline_first']}; off with this person's flag", first, 0.0,
                               "mL", STOPPED))  # fmt: skip
    return tuple(replace(row, hard=bool(hard.get(SETTING_OF.get(row.name, ""), False))) for row in rows)


def _hb_after(ground: Ground, found: Judged, limits: Limits) -> LimitFound:
    """A moment on the way counts only where the session makes it worse than its start."""
    warn = float(hb_after_warn(limits, found.hbs.p50)[0])
    stop = max(float(limits.hb_after_stop_g_l[0]), warn)
    start = ground.hb_g_l + UNFAVOURABLE_TENTH * ground.hb_sd_g_l
    peak = max(moment.hb_g_l.p90 for moment in found.moments)
    end = found.hb_settled.p90
    state = KEPT
    for level, name in ((warn, WARNED), (stop, STOPPED)):
        if _over(end, level) or _over(peak, max(level, start)):
            state = name
    reached = max(end, peak) if peak > start else end
    side = "over" if found.hbs.p50 > HIGH_HBS_PCT else "at or under"
    words = f"{WORDS['hb_after']}; HbS ends {side} {HIGH_HBS_PCT:g} %, nine in ten stay under this"
    return LimitFound("hb_after", words, reached, stop if state == STOPPED else warn, "g/L", state)


def _hb_floor(ground: Ground, found: Judged, limits: Limits) -> LimitFound:
    warn, stop = float(limits.hb_floor_warn_g_l[0]), float(limits.hb_floor_stop_g_l[0])
    start = ground.hb_g_l - UNFAVOURABLE_TENTH * ground.hb_sd_g_l
    lowest = min(start, *(moment.hb_g_l.p10 for moment in found.moments))
    words = "nine in ten stay over this"
    if start < warn:
        words, warn, stop = "no lower than it starts", start, min(stop, start)
    state = STOPPED if _over(stop, lowest) else WARNED if _over(warn, lowest) else KEPT
    allowed = stop if state == STOPPED else warn
    return LimitFound("hb_floor", f"{WORDS['hb_floor']}; {words}", lowest, allowed, "g/L", state)


def _upper(name: str, words: str, reached: float, stop: float, unit: str) -> LimitFound:
    state = STOPPED if _over(reached, stop) else KEPT
    return LimitFound(name, f"{WORDS[name]}; {words}", reached, stop, unit, state)


def _over(value: float, limit: float) -> bool:
    """Whether a figure, as it is printed in whole numbers, lies over a limit."""
    return round(value) > math.floor(limit + 0.5)


def _saline_first(moments: Sequence[Moment]) -> float:
    """Saline that goes in before any red cells. [mL]"""
    total = 0.0
    for moment in moments:
        if moment.laid.fluid == "red_cells" and moment.laid.in_ml > 0.0:
            break
        total += moment.laid.in_ml
    return total


def _spread(middle: float, sd: float, *, most: float = math.inf) -> Spread:
    return Spread(middle, max(middle - UNFAVOURABLE_TENTH * sd, 0.0), min(middle + UNFAVOURABLE_TENTH * sd, most))


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
