"""Units of red cells needed week by week, from simulated courses of everyone on the programme.

Every path lives the coming weeks of every person once: who comes late, how far HbS climbed, how many units that takes;
and what each person's habits are taken to be, of which few visits tell little (`habits`).
Weeks are added up path by path before a range is read off, so that a range says how weeks really vary; the ranges of
the groups therefore do not add up to the range of all, while expected units do.
"""

import zlib
from collections.abc import Iterable, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from programme.planning.numeric.loop import Plan, SessionsAhead
from programme.supply.numeric.habits import Anchored, Habits, Urn

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

PATHS = 400
ALL = "all"
WEEK_DAYS = 7
BAND = (0.1, 0.5, 0.9)
LATEST_GAPS = 6  # of a person, from which the coming ones are drawn; chosen here
OVERDUE_DAYS = 14  # somebody beyond all their gaps comes on one of so many coming days; chosen here
SHORTEST_GAP_DAYS = 5  # nobody is exchanged sooner after an exchange; chosen here
NO_HABITS = Habits()


@dataclass(frozen=True, slots=True)
class Expected:
    """What is known of one person's coming visits. Days are ordinals.

    group: ABO and D as printed. phenotype: what else their units must be, as printed. searched: units need an
    antigen-negative search beyond Rh and K.
    last_day: of the last session. next_day: suggested for the next one, used where there are too few gaps to go by.
    booked: (day, units or None) of standing bookings, by day.
    gaps, units: of the latest sessions, newest last: what the unit has been doing; late visits are among them.
    What was before another interval was decided is not among them.
    plan: what the unit would do at each visit; None where nothing is suggested and habit alone speaks.
    late_share: chance that a booked or planned visit is late or missed, 0 to 1.
    """

    reference: str
    group: str
    searched: bool
    last_day: int
    next_day: int
    booked: tuple[tuple[int, int | None], ...] = ()
    gaps: tuple[int, ...] = ()
    units: tuple[int, ...] = ()
    plan: Plan | None = None
    late_share: float = 0.0
    phenotype: str = ""

    @property
    def has_habit(self) -> bool:
        """Whether their own gaps say when they come."""
        return len(self.gaps) > 1

    @property
    def goes_on(self) -> bool:
        """Whether visits beyond those booked are foreseen: by a plan, or by two gaps at least with their units."""
        return self.plan is not None or (self.has_habit and bool(self.units))

    @property
    def can_be_foreseen(self) -> bool:
        """Whether anything is: visits beyond those booked, or booked ones with their units."""
        return self.goes_on or any(units for _, units in self.booked)


@dataclass(frozen=True, slots=True)
class Span:
    """The weeks asked for: weeks of seven days from `first`, a Monday; nothing before `today` is counted."""

    first: int
    weeks: int
    today: int

    @property
    def end(self) -> int:
        """The day after the last."""
        return self.first + WEEK_DAYS * self.weeks


@dataclass(frozen=True, slots=True)
class WeekOfGroup:
    """Units of one week and group: p10, p50, p90 of the paths; expected: their mean, which adds up over groups.

    searched: the same four for units that need an antigen-negative search. booked: units that are booked.
    """

    week_start: int
    group: str
    p10: float
    p50: float
    p90: float
    expected: float
    searched: tuple[float, float, float, float]
    booked: int


def live_weeks(
    person: Expected,
    span: Span,
    ahead: SessionsAhead | None,
    *,
    delays: Sequence[int],
    rng: np.random.Generator,
    habits: Habits = NO_HABITS,
    n_paths: int = PATHS,
) -> Floats:
    """Units of one person in each week and path, [weeks, n_paths]; only of bookings where nothing else is known.

    ahead: the sessions to come of that person under their plan, on as many paths; None where habit alone speaks.
    delays: days late, each as likely. rng: seeded by `seed_of`. habits: the pools of the programme. Raises ValueError
    for someone who cannot be foreseen. Simulation; how a visit is chosen is chosen here, not from a source.
    """
    if not person.can_be_foreseen:
        raise ValueError(f"{person.reference}: neither a booking nor a plan nor two gaps to go by")
    found = np.zeros((span.weeks, n_paths))
    day = np.full(n_paths, person.last_day, dtype=np.int64)
    gaps = Urn(person.gaps, habits.gaps, rng, n_paths, least=SHORTEST_GAP_DAYS) if person.has_habit else None
    usual = Anchored(Urn(person.units, habits.units, rng, n_paths, least=1)) if person.units else None
    number = 0
    while (day < span.end).any() and (person.goes_on or number < len(person.booked)):
        target, planned = _target(person, number, day, span, gaps)
        by_habit = person.has_habit and number >= len(person.booked)
        share = 0.0 if by_habit else person.late_share
        late = np.where(rng.random(n_paths) < share, rng.choice(np.asarray(delays), n_paths), 0)
        on = np.maximum(on_weekday(target + late), day + 1)
        units = _units(ahead, usual, on - day)
        if planned is not None:
            units = np.full(n_paths, planned)
        counted = (on >= max(span.today, span.first)) & (on < span.end)
        np.add.at(found, ((on[counted] - span.first) // WEEK_DAYS, np.flatnonzero(counted)), units[counted])
        day, number = on, number + 1
    return found


def _units(ahead: SessionsAhead | None, usual: Anchored | None, gaps: Ints) -> Ints:
    """Units of the next visit on each path: by the simulated course, about what this person usually has; none where
    neither is known."""
    if usual is None:
        return np.zeros_like(gaps) if ahead is None else ahead.units_after(gaps)
    return usual.draw(None if ahead is None else ahead.units_after(gaps))


def _target(person: Expected, number: int, day: Ints, span: Span, gaps: Urn | None) -> tuple[Ints, int | None]:
    """The day meant for visit `number` from now on each path, and the units planned for it already.

    A booking says; else the person's own gaps, which did better than suggested days in the look back at what units
    really used; else the forecast window: the day that the plan suggests, and its interval from then on.
    """
    if number < len(person.booked):
        on, units = person.booked[number]
        return np.full(day.shape, on, dtype=np.int64), units
    first = number == 0
    if gaps is not None:
        since = span.today - person.last_day
        return day + (gaps.draw_from(since, else_within=OVERDUE_DAYS) if first else gaps.draw()), None
    assert person.plan is not None  # else nobody could foresee this person
    if first:
        return np.full(day.shape, max(person.next_day, span.today), dtype=np.int64), None
    return day + person.plan.interval_days, None


def on_weekday(days: Ints) -> Ints:
    """Saturdays and Sundays taken back to the Friday of their week."""
    past_friday = np.maximum((days - 1) % WEEK_DAYS - 4, 0)  # an ordinal of 1 is a Monday
    return np.asarray(days - past_friday)


@dataclass(frozen=True, slots=True)
class Lived:
    """The weeks of one person as lived on every path, [weeks, paths], and the units booked in each week."""

    person: Expected
    units: Floats
    booked: Ints


def booked_in_weeks(person: Expected, span: Span) -> Ints:
    """Units booked in each week; a booking without a number of units counts none."""
    found = np.zeros(span.weeks, dtype=np.int64)
    for on, units in person.booked:
        if max(span.today, span.first) <= on < span.end:
            found[(on - span.first) // WEEK_DAYS] += units or 0
    return found


def weeks_by_group(everyone: Iterable[Lived], span: Span, *, stretch: float = 1.0) -> tuple[WeekOfGroup, ...]:
    """Return every week of every group in the order of the alphabet, then of all; people are added up path by path.

    stretch: by how much ranges are widened about their middle, as a look back found necessary (see `stretch_of`).
    """
    lived = list(everyone)
    groups = sorted({one.person.group for one in lived})
    rows = []
    for group in (*groups, ALL):
        some = [one for one in lived if group in (ALL, one.person.group)]
        units = _sum(some, span)
        searched = _sum([one for one in some if one.person.searched], span)
        booked = _booked(some, span)
        band, other = range_of(units, stretch), range_of(searched, stretch)
        for week in range(span.weeks):
            low, middle, high = band[:, week]
            rows.append(
                WeekOfGroup(
                    week_start=span.first + WEEK_DAYS * week,
                    group=group,
                    p10=float(low),
                    p50=float(middle),
                    p90=float(high),
                    expected=float(units[week].mean()),
                    searched=_four(other[:, week], searched[week]),
                    booked=int(booked[week]),
                )
            )
    return tuple(rows)


@dataclass(frozen=True, slots=True)
class WeekOfClass:
    """Units of one week, group (or ALL) and phenotype, as in `WeekOfGroup`."""

    week_start: int
    group: str
    phenotype: str
    p10: float
    p50: float
    p90: float
    expected: float
    booked: int


def weeks_by_class(everyone: Iterable[Lived], span: Span, *, stretch: float = 1.0) -> tuple[WeekOfClass, ...]:
    """Return every week of each phenotype, all groups together, then of each group and phenotype.

    Everybody is in one group and one phenotype, so expected and booked units add up over both. Those with the most
    units come first; what nobody has is left out.
    """
    lived = list(everyone)
    most: dict[str, float] = {}
    for one in lived:
        most[one.person.phenotype] = most.get(one.person.phenotype, 0.0) + float(one.units.mean(axis=1).sum())
    names = sorted(most, key=lambda name: (-most[name], name))
    pairs = [(ALL, name) for name in names]
    both = {(one.person.group, one.person.phenotype) for one in lived}
    pairs += sorted(both, key=lambda pair: (pair[0], names.index(pair[1])))
    rows: list[WeekOfClass] = []
    for group, name in pairs:
        some = [one for one in lived if one.person.phenotype == name and group in (ALL, one.person.group)]
        units, booked = _sum(some, span), _booked(some, span)
        for week, (low, middle, high) in enumerate(range_of(units, stretch).T.tolist()):
            expected = float(units[week].mean())
            start = span.first + WEEK_DAYS * week
            rows.append(WeekOfClass(start, group, name, low, middle, high, expected, int(booked[week])))
    return tuple(rows)


def _booked(some: Sequence[Lived], span: Span) -> Ints:
    return np.asarray(sum((one.booked for one in some), np.zeros(span.weeks, dtype=np.int64)))


def _four(band: Floats, units: Floats) -> tuple[float, float, float, float]:
    return float(band[0]), float(band[1]), float(band[2]), float(units.mean())


def _sum(some: Sequence[Lived], span: Span) -> Floats:
    """Units of some people in each week and path, [weeks, paths]; one path of nothing where there is nobody."""
    return np.asarray(sum((one.units for one in some), np.zeros((span.weeks, 1))))


def range_of(units: Floats, stretch: float = 1.0) -> Floats:
    """p10, p50 and p90 of each week, [3, weeks], widened about the middle and never under nothing."""
    band = np.quantile(units, BAND, axis=1)
    return np.asarray(np.maximum(band[1] + stretch * (band - band[1]), 0.0))


def stretch_of(used: Floats, low: Floats, middle: Floats, high: Floats) -> float:
    """By how much ranges of past forecasts must be widened so that eight in ten hold what was used; at least 1.

    All of one shape. Weeks also share what no path of single people knows: a closed week, a full ward. The miss of
    each week is measured in half ranges of its own side; the 0.8 quantile of these is the answer. Raises ValueError
    where nothing was looked back at. Chosen here; not from a source.
    """
    if used.size == 0:
        raise ValueError("no week to look back at")
    side = np.maximum(np.where(used > middle, high - middle, middle - low), 0.5)
    return float(max(np.quantile(np.abs(used - middle) / side, 0.8), 1.0))


def holds(used: Floats, low: Floats, high: Floats) -> NDArray[np.bool_]:
    """Whether what was used lies within the range, its ends included."""
    return np.asarray((used >= low - 1e-9) & (used <= high + 1e-9))


def seed_of(reference: str, as_of: object) -> int:
    """The seed of one person's paths on a day, the same whoever else is reckoned."""
    return zlib.crc32(f"demand|{reference}|{as_of}".encode())
