"""The loop lived forward for a year, many times over, for one person and one choice.

Every path draws a pace from what is believed of the person, a course for each gap, a visit that may be late, and a
session that ends a little off its mark. The unit does what the choice says: it comes back after the interval and
gives the fewest units that bring the value measured that day to the end target.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from programme.planning.numeric.choices import DAYS_A_YEAR
from sessions.numeric.attendance import Attendance
from sessions.numeric.drift.fit import ProgrammeFit
from sessions.numeric.drift.person import PeoplePace
from sessions.numeric.drift.sampler import CourseSampler

Floats = NDArray[np.float64]

PATHS = 2000
BANDS = (0.1, 0.25, 0.5, 0.75, 0.9)


@dataclass(frozen=True, slots=True)
class Plan:
    """What the unit does at every visit of the year.

    interval_days, end_target_pct. ratios: lowest HbS after over before for one unit, two, … [N], inf where the limits
    allow no such session. ratio_rel_sd: relative spread of an end. iron_mg: net iron of a session of each number, [N].
    topup_units: given before them at every visit.
    """

    interval_days: int
    end_target_pct: float
    ratios: tuple[float, ...]
    ratio_rel_sd: float
    iron_mg: tuple[float, ...]
    topup_units: float = 0.0


@dataclass(frozen=True, slots=True)
class LivedYear:
    """What a year brought on average over the paths, and the bands of the picture, [visits, 5] at BANDS."""

    visits: float
    units: float
    iron_mg: float
    over_a_visit: float  # share of visits over the ceiling
    over_once: float  # share of years with at least one
    days_over: float  # days on which a sample would be over the ceiling
    planned_days: tuple[int, ...]  # from the start to each planned visit
    before_bands_pct: tuple[tuple[float, ...], ...]
    after_bands_pct: tuple[tuple[float, ...], ...]


def live_a_year(
    plan: Plan,
    fit: ProgrammeFit,
    pace: PeoplePace,
    *,
    ceiling_pct: float,
    attendance: Attendance,
    seed: int,
    n_paths: int = PATHS,
) -> LivedYear:
    """Live one person's next year `n_paths` times over.

    pace, attendance : of that one person, as `take` with one index gives. seed : of a stable hash, so that the same
    question has the same answer. Returns averages a year. Raises ValueError for an interval of no days.
    Simulation; how a session is chosen on the day is chosen here, not from a source.
    """
    if plan.interval_days < 1:
        raise ValueError(f"interval_days must be at least 1, but is {plan.interval_days}")
    rng = np.random.default_rng(seed)
    sampler = CourseSampler(fit, pace, rng, n_paths)
    ratios, iron = np.array(plan.ratios), np.array(plan.iron_mg)
    share = float(np.atleast_1d(attendance.late_share)[0])
    after = np.maximum(sampler.after_true_pct, 0.5)
    day = np.zeros(n_paths)
    tally = {name: np.zeros(n_paths) for name in ("visits", "units", "iron", "over", "days_over")}
    bands_before, bands_after = [], []
    while True:
        late = np.where(rng.random(n_paths) < share, rng.choice(attendance.delays, n_paths), 0)
        days = plan.interval_days + late
        day = day + days
        living = day <= DAYS_A_YEAR
        if not living.any():
            break
        before, measured = sampler.next_before(after, days)
        over_for = days * share_over(after, before, ceiling_pct - (measured - before))
        chosen = fewest(ratios, plan.end_target_pct / np.maximum(measured, 0.5))
        after = np.clip(before * ratios[chosen] * rng.normal(1.0, plan.ratio_rel_sd, n_paths), 0.5, 99.0)
        units = plan.topup_units + 1.0 + chosen
        seen = (1.0, units, iron[chosen], np.round(measured, 1) > ceiling_pct + 1e-9, over_for)
        for name, value in zip(tally, seen, strict=True):
            tally[name] += living * value
        bands_before.append(_bands(before[living]))
        bands_after.append(_bands(after[living]))
    return LivedYear(
        visits=float(tally["visits"].mean()),
        units=float(tally["units"].mean()),
        iron_mg=float(tally["iron"].mean()),
        over_a_visit=float(tally["over"].sum() / max(tally["visits"].sum(), 1.0)),
        over_once=float((tally["over"] > 0).mean()),
        days_over=float(tally["days_over"].mean()),
        planned_days=tuple(plan.interval_days * (number + 1) for number in range(len(bands_before))),
        before_bands_pct=tuple(bands_before),
        after_bands_pct=tuple(bands_after),
    )


@dataclass(frozen=True, slots=True)
class CourseAhead:
    """The sessions to come of one person: days from the last session, and bands [sessions, 5] at BANDS. [%]"""

    days: tuple[int, ...]
    before_bands_pct: tuple[tuple[float, ...], ...]
    after_bands_pct: tuple[tuple[float, ...], ...]


def course_ahead(
    plan: Plan, fit: ProgrammeFit, pace: PeoplePace, *, first_days: int, first_end_pct: float, last_days: int,
    seed: int, n_paths: int = 500,
) -> CourseAhead:  # fmt: skip
    """Where HbS goes over the sessions up to `last_days` after the last one, if every visit is on its day.

    first_days : from the last session to the coming one, whose own end target is first_end_pct. The rest as in
    `live_a_year`, of which this is the picture.
    """
    if min(first_days, plan.interval_days) < 1:
        raise ValueError(f"the gaps are {first_days} and {plan.interval_days} days; both must be at least 1")
    rng = np.random.default_rng(seed)
    sampler, ratios = CourseSampler(fit, pace, rng, n_paths), np.array(plan.ratios)
    after, day, gap = np.maximum(sampler.after_true_pct, 0.5), first_days, first_days
    days: list[int] = []
    bands_before, bands_after = [], []
    while day <= last_days:
        before, measured = sampler.next_before(after, np.full(n_paths, gap))
        target = plan.end_target_pct if days else first_end_pct
        chosen = fewest(ratios, target / np.maximum(measured, 0.5))
        after = np.clip(before * ratios[chosen] * rng.normal(1.0, plan.ratio_rel_sd, n_paths), 0.5, 99.0)
        days.append(day)
        bands_before.append(_bands(before))
        bands_after.append(_bands(after))
        day, gap = day + plan.interval_days, plan.interval_days
    return CourseAhead(tuple(days), tuple(bands_before), tuple(bands_after))


class SessionsAhead:
    """The sessions to come of one person, each as the plan says, on days that the caller sets one after another.

    pace : of that one person. rng : numpy generator. n_paths : how many courses.
    """

    def __init__(self, plan: Plan, fit: ProgrammeFit, pace: PeoplePace, rng: np.random.Generator, n_paths: int) -> None:
        self._plan, self._rng, self._ratios = plan, rng, np.array(plan.ratios)
        self._sampler = CourseSampler(fit, pace, rng, n_paths)
        self._after = np.maximum(self._sampler.after_true_pct, 0.5)

    def units_after(self, gap_days: NDArray[np.int64]) -> NDArray[np.int64]:
        """Hold the next session on each path, `gap_days` [paths] after the one before; return its units, [paths]."""
        before, measured = self._sampler.next_before(self._after, gap_days)
        chosen = fewest(self._ratios, self._plan.end_target_pct / np.maximum(measured, 0.5))
        off_mark = self._rng.normal(1.0, self._plan.ratio_rel_sd, len(before))
        self._after = np.clip(before * self._ratios[chosen] * off_mark, 0.5, 99.0)
        return np.asarray(chosen + 1)


def share_over(after_pct: Floats, before_pct: Floats, line_pct: Floats) -> Floats:
    """Share of a gap spent over the line, HbS climbing straight from after to before; all [paths]. [0 to 1]

    The line is the ceiling less the noise of the sample, one draw for a gap, so that on average it is the chance that a
    sample would be over.
    """
    climb = before_pct - after_pct
    level = np.abs(climb) < 1e-9
    with np.errstate(divide="ignore", invalid="ignore"):
        crossing = np.clip((line_pct - after_pct) / np.where(level, 1.0, climb), 0.0, 1.0)
    over = np.where(climb > 0.0, 1.0 - crossing, crossing)
    return np.where(level, (after_pct > line_pct).astype(float), over)


def fewest(ratios: Floats, need: Floats) -> NDArray[np.int64]:
    """Index of the fewest units that reach `need`, else of those that come nearest."""
    reaches = ratios[None, :] <= need[:, None]
    return np.where(reaches.any(axis=1), reaches.argmax(axis=1), int(ratios.argmin()))


def _bands(values: Floats) -> tuple[float, ...]:
    return tuple(float(value) for value in np.quantile(values, BANDS))
