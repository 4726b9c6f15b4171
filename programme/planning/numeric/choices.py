"""How long between sessions, and how low to finish: every interval and number of units at the loop's own steady state.

At interval d with n units at every visit, HbS settles where the session takes off what the gap puts on: end =
r·before and before = median(d, end), with r the lowest ratio n units can leave inside every limit. From there follow,
for each pair, the chance of being over at the visit (attendance allowed for) and visits, units and net iron a year.
Chosen here; not from a source, save that a person's pace is a stable trait (Transfusion 2024;64:685-92).
"""

from dataclasses import dataclass, fields
from typing import Any

import numpy as np
from numpy.typing import NDArray

from programme.planning.numeric.prescribe import Reach
from programme.planning.numeric.risk import RiskTable
from sessions.numeric.exchange import IRON_MG_PER_G

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Bools = NDArray[np.bool_]

DAYS_A_YEAR = 365.25
HYSTERESIS = 0.05  # an accepted interval stands until its chance leaves the accepted one by 5 points
WEEKDAY_REACH_DAYS = 3  # a whole number of weeks is taken when it costs no more days than this
FEWEST_VISITS, LEAST_BLOOD, MOST_MARGIN, HELD = 0, 1, 2, 3
LETTERS = ("F", "L", "M", "N")
LABELS = ("fewest visits", "least blood", "most margin", "the usual interval")


@dataclass(frozen=True, slots=True)
class SteadyStates:
    """Every interval with every number of units, [P, D, N]; nan where no session of n units keeps the limits."""

    days: Floats  # [D]
    end_pct: Floats
    before_pct: Floats
    chance: Floats
    visits_a_year: Floats  # [D]
    units: Floats  # at each visit, [P, N]
    units_a_year: Floats
    iron_mg_a_year: Floats
    within: Bools  # [P, D]: an interval this person may have


@dataclass(frozen=True, slots=True)
class Choices:
    """The labelled choices, [P, 4] in the order of LABELS; interval 0 where there is none."""

    interval_days: Ints
    units: Ints  # at each visit
    ends_at_pct: Floats
    chance: Floats  # a visit
    once_a_year: Floats  # at least once
    over_visits_a_year: Floats  # expected visits over
    days_over_a_year: Floats  # expected days on which a sample would be over; see `risk.days_over`
    visits_a_year: Floats
    units_a_year: Floats
    iron_mg_a_year: Floats

    @property
    def suggested(self) -> Ints:
        """Which of the four is suggested, [P]: the planned interval, under its label where it has one."""
        same = (self.interval_days[:, :3] == self.interval_days[:, 3:]) & (self.units[:, :3] == self.units[:, 3:])
        return np.where(same.any(axis=1), same.argmax(axis=1), HELD)


def steady_states(
    table: RiskTable,
    reach: Reach,
    hb_before_g_l: Floats,
    volume_ml: Floats,
    within: Bools,
    iron_mg_per_g: float = IRON_MG_PER_G,
) -> SteadyStates:
    """The loop's steady state for the intervals of `table` and the units of `reach`.

    hb_before_g_l, volume_ml (effective) : [P]. within : [P, D]. iron_mg_per_g : of Hb; net iron
    is that of Hb in less Hb out.
    """
    days = table.days
    ratio = np.where(np.isfinite(reach.ratio), reach.ratio, np.nan).T[:, None, :]
    slope = (table.median[:, :, -1] - table.median[:, :, 0]) / (table.top_pct - 1.0)[:, None]
    base = table.median[:, :, 0] - slope
    end = ratio * base[:, :, None] / np.maximum(1.0 - ratio * slope[:, :, None], 0.05)
    for _ in range(3):
        end = ratio * table.before(np.minimum(end, 2.0 * table.top_pct[:, None, None]))
    visits = DAYS_A_YEAR / days
    iron = iron_mg_per_g * (reach.hb_end_g_l - hb_before_g_l).T * volume_ml[:, None] / 1000.0
    return SteadyStates(
        days=days,
        end_pct=end,
        before_pct=table.before(end),
        chance=np.where(np.isnan(end), np.nan, table.chance(end)),
        visits_a_year=visits,
        units=reach.units.T,
        units_a_year=visits[:, None] * reach.units.T[:, None, :],
        iron_mg_a_year=iron[:, None, :] * visits[:, None],
        within=within,
    )


def held_interval(states: SteadyStates, wanted_days: Floats, accepted: Floats, by_person: Bools) -> tuple[Ints, Bools]:
    """The interval the loop is planned on, as index of D, and whether it keeps the accepted chance, both [P].

    The wanted interval where units within the limits hold it, else the longest shorter one that is held (a whole number
    of weeks where near), else the shortest allowed. by_person : the wanted interval was accepted by a person, so it
    stands until its chance leaves the accepted one by HYSTERESIS.
    """
    best = np.nanmin(np.where(np.isnan(states.chance), 1.0, states.chance), axis=2)
    place = np.clip(np.round(wanted_days - states.days[0]), 0, len(states.days) - 1).astype(np.int64)
    people = np.arange(len(best))
    held = (best <= accepted[:, None]) & states.within & (np.arange(best.shape[1]) <= place[:, None])
    stands = by_person & states.within[people, place] & (best[people, place] <= accepted + HYSTERESIS)
    held[people, place] |= stands
    longest = _last(held)
    weekly = _near_weeks(states.days, held, longest)
    shortest = np.where(states.within.any(axis=1), states.within.argmax(axis=1), 0)
    fallback = np.where(longest == place, longest, weekly)
    return np.where(held.any(axis=1), fallback, shortest), held.any(axis=1)


def choose(states: SteadyStates, widest: SteadyStates, held: Ints, accepted: Floats) -> Choices:
    """The three labelled choices, from pairs within the accepted chance, and the planned interval.

    states : with every warning held. widest : inside the stops alone, for the planned interval where the warnings do
    not let it be held. held : index of the planned interval, [P]. Fewest visits: the longest interval, with the
    fewest units for it. Least blood: fewest units a year, then fewest visits. Most margin: the lowest chance with no
    more visits than planned and at most one unit more at each.
    """
    people = np.arange(len(held))
    usable = states.within[:, :, None] & ~np.isnan(states.chance)
    ok = usable & (states.chance <= accepted[:, None, None])
    warned: Bools = np.asarray(ok[people, held].any(axis=1))
    planned, possible = _units_for(widest.chance[people, held], accepted)
    planned = np.where(warned, ok[people, held].argmax(axis=1), planned)
    n_days, n_units = ok.shape[1:]
    numbers = np.arange(n_units)
    longest = np.broadcast_to(states.days[:, None] * 100.0 - numbers, (n_days, n_units))
    thrift = -states.units_a_year * 1000.0 - states.visits_a_year[:, None]
    roomy = (
        usable
        & (np.arange(n_days)[None, :, None] >= held[:, None, None])
        & (numbers[None, None, :] <= planned[:, None, None] + 1)
    )
    picks = [
        _best(np.where(ok, longest, -np.inf)),
        _best(np.where(ok, thrift, -np.inf)),
        _best(np.where(roomy & ok, -states.chance, -np.inf)),
    ]
    usual = _told(states, np.where(warned, held * n_units + planned, -1)[:, None])
    wider = _told(widest, np.where(possible & ~warned, held * n_units + planned, -1)[:, None])
    usual = _either(warned, usual, wider)
    labelled = _told(states, np.stack(picks, axis=1))
    return _beside(labelled, usual)


def _units_for(chance: Floats, accepted: Floats) -> tuple[Ints, Bools]:
    """Index of the fewest units [P] within the accepted chance, else of the most there are; and whether any are."""
    there = ~np.isnan(chance)
    within = there & (chance <= accepted[:, None])
    most = np.where(there, np.arange(chance.shape[1]), -1).max(axis=1)
    return np.where(within.any(axis=1), within.argmax(axis=1), np.maximum(most, 0)), most >= 0


def _told(states: SteadyStates, flat: Ints) -> Choices:
    """The pairs [P, K], as flat indices of [D, N], −1 for none, with what they bring."""
    n_units = states.chance.shape[2]
    row, column = np.maximum(flat, 0) // n_units, np.maximum(flat, 0) % n_units
    people = np.arange(len(flat))[:, None]
    there = flat >= 0

    def read(values: Any) -> Floats:
        return np.where(there, values, np.nan)

    chance = read(states.chance[people, row, column])
    visits = read(states.visits_a_year[row])
    return Choices(
        interval_days=np.where(there, states.days[row], 0).astype(np.int64),
        units=np.where(there, states.units[people, column], 0).astype(np.int64),
        ends_at_pct=read(states.end_pct[people, row, column]),
        chance=chance,
        once_a_year=1.0 - (1.0 - chance) ** visits,
        over_visits_a_year=chance * visits,
        days_over_a_year=np.full_like(chance, np.nan),
        visits_a_year=visits,
        units_a_year=read(states.units_a_year[people, row, column]),
        iron_mg_a_year=read(states.iron_mg_a_year[people, row, column]),
    )


def _either(first: Bools, one: Choices, other: Choices) -> Choices:
    names = [f.name for f in fields(Choices)]
    return Choices(**{name: np.where(first[:, None], getattr(one, name), getattr(other, name)) for name in names})


def _beside(left: Choices, right: Choices) -> Choices:
    names = [f.name for f in fields(Choices)]
    return Choices(**{name: np.concatenate([getattr(left, name), getattr(right, name)], axis=1) for name in names})


def _best(values: Floats) -> Ints:
    flat = values.reshape(len(values), values.shape[1] * values.shape[2])
    best = flat.argmax(axis=1)
    return np.where(np.isfinite(flat[np.arange(len(flat)), best]), best, -1)


def _last(mask: Bools) -> Ints:
    return np.where(mask.any(axis=1), mask.shape[1] - 1 - mask[:, ::-1].argmax(axis=1), 0).astype(np.int64)


def _near_weeks(days: Floats, held: Bools, longest: Ints) -> Ints:
    """The longest held whole number of weeks within WEEKDAY_REACH_DAYS under the longest held interval, else that."""
    weekly = held & (days % 7 == 0) & (np.arange(len(days)) >= longest[:, None] - WEEKDAY_REACH_DAYS)
    return np.where(weekly.any(axis=1), _last(weekly), longest)
