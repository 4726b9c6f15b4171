"""Every session worth trying for each person: whole units, saline and order, judged at the unfavourable tenth.

A session is three goes of saline and red cells by turns, in level volume (as much out as in). With V the effective
blood volume and c the Hb of the fluid, a go of `a` mL turns Hb from C to c + (C − c)·e^(−a/V) (Reverberi R, Reverberi
L, Blood Transfus 2007;5:164-74), so what is left of the own cells depends on all the fluid together, and the order
only on how much of today's donor Hb is drawn straight off again. Hb on the way is A·Hb before + B·c with A and B from
the volumes alone, from which the spread follows to first order in Hb before, Hb of the units and V.

Where Hb starts near or above 100 g/L a level session overshoots; then blood is drawn at the end without return, as in
the manual scheme of Swerdlow PS, Hematology ASH Educ Program 2006:48-53. That leaves HbS % as it is and settled Hb
lower.
"""

from collections.abc import Callable, Sequence
from dataclasses import dataclass, fields
from functools import cache
from typing import Any

import numpy as np
from numpy.typing import NDArray

from programme.planning.numeric.limits import Limits, hb_after_warn
from programme.planning.numeric.one_arm import parts_of, washed
from sessions.numeric.exchange import IRON_MG_PER_G

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Bools = NDArray[np.bool_]

UNFAVOURABLE_TENTH = 1.2815515655446004  # standard normal deviate of 90 in 100
SALINE_LEVELS = 9  # from none to the person's limit
COLUMNS_AT_ONCE = 100  # people times numbers of units followed together, so that the processor's cache holds them
STEPS = 6  # saline, cells, saline, cells, saline, cells
HIGH_START_HB_G_L = 100.0  # from here on blood is drawn at the end (Swerdlow 2006: near or above 100)
SETTLED_GOAL_G_L = 95.0  # that draw leaves no less than this; chosen here
COMFORTABLE_HB_G_L = 95.0  # Hb may be left lower than before down to this; chosen here

ORDERS = (
    "saline first",
    "saline first as far as the floor allows, the rest after one unit",
    "saline first as far as the floor allows, the rest after half of the units",
    "half of the saline first, half after half of the units",
    "a third of the saline first, then by turns",
    "one unit, then saline",
    "one unit, then saline in two goes",
    "one unit, saline as far as the floor allows, then by turns",
    "a third of the units, then saline in two goes",
    "a third of the units, saline as far as the floor allows, then by turns",
    "half of the units, then saline",
    "all units but one, then saline",
    "saline last",
)
SALINE_FIRST, SALINE_LAST = 0, len(ORDERS) - 1
_STARTS_WITH_SALINE = np.array([True] * 5 + [False] * 8)


@dataclass(frozen=True, slots=True)
class Before:
    """Each person as the next session begins, arrays [P]; standard deviations say how sure the figures are."""

    hb_g_l: Floats
    hb_sd_g_l: Floats
    blood_volume_ml: Floats  # by formula
    mixing: Floats  # effective over formula volume
    mixing_rel_sd: Floats

    def take(self, people: Any) -> "Before":
        """These people only (indices or mask)."""
        return Before(**{f.name: getattr(self, f.name)[people] for f in fields(self)})


@dataclass(frozen=True, slots=True)
class Cells:
    """The red cell units of the site."""

    unit_ml: float
    hb_g_l: float
    unit_hb_rel_sd: float  # of one unit
    early_loss: float = 0.0  # share of donor cells lost in the first day
    rounding_ml: float = 10.0
    iron_mg_per_g: float = IRON_MG_PER_G


@dataclass(frozen=True, slots=True)
class Followed:
    """What sessions do, arrays [..., P]. `_high` and `_low` are the unfavourable tenth."""

    ratio: Floats  # HbS after over HbS before, early loss taken
    ratio_rel_sd: Floats
    end_draw_ml: Floats  # drawn at the end without return
    hb_end: Floats  # settled, median [g/L]
    end_high: Floats
    peak_high: Floats  # of the ends of all steps, between which Hb never turns
    lowest_low: Floats
    rise_high: Floats


@dataclass(frozen=True, slots=True)
class Judged:
    """Candidate sessions by what they do: axes [units, saline level × order, P]; unit number i stands for i + 1."""

    followed: Followed
    allowed: Bools  # order allowed for the person, units and blood out within their limits
    worth: Floats  # the lower the better: HbS ratio, those that leave Hb lower than before behind all others

    def judged(self, people: Any) -> "Judged":
        """The sessions of these people only (indices)."""
        followed = {f.name: getattr(self.followed, f.name).take(people, axis=-1) for f in fields(Followed)}
        return Judged(Followed(**followed), self.allowed.take(people, axis=-1), self.worth.take(people, axis=-1))


@dataclass(frozen=True, slots=True)
class Menu(Judged):
    """The same with their volumes."""

    volumes: Floats  # [units, STEPS, candidates, P], mL in and out


def follow(
    before: Before, cells: Cells, volumes_ml: Floats, units: Any, draw_most_ml: Any = 0.0, parts: Floats | None = None
) -> Followed:
    """Work out level sessions of saline and red cells by turns, and the draw at the end where Hb starts high.

    volumes_ml : [STEPS, ..., P], in and out alike, saline on even steps and red cells on odd ones. [mL]
    units : donor units given, broadcasting to [..., P]; more units average their Hb. draw_most_ml : largest draw
    without return, [P]. [mL] parts : of one-arm goes, shaped like volumes_ml (see `one_arm`); None in two arms.
    Returns arrays [..., P]. Formula at the head of this module.
    """
    volume = before.blood_volume_ml * before.mixing
    start, sd_volume = before.hb_g_l, before.mixing_rel_sd
    lead = volumes_ml.shape[1:]
    orders = (1, 1, *lead) if len(lead) == 1 else (int(np.prod(lead[:-2])), *lead[-2:])
    sd_cells = cells.unit_hb_rel_sd * cells.hb_g_l / np.sqrt(np.maximum(units, 1.0))
    sd_of = np.broadcast_to(sd_cells, lead).reshape(orders)
    volumes = volumes_ml.reshape(len(volumes_ml), *orders)
    parts = None if parts is None else parts.reshape(volumes.shape)
    kept = np.ones(volumes.shape[1:])
    donor, by_volume, all_turned = np.zeros_like(kept), np.zeros_like(kept), np.zeros_like(kept)
    hb, spread = start * kept, UNFAVOURABLE_TENTH * before.hb_sd_g_l * kept
    peak, lowest = hb + spread, hb - spread
    for step, goes in enumerate(volumes):
        # Most orders leave some step out; where nothing moves, nothing changes.
        moving = np.flatnonzero((goes > 0.0).any(axis=(0, 2)))
        if not moving.size:
            continue
        at = (slice(None), slice(moving[0], moving[-1] + 1))
        left, turned = washed(goes[at] / volume, None if parts is None else parts[step][at])
        k, d, v, now, wide = kept[at], donor[at], by_volume[at], hb[at], spread[at]  # changed in place
        all_turned[at] += turned
        fluid_hb = cells.hb_g_l if step % 2 else 0.0
        v += (now - fluid_hb) * turned
        for left_of in (v, d, k):
            left_of *= left
        if step % 2:
            d += 1.0 - left
        np.add(start * k, cells.hb_g_l * d, out=now)
        np.sqrt((k * before.hb_sd_g_l) ** 2 + (d * sd_of[at]) ** 2 + (v * sd_volume) ** 2, out=wide)
        wide *= UNFAVOURABLE_TENTH
        # The start counts only for those who begin with another step than this.
        peak[at] = np.maximum(peak[at], now + wide) if step else now + wide
        lowest[at] = np.minimum(lowest[at], now - wide) if step else now - wide
    kept, donor, by_volume, all_turned, spread, peak, lowest = (
        array.reshape(lead) for array in (kept, donor, by_volume, all_turned, spread, peak, lowest)
    )
    fresh = cells.hb_g_l * donor * (1.0 - cells.early_loss)
    end = start * kept + fresh
    log_by_volume = all_turned - by_volume / end
    share = fresh / end
    rel = np.sqrt(
        (log_by_volume * sd_volume) ** 2
        + (share * before.hb_sd_g_l / start) ** 2
        + (share * sd_cells / cells.hb_g_l) ** 2
    )
    wanted = np.where(start >= HIGH_START_HB_G_L, volume * np.maximum(1.0 - SETTLED_GOAL_G_L / end, 0.0), 0.0)
    draw = _rounded_down(np.minimum(wanted, draw_most_ml), cells.rounding_ml)
    settles = 1.0 - draw / volume
    end_sd = settles * spread / UNFAVOURABLE_TENTH
    rise_sd = np.sqrt(end_sd**2 + before.hb_sd_g_l**2 * (1.0 - 2.0 * kept * settles))
    return Followed(
        ratio=start * kept / end,
        ratio_rel_sd=rel,
        end_draw_ml=draw,
        hb_end=settles * end,
        end_high=settles * end + UNFAVOURABLE_TENTH * end_sd,
        peak_high=peak,
        lowest_low=lowest,
        rise_high=settles * end - start + UNFAVOURABLE_TENTH * rise_sd,
    )


def build_menu(before: Before, cells: Cells, limits: Limits, *, most_units: int | None = None) -> Menu:
    """Try every number of units up to the limits with every amount of saline and every order.

    most_units : at most so many units, else the greatest of the limits. Saline goes from none to each person's limit in
    SALINE_LEVELS steps, rounded to the site's rounding. Returns axes [units, candidates, P]; raises nothing, nan gives
    candidates that keep no limit.
    """
    most = int(most_units if most_units is not None else max(limits.units_most.max(initial=1.0), 1.0))
    amounts = _rounded_down(np.linspace(0.0, 1.0, SALINE_LEVELS)[:, None] * limits.saline_stop_ml, cells.rounding_ml)
    room = cache(Room(before, cells, limits.hb_floor_warn_g_l, limits.part_ml).after)
    volumes = lay_out(most, amounts, room, cells)
    flat = volumes.reshape(most, STEPS, SALINE_LEVELS * len(ORDERS), volumes.shape[-1])
    units = np.arange(1.0, most + 1.0)
    # Who may not be depleted first is not left short of volume at the end either.
    # Two roundings stay free for what the steps before have drawn more than they gave.
    last_draw = np.where(limits.saline_first, np.maximum(limits.draw_stop_ml - 2.0 * cells.rounding_ml, 0.0), 0.0)
    one_arm = bool(np.isfinite(limits.part_ml).any())
    runs = []
    several = max(COLUMNS_AT_ONCE // max(volumes.shape[-1], 1), 1)
    for start in range(0, most, several):
        some = slice(start, start + several)
        goes = volumes[some].swapaxes(0, 1)
        parts = parts_of(goes, cells.unit_ml, limits.part_ml) if one_arm else None
        runs.append(follow(before, cells, goes, units[some, None, None, None], last_draw, parts))
    shape = (most, *flat.shape[2:])
    followed = Followed(
        **{f.name: np.concatenate([getattr(run, f.name) for run in runs]).reshape(shape) for f in fields(Followed)}
    )
    first = np.tile(_STARTS_WITH_SALINE, SALINE_LEVELS)[:, None] & (flat[:, 0] > 0.0)
    allowed = (
        (limits.saline_first | ~first)
        & (units[:, None, None] <= limits.units_most)
        & (flat.sum(axis=1) + followed.end_draw_ml <= limits.blood_out_stop_ml)
    )
    return Menu(followed, allowed, _worth(before, followed), flat)


def _worth(before: Before, followed: Followed) -> Floats:
    kept = np.minimum(before.hb_g_l, COMFORTABLE_HB_G_L)
    behind = 1.0 + followed.ratio + (kept - followed.hb_end)
    return np.where(followed.hb_end >= kept - 0.5, followed.ratio, behind)


def lay_out(most_units: int, saline_ml: Floats, room: Callable[[int], Floats], cells: Cells) -> Floats:
    """Volumes of every order for 1 to `most_units` and the amounts of saline, [units, STEPS, levels, orders, P].

    saline_ml : [levels, P]. room : saline that fits before the floor, by the units that came before it.
    """
    goes = [_goes(units) for units in range(1, most_units + 1)]
    out = np.zeros((most_units, STEPS, saline_ml.shape[0], len(ORDERS), saline_ml.shape[1]))
    red_cells = np.array([[order[0] for order in orders] for orders in goes], dtype=float)
    out[:, 1::2] = cells.unit_ml * red_cells.swapaxes(1, 2)[:, :, None, :, None]
    for order in range(len(ORDERS)):
        cut = goes[0][order][2]
        before = [orders[order][0][0] if cut > 0 else 0 for orders in goes]  # units before the saline is cut off
        for units in set(before):
            rows = np.array(before) == units
            if cut >= 0:
                first = np.minimum(saline_ml, room(units))
                saline = {cut: first, cut + 1: saline_ml - first}  # what is cut off at the floor goes into the next
            else:
                saline = _saline_goes(saline_ml, goes[0][order][1], cells)
            for go, given in saline.items():
                out[rows, 2 * go, :, order] = given
    return out


_Go = tuple[tuple[int, int, int], Sequence[float], int]


def _goes(units: int) -> tuple[_Go, ...]:
    """How `units` and saline are shared out over three goes, in the order of ORDERS.

    Red cell units of the goes; saline of the goes as shares; the go that is cut off at the floor, −1 for none.
    """
    third, half = -(-units // 3), -(-units // 2)
    by_thirds = (third, -(-(units - third) // 2), units - third - -(-(units - third) // 2))
    by_one = (1, units // 2, units - 1 - units // 2)
    by_half, all_first, one_first = (half, units - half, 0), (units, 0, 0), (1, units - 1, 0)
    all_but_one = (units - 1, 1, 0) if units > 1 else all_first  # of one unit, saline would come before all cells
    return (
        (all_first, (1.0, 0.0, 0.0), -1),
        (one_first, (1.0, 0.0, 0.0), 0),
        (by_half, (1.0, 0.0, 0.0), 0),
        (by_half, (0.5, 0.5, 0.0), -1),
        (by_thirds, (1 / 3, 1 / 3, 1 / 3), -1),
        (one_first, (0.0, 1.0, 0.0), -1),
        (by_one, (0.0, 0.5, 0.5), -1),
        (by_one, (0.0, 1.0, 0.0), 1),
        (by_thirds, (0.0, 0.5, 0.5), -1),
        (by_thirds, (0.0, 1.0, 0.0), 1),
        (by_half, (0.0, 1.0, 0.0), -1),
        (all_but_one, (0.0, 1.0, 0.0), -1),
        (all_first, (0.0, 1.0, 0.0), -1),
    )


def _saline_goes(total: Floats, shares: Sequence[float], cells: Cells) -> dict[int, Floats]:
    """Saline of the goes that have any; the last of them takes what rounding leaves."""
    *others, last = (go for go, share in enumerate(shares) if share > 0.0)
    parts = {go: _rounded_down(shares[go] * total, cells.rounding_ml) for go in others}
    parts[last] = total - sum(parts.values())
    return parts


@dataclass(frozen=True, slots=True)
class Room:
    """Saline that fits before nine in ten would no longer stay over the warning floor of Hb."""

    before: Before
    cells: Cells
    floor_g_l: Floats
    part_ml: Floats

    def after(self, units: int) -> Floats:
        """That saline after `units` have been given first, [P], rounded down. [mL]"""
        start, cells = self.before, self.cells
        volume = start.blood_volume_ml * start.mixing
        donor = 1.0 - np.exp(-units * cells.unit_ml / volume)
        hb = start.hb_g_l * (1.0 - donor) + cells.hb_g_l * donor
        sd_cells = donor * cells.hb_g_l * cells.unit_hb_rel_sd / np.sqrt(max(units, 1))
        sd_volume = (cells.hb_g_l - start.hb_g_l) * donor * start.mixing_rel_sd  # about: d(1 − e^−x) for small x
        low = hb - UNFAVOURABLE_TENTH * np.sqrt(((1.0 - donor) * start.hb_sd_g_l) ** 2 + sd_cells**2 + sd_volume**2)
        surely = volume * (1.0 - UNFAVOURABLE_TENTH * start.mixing_rel_sd)
        # In one arm saline meets a volume that is smaller by what was drawn for it.
        surely = surely - np.where(np.isfinite(self.part_ml), np.maximum(self.part_ml, 0.0), 0.0)
        with np.errstate(invalid="ignore", divide="ignore"):
            room = surely * np.log(np.maximum(low / self.floor_g_l, 1.0))
        return _rounded_down(room, cells.rounding_ml)


WARN, STOP = 0, 1


def broken(menu: Judged, before: Before, limits: Limits, hbs_before_pct: Floats, severity: int) -> dict[str, Bools]:
    """Which candidates pass which limit, by the names of `limits.WORDS`, each [units, candidates, P].

    hbs_before_pct : HbS before the session, [P]; the Hb limit depends on HbS after. severity : WARN or STOP.
    A moment counts only where the session makes it worse than the start: Hb may stand under its floor while it rises.
    """
    f = menu.followed
    if severity == WARN:
        cap = hb_after_warn(limits, f.ratio * hbs_before_pct)
        floor = limits.hb_floor_warn_g_l
    else:
        cap, floor = limits.hb_after_stop_g_l, limits.hb_floor_stop_g_l
    spread = UNFAVOURABLE_TENTH * before.hb_sd_g_l
    start_high, start_low = before.hb_g_l + spread, before.hb_g_l - spread
    return {
        "hb_after": ~((f.end_high <= cap) & (f.peak_high <= np.maximum(cap, start_high))),
        "hb_floor": ~(f.lowest_low >= np.minimum(floor, start_low)),
        "rise": ~(f.rise_high <= limits.rise_stop_g_l),
    }


def keeping(menu: Judged, passed: dict[str, Bools]) -> Bools:
    """The candidates that are allowed and pass none of these limits, [units, candidates, P]."""
    ok = menu.allowed.copy()
    for which in passed.values():
        ok &= ~which
    return ok


def holds(menu: Judged, before: Before, limits: Limits, hbs_before_pct: Floats, severity: int) -> Bools:
    """Whether each candidate keeps every limit of that severity, [units, candidates, P]."""
    return keeping(menu, broken(menu, before, limits, hbs_before_pct, severity))


def _rounded_down(value: Any, step_ml: float) -> Floats:
    return np.asarray(np.floor(np.asarray(value) / step_ml + 1e-9) * step_ml)
