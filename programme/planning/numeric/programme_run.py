"""A made-up programme that follows a policy for a year, to see what the policy does: crossings at the days really
attended, donor units and visits.

Four policies can be followed: what this planner suggests; every 28 days with an end target from the person's own
mean rise; the published pace rule, an interval of (ceiling − after)/(mean rise a day) from a low end (a person's
mean rate of rise predicts the next value, Transfusion 2024;64:685-92; HbS of 10 % or less after a session stayed
under 30 % for about a month and 15 % under 40 %, Montefiore series in J Clin Apher); and the most
careful, everybody as soon and as low as the limits let them, which shows whose ceiling can be held at all. The second
and the third keep a margin to the ceiling that is tuned on other people. All get their session from the same search, so
only dates and end targets differ.
"""

from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from programme.planning.numeric import habits
from programme.planning.numeric.limits import limits_for
from programme.planning.numeric.opendays import OpenDays
from programme.planning.numeric.people import PeopleInputs
from programme.planning.numeric.prescribe import Prescriptions, prescribe
from programme.planning.numeric.search import Before, Cells
from programme.planning.numeric.suggest import SiteRules, holdable_ceiling, suggest_many
from sessions.numeric.attendance import attendance_of, learn_lateness
from sessions.numeric.columns import SessionColumns
from sessions.numeric.drift.fit import ProgrammeFit, fit_programme
from sessions.numeric.drift.person import PeoplePace, update_people
from sessions.numeric.hb_before import hb_before, learn_hb_before
from sessions.numeric.mechanisms.made_up import MadeUp, restart
from sessions.numeric.mechanisms.people import People
from sessions.numeric.mechanisms.world import Reading

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Bools = NDArray[np.bool_]

UNIT_ML, UNIT_HB_G_L = 258.0, 1000.0 * 50.0 / 258.0
UNIT_REL_SD = 0.10  # 50 ± 5 g (Australian Red Cross Lifeblood 2022)
RATIO_VOLUME_ERROR = 0.10
HB_MEASURED_SD_G_L = 2.5
MIXING_REL_SD = 0.08
FIXED_DAYS = 28.0
SHORTEST_DAYS, LONGEST_DAYS = 14.0, 56.0
YEAR_DAYS = 365
LOWEST_END_PCT = 5.0


@dataclass(frozen=True, slots=True)
class Aim:
    """What a policy wants next, arrays [P]: days from the last session, and the end of the session then."""

    days: Ints
    end_target_pct: Floats


Policy = Callable[["Programme"], Aim]


@dataclass(frozen=True, slots=True)
class Programme:
    """What the unit knows as it decides."""

    columns: SessionColumns
    people: People
    fit: ProgrammeFit
    pace: PeoplePace
    accepted_chance: float


@dataclass(frozen=True, slots=True)
class Year:
    """What a year brought, by visit, arrays [visits]."""

    person: Ints
    number: Ints  # 0 for the first visit of the year
    days: Ints
    reason: Ints
    over: Bools  # the measured value before was over the ceiling in force
    over_first: Bools  # over the ceiling of the start of the year
    raised: Bools  # the ceiling in force is not that of the start
    units: Ints
    reached: Bools
    n_people: int

    @property
    def crossing(self) -> float:
        """Share of visits over the ceiling at the day really attended."""
        return float(self.over.mean())

    def crossing_first(self, people: Bools) -> float:
        """Share of the visits of `people` [P] over the ceiling with which they began the year."""
        return float(self.over_first[people[self.person]].mean())

    def crossing_first_each(self) -> Floats:
        """The same for each person by themselves, [P]; nan for somebody without a visit."""
        visits = np.bincount(self.person, minlength=self.n_people)
        over = np.bincount(self.person, weights=self.over_first, minlength=self.n_people)
        return np.asarray(np.where(visits > 0, over / np.maximum(visits, 1), np.nan))

    @property
    def units_a_year(self) -> float:
        """Donor units for each person and year."""
        return float(self.units.sum() / self.n_people)

    @property
    def visits_a_year(self) -> float:
        """Visits for each person and year."""
        return len(self.person) / self.n_people


@dataclass(frozen=True, slots=True)
class Begun:
    """Everybody who has a session, as the year begins."""

    madeup: MadeUp
    rows: Ints  # last session of each, in the made-up columns
    columns: SessionColumns
    fit: ProgrammeFit


def begin_year(madeup: MadeUp) -> Begun:
    """Fit the programme from its records and put everybody just after their last session."""
    columns = madeup.columns
    rows = columns.starts()[1:][np.diff(columns.starts()) > 0] - 1
    return Begun(madeup, rows, columns.take_people(columns.person[rows]), fit_programme(columns))


def follow_for_a_year(begun: Begun, policy: Policy, *, accepted_chance: float = 0.10, seed: int = 0) -> Year:
    """Let everybody live for a year by `policy`, from where the made-up records end.

    People are updated after every session, the programme's fit stays. Under every policy alike the unit reviews a
    ceiling when the planner says that no interval holds it inside the limits: for the next visit the lowest that can
    be held, as the planner names it, stands in its place. Crossings are counted against both the ceiling in force and
    the one of the start.
    """
    columns, n = begun.columns, len(begun.rows)
    world = restart(begun.madeup, begun.rows, seed)
    first_ceiling = world.people.ceiling_pct
    until = world.day + YEAR_DAYS
    visits: list[dict[str, NDArray[np.generic]]] = []
    while True:
        pace = update_people(begun.fit, columns)
        now = Programme(columns, replace(world.people, ceiling_pct=first_ceiling), begun.fit, pace, accepted_chance)
        ceiling = reviewed_ceiling(now)
        now = replace(now, people=replace(world.people, ceiling_pct=ceiling))
        aim = policy(now)
        seen = world.attend(np.maximum(aim.days, 5))
        inside = world.day <= until
        if not inside.any():
            break
        plan = _plan(now, seen, aim)
        done = world.exchange(
            in_ml=plan.in_ml,
            out_ml=plan.out_ml,
            cells_hb_g_l=plan.fluid_hb_g_l * world.rng.normal(1.0, 0.03, (n, 1)),
            early_loss=world.rng.uniform(0.0, 0.1, n),
        )
        visits.append(_visit(now, seen, plan, inside, len(visits), first_ceiling))
        columns = _with_rows(now, world.day, seen, done, plan)
    joined = {key: np.concatenate([v[key] for v in visits]) for key in visits[0]}
    return Year(**joined, n_people=n)


def reviewed_ceiling(now: Programme) -> Floats:
    """The ceilings in force once those that no interval holds have been raised to what can be held, [P]."""
    last = now.pace.last_day.astype(np.int64)
    site = SiteRules(cells_of_made_up())
    holdable = holdable_ceiling(inputs_of(now), now.fit, now.pace, site, as_of_day=last)
    return np.where(np.isnan(holdable), now.people.ceiling_pct, holdable)


def can_be_held(careful: Year, accepted_chance: float) -> Bools:
    """Whose ceiling of the start the most careful year crosses no more often than accepted, [P].

    For the others no policy inside the limits can do it: whoever comes every two weeks and leaves as low as can be
    still comes back over it.
    """
    return np.asarray(careful.crossing_first_each() <= accepted_chance)


def tuned_margin(
    begun: Begun, policy_of: Callable[[float], Policy], crossing: float, *, accepted_chance: float = 0.10, seed: int = 0
) -> float:
    """The margin with which a policy crosses in about `crossing` of its visits; the largest tried where none does."""
    low, high = 0.0, 16.0
    for _ in range(5):
        middle = 0.5 * (low + high)
        year = follow_for_a_year(begun, policy_of(middle), accepted_chance=accepted_chance, seed=seed)
        low, high = (middle, high) if year.crossing > crossing else (low, middle)
    return high


def suggested(now: Programme) -> Aim:
    """The planner's own suggestion, asked for just after each session."""
    last = now.pace.last_day.astype(np.int64)
    answer = suggest_many(inputs_of(now), now.fit, now.pace, SiteRules(cells_of_made_up()), as_of_day=last)
    return Aim(answer.next_day - last, answer.end_target_pct)


def most_careful(now: Programme) -> Aim:
    """Everybody after the shortest interval, with as low an end as the limits allow, whatever blood it takes."""
    n = now.columns.n_people
    return Aim(np.full(n, int(SHORTEST_DAYS)), np.full(n, LOWEST_END_PCT))


def fixed_interval(margin_pct: float) -> Policy:
    """Every 28 days, ending `margin_pct` lower than the person's own mean rise would need."""

    def policy(now: Programme) -> Aim:
        target = now.people.ceiling_pct - margin_pct - FIXED_DAYS * mean_rise(now.columns)
        return Aim(np.full(len(target), int(FIXED_DAYS)), np.maximum(target, 1.0))

    return policy


def pace_rule(margin_pct: float) -> Policy:
    """From a fixed low end, as long as the person's own mean rise allows."""

    def policy(now: Programme) -> Aim:
        ceiling = now.people.ceiling_pct
        last = now.columns.starts()[1:] - 1
        measured = now.columns.hbs_after_pct[last]
        after = np.where(np.isnan(measured), now.columns.hbs_before_pct[last] * now.columns.hbs_ratio[last], measured)
        end = 10.0 + 0.5 * (ceiling - 30.0)
        days = (ceiling - margin_pct - np.where(np.isnan(after), end, after)) / mean_rise(now.columns)
        return Aim(np.floor(np.clip(days, SHORTEST_DAYS, LONGEST_DAYS)).astype(np.int64), end)

    return policy


def mean_rise(columns: SessionColumns) -> Floats:
    """Each person's own mean rise a day from measured values, [P]; the programme's where there is none."""
    known = (columns.sequence() > 0) & ~np.isnan(columns.hbs_before_pct) & columns.gap_known
    after = np.r_[np.nan, columns.hbs_after_pct[:-1]]
    days = np.diff(columns.day, prepend=0)
    known &= ~np.isnan(after)
    rise = (columns.hbs_before_pct - after)[known] / days[known]
    n = np.bincount(columns.person[known], minlength=columns.n_people)
    total = np.bincount(columns.person[known], weights=rise, minlength=columns.n_people)
    return np.maximum(np.where(n > 0, total / np.maximum(n, 1), rise.mean()), 0.05)


def cells_of_made_up() -> Cells:
    """The units that the made-up programme gives."""
    return Cells(UNIT_ML, UNIT_HB_G_L, UNIT_REL_SD, early_loss=0.05)


def inputs_of(now: Programme) -> PeopleInputs:
    """Everything the planner is told about the made-up people."""
    n = now.columns.n_people
    hb, hb_sd = hb_before(learn_hb_before(now.columns), now.columns)
    nothing = np.full(n, np.nan)
    return PeopleInputs(
        bar=np.zeros(n, dtype=np.int64),
        ceiling_pct=now.people.ceiling_pct,
        accepted_chance=np.full(n, now.accepted_chance),
        shortest_days=np.full(n, SHORTEST_DAYS),
        soonest_days=np.full(n, SHORTEST_DAYS),
        longest_days=np.full(n, LONGEST_DAYS),
        accepted_interval_days=nothing,
        end_target_pct=nothing,
        before=Before(hb, hb_sd, now.people.blood_volume_ml, np.ones(n), np.full(n, MIXING_REL_SD)),
        limits=limits_for(weight_kg=now.people.weight_kg),
        open_days=OpenDays.of(n),
        usual_weekday=habits.usual_weekday(now.columns),
        attendance=attendance_of(learn_lateness(now.columns, now.pace.usual_interval_days), now.columns),
        last_hbs_day=habits.last_hbs_day(now.columns),
        usual_hb_after_g_l=habits.usual_hb_after(now.columns),
    )


def _plan(now: Programme, seen: Reading, aim: Aim) -> Prescriptions:
    """The session made on the day from what was measured that morning."""
    n = now.columns.n_people
    before = Before(
        seen.hb_before,
        np.full(n, HB_MEASURED_SD_G_L),
        now.people.blood_volume_ml,
        np.ones(n),
        np.full(n, MIXING_REL_SD),
    )
    return prescribe(
        before=before,
        hbs_before_pct=seen.measured_before,
        end_target_pct=aim.end_target_pct,
        cells=cells_of_made_up(),
        limits=limits_for(weight_kg=now.people.weight_kg),
    )


def _visit(
    now: Programme, seen: Reading, plan: Prescriptions, inside: Bools, number: int, first_ceiling: Floats
) -> dict[str, NDArray[np.generic]]:
    measured, ceiling = np.round(seen.measured_before, 1), now.people.ceiling_pct
    return {
        "person": np.flatnonzero(inside),
        "number": np.full(int(inside.sum()), number),
        "days": seen.days[inside],
        "reason": seen.reason[inside],
        "over": (measured > ceiling + 1e-9)[inside],
        "over_first": (measured > first_ceiling + 1e-9)[inside],
        "raised": (ceiling > first_ceiling)[inside],
        "units": plan.units[inside],
        "reached": plan.reached[inside],
    }


def _with_rows(now: Programme, day: Ints, seen: Reading, done: Reading, plan: Prescriptions) -> SessionColumns:
    """The columns with everybody's new session."""
    old, n = now.columns, now.columns.n_people
    ratio = plan.hbs_after_pct / seen.measured_before
    new = {
        "person": np.arange(n),
        "day": day,
        "hbs_before_pct": seen.measured_before,
        "hbs_after_pct": done.measured_before,
        "hbs_ratio": ratio,
        "hbs_ratio_sd": -ratio * np.log(ratio) * RATIO_VOLUME_ERROR + 0.01,
        "hb_before_g_l": seen.hb_before,
        "hb_after_g_l": done.hb_before,
        "untransfused_pct": now.people.believed_untransfused_pct,
        "reason": seen.reason,
        "gap_known": np.ones(n, dtype=bool),
        "topup_hb_g": np.zeros(n),
        "topup_day": np.full(n, np.nan),
        "blood_volume_ml": now.people.blood_volume_ml,
        "method": np.zeros(n, dtype=np.int64),
    }
    both = {name: np.concatenate([getattr(old, name), values]) for name, values in new.items()}
    return SessionColumns.build(**both, n_people=n)
