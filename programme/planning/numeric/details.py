"""What stands beside a suggestion, to judge it by: the grid of chances, units more or less, limits, other orders.

Everything here follows from the suggestion and the same menu of sessions it was chosen from; nothing new is decided.
"""

from collections.abc import Sequence
from dataclasses import dataclass, fields

import numpy as np
from numpy.typing import NDArray

from programme.core.numeric.words import count_of
from programme.planning.numeric.limits import HIGH_HBS_PCT, WORDS, Limits, hb_after_warn
from programme.planning.numeric.loop import Plan
from programme.planning.numeric.people import PeopleInputs
from programme.planning.numeric.prescribe import (
    NO_PLAN,
    STOP_HELD,
    Prescriptions,
    Reach,
    Tried,
    best_of,
    low_start,
    reach_of,
)
from programme.planning.numeric.risk import Outlook, chance_after
from programme.planning.numeric.search import (
    ORDERS,
    SALINE_FIRST,
    SALINE_LAST,
    STOP,
    UNFAVOURABLE_TENTH,
    WARN,
    Before,
    Cells,
    Menu,
    broken,
    build_menu,
    keeping,
)
from programme.planning.numeric.suggest import END_REL_SD, END_SD_PCT, Suggestions

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

_NOTHING = (float("nan"),) * 5
GRID_DAYS = (-7, -4, -2, 0, 3, 7)  # around the planned interval
GRID_ENDS = (-4, -3, -2, -1, 0, 1, 2, 3)  # around the end target, points
LEAST_UNITS, MORE_UNITS = 3, 2  # rows under and over the suggested number
KEPT, WARNED, STOPPED = "ok", "warn", "stop"


@dataclass(frozen=True, slots=True)
class Grid:
    """Chance of being over at the visit, [P, D, E], for intervals [P, D] and ends achieved [P, E]."""

    days: Ints
    ends_pct: Floats
    chance: Floats


@dataclass(frozen=True, slots=True)
class UnitsRow:
    """What this many units would do for one person; `limit` names what no order of steps keeps, or is ''."""

    units: int
    hbs_pct: float
    points: float
    hb_g_l: float
    out_ml: float
    chance: float
    limit: str


@dataclass(frozen=True, slots=True)
class LimitRow:
    """A limit, what the suggested session reaches at the unfavourable tenth, and what is allowed."""

    name: str
    words: str
    reached: float
    allowed: float
    unit: str
    state: str


def risk_grid(outlook: Outlook, people: PeopleInputs, said: Suggestions) -> Grid:
    """The chance for intervals around the planned one and ends around the target, mixed over the reckoned end."""
    planned = np.maximum(said.interval_after_days, 7)
    days = np.maximum(planned[:, None] + np.array(GRID_DAYS), 7)
    days = np.maximum.accumulate(np.where(np.diff(days, axis=1, prepend=0) > 0, days, days + 1), axis=1)
    centre = np.floor(np.nan_to_num(said.end_target_pct, nan=12.0))
    ends = np.maximum(centre[:, None], 6.0) + np.array(GRID_ENDS, dtype=float)
    end_sd = np.hypot(END_REL_SD * ends, END_SD_PCT)[:, None, :]
    shape = (len(planned), len(GRID_DAYS), len(GRID_ENDS))
    chance = chance_after(
        outlook,
        np.broadcast_to(days[:, :, None].astype(float), shape),
        np.broadcast_to(ends[:, None, :], shape),
        np.broadcast_to(end_sd, shape),
        people.ceiling_pct[:, None, None],
        people.attendance,
    )
    return Grid(days, ends, chance)


@dataclass(frozen=True, slots=True)
class Weighed:
    """The menu of everyone's sessions, and which of them keep the warnings, for the tables below.

    limits: as they stand once a top-up is given, whose whole units are topup_units. People whose suggested session
    passes a warning, because none keeps them all, are judged by the stops in `bars` and `reach`.
    """

    menu: Menu
    before: Before
    limits: Limits
    hbs_begins_pct: Floats
    ok: NDArray[np.bool_]
    bars: Ints  # place in WORDS of the limit that bars most sessions of each number of units, [units, P]
    reach: Reach  # of each number of units after a top-up
    hbs_factor: Floats  # HbS after a top-up over HbS before it, [P]
    topup_units: Ints
    iron_mg_per_g: float


def weigh(people: PeopleInputs, tried: Tried, said: Suggestions) -> Weighed:
    """Mark, of the sessions tried for these people, those that keep every warning, and the best of each size."""
    start, menu = tried.start, tried.menu
    begins = said.hbs_before_pct * start.hbs_factor
    passed = broken(menu, start.before, start.limits, begins, WARN)
    ok = keeping(menu, passed)
    inside, bars = best_of(menu, ok), _bars(passed)
    some = np.flatnonzero(said.plan.standing == STOP_HELD)
    if some.size:
        few, before = menu.judged(some), start.before.take(some)
        passed = broken(few, before, start.limits.take(some), begins[some], STOP)
        wider, bars[:, some] = best_of(few, keeping(few, passed)), _bars(passed)
        for field in fields(Reach):
            getattr(inside, field.name)[:, some] = getattr(wider, field.name)
    return Weighed(
        menu=menu,
        before=start.before,
        limits=start.limits,
        hbs_begins_pct=begins,
        ok=ok,
        bars=bars,
        reach=inside,
        hbs_factor=start.hbs_factor,
        topup_units=start.topup_units.astype(np.int64),
        iron_mg_per_g=tried.cells.iron_mg_per_g,
    )


def _bars(passed: dict[str, NDArray[np.bool_]]) -> Ints:
    """Place in WORDS of the limit that most candidates pass, that of blood out where none is passed, [units, P]."""
    counts = np.stack([which.sum(axis=1) for which in passed.values()])
    names = np.array([_PLACES[name] for name in passed])
    return np.where(counts.any(axis=0), names[counts.argmax(axis=0)], _PLACES["blood_out"])


_PLACES = {name: place for place, name in enumerate(WORDS)}
_LIMIT_WORDS = tuple(
    f"no order of steps keeps the {words}{' allowed' if name == 'blood_out' else ''}" for name, words in WORDS.items()
)


def units_rows(
    weighed: Weighed, people: PeopleInputs, outlook: Outlook, said: Suggestions
) -> list[tuple[UnitsRow, ...]]:
    """For each person the rows of some units fewer and more than suggested, with what each unit buys.

    The row of the suggestion says what the suggestion says, whose volumes are rounded.
    """
    reach = weighed.reach
    n_units, n = reach.ratio.shape
    exchanged = said.plan.units - weighed.topup_units
    own = np.arange(1, n_units + 1)[:, None] == np.where(said.plan.standing != NO_PLAN, exchanged, 0)
    ends = np.where(np.isfinite(reach.ratio), reach.ratio, np.nan) * weighed.hbs_begins_pct
    ends = np.where(own, said.plan.hbs_after_pct, ends)
    chance = chance_of_ends(np.nan_to_num(ends.T, nan=1.0), outlook, people, said)
    out = np.where(own.T, said.plan.blood_out_ml[:, None], _drawn(weighed))
    hb_end = np.where(own, said.plan.hb_settled_g_l, reach.hb_end_g_l)
    before = np.concatenate([weighed.hbs_begins_pct[:, None], ends.T[:, :-1]], axis=1)
    columns = (ends.T, before - ends.T, hb_end.T, out, chance)
    table = np.stack(columns, axis=2).tolist()
    possible = (reach.candidate.T >= 0).tolist()
    given = (said.plan.standing != NO_PLAN).tolist()
    first = weighed.topup_units.tolist()
    shown = [_shown(units, most) for units, most in zip(exchanged.tolist(), weighed.limits.units_most, strict=True)]
    return [
        tuple(
            _units_row(number + first[p], table[p][number])
            if number < n_units and possible[p][number]
            else _units_row(number + first[p], _NOTHING, _limit_words(weighed, number, p))
            for number in shown[p]
        )
        if given[p]
        else ()
        for p in range(n)
    ]


def chance_of_ends(end_pct: Floats, outlook: Outlook, people: PeopleInputs, said: Suggestions) -> Floats:
    """Chance of being over the ceiling after the interval suggested, for sessions that end at this HbS [%], [P, K]."""
    return chance_after(
        outlook,
        np.broadcast_to(said.interval_after_days[:, None].astype(float), end_pct.shape),
        end_pct,
        np.hypot(END_REL_SD * end_pct, END_SD_PCT),
        people.ceiling_pct[:, None],
        people.attendance,
    )


def _drawn(weighed: Weighed) -> Floats:
    """Blood drawn in the best session of each number of units, before volumes are rounded, [P, units]."""
    menu, chosen = weighed.menu, np.maximum(weighed.reach.candidate, 0)
    people_at = np.arange(chosen.shape[1])
    drawn = [
        menu.volumes[i, :, chosen[i], people_at].sum(axis=1) + menu.followed.end_draw_ml[i, chosen[i], people_at]
        for i in range(len(chosen))
    ]
    return np.stack(drawn, axis=1)


def plan_of_choice(
    before: Before, cells: Cells, limits: Limits, ceiling_pct: float, *, interval_days: int, end_target_pct: float,
    passes_warnings: bool = False,
) -> Plan | None:  # fmt: skip
    """What the unit does over the sessions to come of one person, from that person alone; None if nothing is allowed.

    Inside the warnings; inside the stops where the suggested session passes a warning, or no session keeps them.
    """
    start = low_start(before, cells, limits)
    menu, hbs = build_menu(start.before, cells, start.limits), np.array([ceiling_pct])
    for severity in (STOP,) if passes_warnings else (WARN, STOP):
        ratios = reach_of(menu, start.before, start.limits, hbs, severity).ratio[:, 0]
        if np.isfinite(ratios).any():
            plain = tuple(float(ratio) for ratio in ratios * start.hbs_factor)
            iron = (0.0,) * len(plain)
            return Plan(interval_days, end_target_pct, plain, END_REL_SD, iron, float(start.topup_units[0]))
    return None


def year_plans(weighed: Weighed, people: PeopleInputs, said: Suggestions, p: int) -> dict[int, Plan]:
    """What the unit would do over a year for each of one person's choices, by place in `choices.LABELS`."""
    told, reach = said.choices, weighed.reach
    volume_l = float(people.before.blood_volume_ml[p] * people.before.mixing[p]) / 1000.0
    iron = weighed.iron_mg_per_g * (reach.hb_end_g_l[:, p] - float(people.before.hb_g_l[p])) * volume_l
    possible = np.isfinite(reach.ratio[:, p])
    if not possible.any():
        return {}
    return {
        place: Plan(
            interval_days=int(told.interval_days[p, place]),
            end_target_pct=float(told.ends_at_pct[p, place]),
            ratios=tuple(float(ratio) for ratio in reach.ratio[:, p] * weighed.hbs_factor[p]),
            ratio_rel_sd=END_REL_SD,
            iron_mg=tuple(float(mg) for mg in np.where(possible, iron, 0.0)),
            topup_units=float(weighed.topup_units[p]),
        )
        for place in range(told.interval_days.shape[1])
        if told.interval_days[p, place] > 0 and np.isfinite(told.ends_at_pct[p, place])
    }


def _units_row(number: int, figures: Sequence[float], limit: str = "") -> UnitsRow:
    end, points, hb, out, chance = figures
    return UnitsRow(number + 1, end, points, hb, out, chance, limit)


def _shown(units: int, most_units: float) -> range:
    """Indices of the numbers of units shown around the suggested one, up to one more than the person may have."""
    middle = max(units, 1)
    return range(max(middle - LEAST_UNITS, 0), min(middle + MORE_UNITS - 1, int(most_units) + 1))


def _limit_words(weighed: Weighed, number: int, p: int) -> str:
    """Name the limit that bars most of the sessions with this many units."""
    most = float(weighed.limits.units_most[p])
    if number + 1 > most:
        return f"over the {count_of(round(most) + int(weighed.topup_units[p]), 'unit')} allowed"
    return _LIMIT_WORDS[int(weighed.bars[number, p])]


def limit_rows(people: PeopleInputs, said: Suggestions) -> list[tuple[LimitRow, ...]]:
    """The limits of each person's suggested session; empty where there is none."""
    plan, limits = said.plan, people.limits
    # A moment counts only where the session makes it worse than the start.
    starts_low = people.before.hb_g_l - UNFAVOURABLE_TENTH * people.before.hb_sd_g_l
    reached = (
        np.fmax(plan.end_high_g_l, plan.peak_high_g_l), plan.rise_high_g_l, -plan.lowest_low_g_l, plan.saline_ml,
        plan.blood_out_ml, plan.deepest_deficit_ml, plan.units, plan.largest_excess_ml,
    )  # fmt: skip
    warn = _bounds(limits, hb_after_warn(limits, plan.hbs_after_pct), -np.fmin(limits.hb_floor_warn_g_l, starts_low))
    stop = _bounds(limits, limits.hb_after_stop_g_l, -np.fmin(limits.hb_floor_stop_g_l, starts_low))
    given, high = plan.standing != NO_PLAN, plan.hbs_after_pct > HIGH_HBS_PCT
    low = starts_low < limits.hb_floor_warn_g_l
    rows = []
    for p, figures in enumerate(zip(np.stack(reached, axis=1).tolist(), warn, stop, strict=True)):
        words = (_HB_WORDS[int(high[p])], "in one day", _FLOOR_WORDS[int(low[p])], *_WORDS_AFTER_FLOOR)
        lines = list(zip(_NAMES, words, *figures, strict=True))
        # The balance goes over only where fluid is given before blood is drawn.
        lines = lines if plan.part_ml[p] < 0.0 or plan.in_ml[p, 0] > 0.0 else lines[:-1]
        rows.append(tuple(_row(*line) for line in lines) if given[p] else ())
    return rows


_NAMES = ("hb_after", "rise", "hb_floor", "saline", "blood_out", "draw", "units", "balance")
_UNITS = {"saline": "mL", "blood_out": "mL", "draw": "mL", "units": "", "balance": "mL"}
_HB_WORDS = (f"HbS ends at or under {HIGH_HBS_PCT:g} %", f"HbS ends over {HIGH_HBS_PCT:g} %")
_FLOOR_WORDS = ("nine in ten stay over this", "no lower than it starts")
_WORDS_AFTER_FLOOR = (
    "by weight", "drawn in all steps together", "the deepest deficit at any moment",
    "this person's own or the site's", "given before it is drawn",
)  # fmt: skip


def _bounds(limits: Limits, hb_after: Floats, floor: Floats) -> list[list[float]]:
    """The bounds of each person in the order of _NAMES; a floor with its sign turned, so that all are upper ones."""
    columns = (
        hb_after, limits.rise_stop_g_l, floor, limits.saline_stop_ml, limits.blood_out_stop_ml, limits.draw_stop_ml,
        limits.units_most, limits.balance_stop_ml,
    )  # fmt: skip
    table: list[list[float]] = np.stack(columns, axis=1).tolist()
    return table


def _row(name: str, words: str, reached: float, warn: float, stop: float) -> LimitRow:
    state = STOPPED if reached > stop + 0.05 else WARNED if reached > warn + 0.05 else KEPT
    return LimitRow(name, f"{WORDS[name]}; {words}", abs(reached), abs(warn), _UNITS.get(name, "g/L"), state)


def other_orders(weighed: Weighed, people: PeopleInputs, said: Suggestions) -> list[tuple[tuple[str, str], ...]]:
    """What other sessions with the same units would do, (name, sentence), each with why it was not taken; of each."""
    plan, menu, rows = said.plan, weighed.menu, np.arange(len(said.plan.units))
    number, chosen = plan.units - 1 - weighed.topup_units, np.maximum(plan.candidate, 0)
    there = (plan.standing != NO_PLAN) & (number >= 0) & (number < len(menu.volumes))
    number = np.where(there, number, 0)
    saline = menu.volumes[number, 0::2, :, rows].sum(axis=1)
    further = np.abs(saline - saline[rows, chosen][:, None])
    orders = np.arange(saline.shape[1]) % len(ORDERS)
    wanted = (
        ("Saline first", (orders == SALINE_FIRST) & (saline > 0)),
        ("Saline last", (orders == SALINE_LAST) & (saline > 0)),
        ("No saline", saline == 0),
    )
    told: list[list[tuple[str, str]]] = [[] for _ in rows]
    for name, mask in wanted:
        nearest = np.where(mask, further, np.inf).argmin(axis=1)
        which = np.flatnonzero(there & mask.any(axis=1) & ~mask[rows, chosen])
        for p, words in zip(which.tolist(), _compared(weighed, people, plan, number, nearest, which), strict=True):
            units = int(plan.units[p])
            told[p].append((name, f"The same {count_of(units, 'unit')} {'ends' if units == 1 else 'end'} {words}"))
    return [tuple(one) for one in told]


def _compared(
    weighed: Weighed, people: PeopleInputs, plan: Prescriptions, number: Ints, candidate: Ints, which: Ints
) -> list[str]:
    """Where a session of each of the people `which` would end, and why it was not taken.

    What the suggested session does itself, since it starts so low or passes a warning, is held against no other.
    """
    at, followed, limits = (number[which], candidate[which], which), weighed.menu.followed, people.limits
    floor, ceiling = limits.hb_floor_warn_g_l[which], limits.hb_after_warn_g_l[which]
    low, high = followed.lowest_low[at], followed.peak_high[at]
    too_low = low < np.fmin(floor, plan.lowest_low_g_l[which]) - 0.05
    too_high = high > np.fmax(ceiling, plan.peak_high_g_l[which]) + 0.05
    columns = (
        followed.ratio[at] * weighed.hbs_begins_pct[which], low, floor, too_low, high, ceiling, too_high,
        weighed.ok[at], weighed.menu.allowed[at],
    )  # fmt: skip
    return [f"at {end:.1f} %. {_why_not(*others)}" for end, *others in zip(*(c.tolist() for c in columns), strict=True)]


def _why_not(
    low: float, floor: float, too_low: bool, high: float, ceiling: float, too_high: bool, keeps_all: bool, allowed: bool
) -> str:
    if keeps_all:
        return "It keeps every limit too and leaves more HbS or less Hb."
    if too_low:
        return f"Hb could fall to {low:.0f} g/L on the way, under {floor:.0f} g/L."
    if too_high:
        return f"Hb could reach {high:.0f} g/L, over {ceiling:.0f} g/L."
    if not allowed:
        return "It is off for this person, or draws more blood than is allowed."
    return "It passes another limit."
