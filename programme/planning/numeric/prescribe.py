"""The session for an end target: fewest whole units, and the saline and order that bring HbS there inside every limit.

Of the sessions that need the fewest units, the one is taken that leaves HbS lowest without leaving Hb lower than it
was, or than COMFORTABLE_HB_G_L: saline costs no blood, and what it takes off HbS today is spared in units at the next
visit, while Hb that is kept level keeps iron level. Chosen here; not from a source. Hb and HbS are judged at the
unfavourable tenth (see `search`).
"""

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from programme.planning.numeric.limits import Limits
from programme.planning.numeric.one_arm import cut_up
from programme.planning.numeric.search import STOP, WARN, Before, Cells, Judged, Menu, build_menu, holds
from sessions.numeric.exchange import run_many

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Bools = NDArray[np.bool_]

WARN_HELD, STOP_HELD, NO_PLAN = 0, 1, 2
WORTH_A_WARNING = 1.0  # points of HbS; chosen here
LARGEST_TOPUP_RISE_G_L = 20.0  # chosen here: no more than about two units in an adult
_STEP_SALINE = np.array([False, True, False, True, False, True, False, True])


@dataclass(frozen=True, slots=True)
class Prescriptions:
    """One session for each person, arrays [P]; nan and 0 where there is no plan inside the limits."""

    standing: Ints  # WARN_HELD, STOP_HELD (some warning is passed) or NO_PLAN
    reached: Bools  # the end target is reached in this one session
    units: Ints  # whole donor units, a top-up first included
    in_ml: Floats  # [P, 8] goes: top-up, saline and red cells by turns, and nothing against the draw at the end
    out_ml: Floats
    fluid_hb_g_l: Floats  # 0 for saline
    candidate: Ints  # which of the menu's, −1 for none
    hbs_after_pct: Floats  # median
    hb_settled_g_l: Floats
    ratio_rel_sd: Floats
    end_high_g_l: Floats  # unfavourable tenth, as in the next three
    peak_high_g_l: Floats
    lowest_low_g_l: Floats
    rise_high_g_l: Floats
    net_iron_mg: Floats
    unit_ml: Floats  # volume of a unit, and what volumes are rounded to
    rounding_ml: Floats
    part_ml: Floats  # of one-arm sessions, as `Limits.part_ml`
    deepest_deficit_ml: Floats
    largest_excess_ml: Floats

    @property
    def saline_ml(self) -> Floats:
        """Saline given, [P]."""
        return self._part(saline=True)

    @property
    def red_cells_ml(self) -> Floats:
        """Red cells given, [P]."""
        return self._part(saline=False)

    @property
    def blood_out_ml(self) -> Floats:
        """Blood drawn, [P]."""
        return np.asarray(self.out_ml.sum(axis=1))

    def steps(self, p: int) -> tuple[tuple[float, float, float], ...]:
        """The steps of person p in order, (in_ml, out_ml, Hb of the fluid) each; a one-arm session draws and gives."""
        return cut_up(
            self.in_ml[p],
            self.out_ml[p],
            self.fluid_hb_g_l[p],
            unit_ml=float(self.unit_ml[p]),
            part_ml=float(self.part_ml[p]),
            rounding_ml=float(self.rounding_ml[p]),
        )

    def _part(self, *, saline: bool) -> Floats:
        return np.asarray(self.in_ml[:, saline == _STEP_SALINE].sum(axis=1))


@dataclass(frozen=True, slots=True)
class Reach:
    """What each number of units can do for each person while every warning is held, [units, P]."""

    units: Floats  # whole units: 1, 2, …, and more where a top-up comes first (see `with_top_up`)
    ratio: Floats  # lowest HbS after over before, never higher for more units; inf where there is no plan
    hb_end_g_l: Floats
    candidate: Ints


@dataclass(frozen=True, slots=True)
class LowStart:
    """People whose Hb is so low that a small top-up comes first."""

    before: Before  # Hb as the exchange itself begins
    topup_ml: Floats  # [P], 0 for most
    topup_units: Floats  # whole units opened for it, [P]
    hbs_factor: Floats  # HbS after the top-up over HbS before it
    limits: Limits  # what the top-up leaves of the rise in the day and of the units


@dataclass(frozen=True, slots=True)
class Tried:
    """The sessions worth trying for each person, and what each of them starts from."""

    cells: Cells
    start: LowStart
    menu: Menu


def try_sessions(before: Before, cells: Cells, limits: Limits) -> Tried:
    """Try sessions of every size for everybody, after a top-up where Hb starts too low."""
    start = low_start(before, cells, limits)
    return Tried(cells, start, build_menu(start.before, cells, start.limits))


def low_start(before: Before, cells: Cells, limits: Limits) -> LowStart:
    """Where Hb starts under its low mark, the top-up that lifts it towards the warning floor, volume settled back.

    mL = V·ΔHb/Hb of the unit, made up to whole units. It is given without drawing, so it is no more than the excess
    that is allowed on the way, and lifts Hb by at most LARGEST_TOPUP_RISE_G_L; whoever is too small for one unit within
    that has a part of one, and the rest of that unit is not given. (Volume settling back gives 3.6 mL/kg for 10 g/L at
    70 mL/kg; measured in children are 4 to 5: Davies P et al., Transfusion 2007;47:212-6, Cornell N et al., J Pediatr
    Hematol Oncol 2017;39:e388-90.)
    """
    short = np.maximum(limits.hb_floor_warn_g_l - before.hb_g_l, 0.0)
    volume = before.blood_volume_ml * before.mixing
    ml_per_g_l = volume / cells.hb_g_l
    wanted = np.where(before.hb_g_l < limits.low_start_hb_g_l, ml_per_g_l * short, 0.0)
    # Two roundings stay free for what later steps give more than they draw.
    room = np.minimum(ml_per_g_l * LARGEST_TOPUP_RISE_G_L, limits.balance_stop_ml - 2.0 * cells.rounding_ml)
    whole = np.minimum(np.ceil(wanted / cells.unit_ml - 1e-9), np.floor(room / cells.unit_ml + 1e-9))
    step = cells.rounding_ml
    part = np.minimum(np.ceil(wanted / step) * step, np.floor(np.maximum(room, 0.0) / step) * step)
    topup = np.where(whole >= 1.0, whole * cells.unit_ml, np.where(wanted > 0.0, part, 0.0))
    units = np.where(topup > 0.0, np.maximum(whole, 1.0), 0.0)
    after = before.hb_g_l + topup * cells.hb_g_l / volume
    left = replace(
        limits,
        # The exchange then runs in a larger volume and gives up less of its donor cells than the search reckons, so its
        # share of the rise is held lower by as much.
        rise_stop_g_l=(limits.rise_stop_g_l - (after - before.hb_g_l)) * (1.0 - topup / volume),
        units_most=limits.units_most - units,
    )
    return LowStart(replace(before, hb_g_l=after), topup, units, before.hb_g_l / after, left)


def with_top_up(reach: Reach, start: LowStart) -> Reach:
    """The same for whole sessions: with the units of a top-up, and HbS before it as that before."""
    return replace(reach, units=reach.units + start.topup_units, ratio=reach.ratio * start.hbs_factor)


def reach_of(menu: Judged, before: Before, limits: Limits, hbs_before_pct: Floats, severity: int = WARN) -> Reach:
    """The lowest HbS each number of units can leave, of the candidates that keep all limits of `severity`."""
    return best_of(menu, holds(menu, before, limits, hbs_before_pct, severity))


def best_of(menu: Judged, ok: Bools) -> Reach:
    """The lowest HbS each number of units can leave, of the candidates in `ok`."""
    worth = np.where(ok, menu.worth, np.inf)
    candidate = worth.argmin(axis=1)
    lowest = _pick(worth, candidate)
    real = np.where(np.isfinite(lowest), _pick(menu.followed.ratio, candidate), np.inf)
    return Reach(
        units=np.broadcast_to(np.arange(1.0, len(real) + 1.0)[:, None], real.shape).copy(),
        ratio=np.minimum.accumulate(real, axis=0),
        hb_end_g_l=_pick(menu.followed.hb_end, candidate),
        candidate=np.where(np.isfinite(lowest), candidate, -1),
    )


def prescribe(
    *, before: Before, hbs_before_pct: Floats, end_target_pct: Floats, cells: Cells, limits: Limits
) -> Prescriptions:
    """One session for each person that brings HbS to the end target with every limit held.

    hbs_before_pct, end_target_pct : [P], points of %. Where no session reaches the target with all warnings held, one
    inside the stops is taken and says so; where none reaches it at all, the one that comes nearest.
    Returns arrays [P]. Formula: `search.follow` for the choice, `exchange.run_many` for the figures of the chosen.
    """
    return chosen_from(try_sessions(before, cells, limits), before, hbs_before_pct, end_target_pct)


def chosen_from(tried: Tried, before: Before, hbs_before_pct: Floats, end_target_pct: Floats) -> Prescriptions:
    """As `prescribe`, from sessions already tried."""
    cells, start, menu = tried.cells, tried.start, tried.menu
    begins = hbs_before_pct * start.hbs_factor
    with np.errstate(invalid="ignore", divide="ignore"):
        need = end_target_pct / begins
    number, candidate, standing, reached = _choose(menu, start.before, start.limits, begins, need)
    return _written_out(menu, number, candidate, standing, reached, start, before, hbs_before_pct, cells)


def fewest_units(reach: Reach, need: Floats) -> Ints:
    """Index of the fewest units whose HbS ratio is at or under `need` [P, ...]; the number of rows where none is."""
    ratio = reach.ratio.reshape(reach.ratio.shape + (1,) * (need.ndim - 1))
    return np.asarray((ratio > need + 1e-9).sum(axis=0))


def _choose(menu: Menu, before: Before, limits: Limits, begins: Floats, need: Floats) -> tuple[Ints, Ints, Ints, Bools]:
    """Units (index), candidate, standing and whether the need is met.

    In order: all warnings held and the need met; inside the stops and the need met; as near as may be, passing warnings
    only where that leaves HbS lower by WORTH_A_WARNING points.
    """
    number, candidate, reached = _fewest(reach_of(menu, before, limits, begins, WARN), need)
    standing = np.where(candidate >= 0, WARN_HELD, NO_PLAN)
    short = np.flatnonzero(~reached)
    if short.size:
        few = menu.judged(short)
        wider = reach_of(few, before.take(short), limits.take(short), begins[short], STOP)
        units, which, met = _fewest(wider, need[short])
        nearer = wider.ratio.min(axis=0) < _lowest(menu, number, candidate)[short] - WORTH_A_WARNING / begins[short]
        better = (which >= 0) & (met | nearer)
        some = short[better]
        number[some], candidate[some], reached[some] = units[better], which[better], met[better]
        standing[some] = STOP_HELD
    return number, candidate, standing, reached


def _lowest(menu: Menu, number: Ints, candidate: Ints) -> Floats:
    ratio = menu.followed.ratio[number, np.maximum(candidate, 0), np.arange(len(number))]
    return np.where(candidate >= 0, ratio, np.inf)


def _fewest(reach: Reach, need: Floats) -> tuple[Ints, Ints, Bools]:
    """Units (index), candidate and whether the need is met; where it is not, the session that comes nearest."""
    people = np.arange(len(need))
    index = fewest_units(reach, need)
    reached = index < len(reach.ratio)
    index = np.where(reached, index, reach.ratio.argmin(axis=0))
    return index, reach.candidate[index, people], reached


def _pick(values: Floats, candidate: Ints) -> Floats:
    return np.asarray(np.take_along_axis(values, candidate[:, None], axis=1)[:, 0])


def _written_out(
    menu: Menu,
    number: Ints,
    candidate: Ints,
    standing: Ints,
    reached: Bools,
    start: LowStart,
    before: Before,
    hbs_before_pct: Floats,
    cells: Cells,
) -> Prescriptions:
    people = np.arange(len(number))
    given = standing != NO_PLAN
    in_ml = np.zeros((len(people), 8))
    in_ml[:, 0] = start.topup_ml
    in_ml[:, 1:7] = menu.volumes[number, :, candidate, people]
    in_ml[~given] = 0.0
    out_ml = np.round(in_ml / cells.rounding_ml) * cells.rounding_ml
    out_ml[:, 0] = 0.0  # a top-up is given, nothing is drawn
    out_ml[:, 7] = np.where(given, menu.followed.end_draw_ml[number, candidate, people], 0.0)
    fluid_hb = np.where(_STEP_SALINE, 0.0, cells.hb_g_l) * (in_ml > 0.0)
    part_ml = start.limits.part_ml
    fluid_in, blood_out, hb_in = _carried_out(in_ml, out_ml, fluid_hb, part_ml, cells)
    done = run_many(
        blood_volume_ml=before.blood_volume_ml,
        hb_g_l=before.hb_g_l,
        hbs_pct=hbs_before_pct,
        in_ml=fluid_in,
        out_ml=blood_out,
        cells_hb_g_l=hb_in,
        mixing=before.mixing,
        early_loss=cells.early_loss,
        iron_mg_per_g=cells.iron_mg_per_g,
    )

    def figure(values: Floats) -> Floats:
        return np.where(given, values, np.nan)

    def judged(values: Floats) -> Floats:
        return figure(values[number, candidate, people])

    f = menu.followed
    return Prescriptions(
        standing=standing,
        reached=reached & given,
        units=np.where(given, number + 1 + start.topup_units, 0).astype(np.int64),
        in_ml=in_ml,
        out_ml=out_ml,
        fluid_hb_g_l=fluid_hb,
        candidate=np.where(given, candidate, -1),
        hbs_after_pct=figure(done.hbs_settled),
        hb_settled_g_l=figure(done.hb_settled),
        ratio_rel_sd=judged(f.ratio_rel_sd),
        end_high_g_l=judged(f.end_high),
        peak_high_g_l=judged(f.peak_high),
        lowest_low_g_l=judged(f.lowest_low),
        rise_high_g_l=judged(f.rise_high) + np.where(start.topup_ml > 0.0, start.before.hb_g_l - before.hb_g_l, 0.0),
        net_iron_mg=figure(done.net_iron_mg),
        unit_ml=np.full(len(people), cells.unit_ml),
        rounding_ml=np.full(len(people), cells.rounding_ml),
        part_ml=part_ml,
        deepest_deficit_ml=figure(done.deepest_deficit),
        largest_excess_ml=figure(done.largest_excess),
    )


def _carried_out(
    in_ml: Floats, out_ml: Floats, fluid_hb: Floats, part_ml: Floats, cells: Cells
) -> tuple[Floats, Floats, Floats]:
    """The goes as they are carried out, [P, S] each, with the goes of one-arm sessions cut into draws and returns."""
    if not np.isfinite(part_ml).any():
        return in_ml, out_ml, fluid_hb
    rows = [
        cut_up(*goes, unit_ml=cells.unit_ml, part_ml=float(part), rounding_ml=cells.rounding_ml)
        for *goes, part in zip(in_ml, out_ml, fluid_hb, part_ml, strict=True)
    ]
    steps = np.zeros((len(rows), max(1, *(len(row) for row in rows)), 3))
    for place, row in enumerate(rows):
        steps[place, : len(row)] = np.array(row).reshape(-1, 3)
    return steps[..., 0], steps[..., 1], steps[..., 2]
