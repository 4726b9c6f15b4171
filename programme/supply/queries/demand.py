"""Who will need how many units when: everyone's coming weeks from records, bookings and plans, and past ones beside
what was used. Nothing is written here; the number of queries does not grow with the people."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import date, datetime, time, timedelta
from zoneinfo import ZoneInfo

import numpy as np

from patients.models import Goals
from programme.booking.models import STANDING, Booking, BookingState
from programme.booking.queries.blood import needed_of
from programme.core.models import Site
from programme.planning.numeric import details
from programme.planning.numeric.loop import SessionsAhead
from programme.planning.numeric.people import AVAILABLE
from programme.planning.reckoning import Part, SiteAsOf
from programme.supply.numeric.demand import (
    ALL,
    LATEST_GAPS,
    PATHS,
    WEEK_DAYS,
    Expected,
    Lived,
    Span,
    WeekOfClass,
    WeekOfGroup,
    booked_in_weeks,
    holds,
    live_weeks,
    seed_of,
    stretch_of,
    weeks_by_class,
    weeks_by_group,
)
from programme.supply.numeric.habits import Decided, Habits, pool_of, tells_from, visits_of
from programme.supply.numeric.joining import NOT_YET, joining_of, live_joining
from programme.supply.numeric.needs import OrderNeeds, order_needs, phenotype_of
from programme.supply.queries.basis import bases
from sessions import forecasting
from sessions.day.numeric.blood_match import RH_AND_K
from sessions.models import ExchangeSession, ModelFit

WEEKS = 13
HABIT_GAPS = 12  # of a person, from which it is learnt how well others foretell them; chosen here
NOTHING_RECORDED = OrderNeeds("", "", (), (), hbs_negative=True)
LOOK_BACKS, APART_DAYS = 6, 49
"""A look back: so many past forecasts, so far apart. Chosen here: six over a year and a quarter."""


@dataclass(frozen=True, slots=True)
class Demand:
    """Units week by week, by group and by what units must be beside it.

    left_out: references of active people about whom nothing can be foreseen.
    """

    as_of: date
    rows: tuple[WeekOfGroup, ...]
    classes: tuple[WeekOfClass, ...]
    left_out: tuple[str, ...]
    fit: ModelFit | None


@dataclass(frozen=True, slots=True)
class PastWeek:
    """One week of a past forecast of one group, or of all together; ahead: 1 for the first full week after it."""

    as_of: date
    week_start: date
    ahead: int
    group: str
    p10: float
    p50: float
    p90: float
    expected: float
    used: int


@dataclass(frozen=True, slots=True)
class LookBack:
    """Past forecasts beside what was used. See `DemandLookBack` for the figures."""

    rows: tuple[PastWeek, ...]
    stretch: float
    held_later: int
    weeks_later: int


def demand(site: Site, *, first: date, weeks: int, now: datetime, stretch: float = 1.0) -> Demand:
    """Return units for the weeks from the Monday of `first` on, from what is known now, or was known on a past `first`.

    Nothing before `first` is counted. stretch: by how much ranges are widened; see `stretch_of`. Raises ValueError
    where no week is asked for.
    """
    if weeks < 1:
        raise ValueError(f"weeks is {weeks}; allowed is 1 or more")
    as_of = min(first, now.date())
    monday = first - timedelta(days=first.weekday())
    span = Span(monday.toordinal(), weeks, first.toordinal())
    fit = forecasting.fit_in_force(site, as_of)
    seen = SiteAsOf(site, as_of, fit=forecasting.Learnt.from_dict(fit.parameters) if fit is not None else None)
    reader = _Reader(site, as_of, now)
    lived, left = [], []
    for part in seen.parts():
        for person, row in reader.people(part):
            if not person.can_be_foreseen:
                left.append(person.reference)
                continue
            rng, plan = np.random.default_rng(seed_of(person.reference, as_of)), person.plan
            fit_of_all, pace = part.programme.fit, part.pace.take(row)
            ahead = None if plan is None else SessionsAhead(plan, fit_of_all, pace, rng, PATHS)
            units = live_weeks(person, span, ahead, delays=part.people.attendance.delays, rng=rng, habits=reader.habits)
            lived.append(Lived(person, units, booked_in_weeks(person, span)))
    lived += _joining(reader, span, seed_of(NOT_YET, as_of))
    by_class = weeks_by_class(lived, span, stretch=stretch)
    return Demand(as_of, weeks_by_group(lived, span, stretch=stretch), by_class, tuple(sorted(left)), fit)


def _joining(reader: _Reader, span: Span, seed: int) -> list[Lived]:
    """Those who are not on the programme yet, as one who is foreseen; nobody where records are too short to tell."""
    joining = joining_of(list(reader.past.values()), span.today, latest=LATEST_GAPS)
    if joining is None:
        return []
    rng, known = np.random.default_rng(seed), len(reader.booked.keys() - reader.past.keys())
    units = live_joining(joining, span.first, span.today, span.weeks, rng, PATHS, known=known)
    who = Expected(NOT_YET, NOT_YET, searched=False, last_day=span.today, next_day=0, phenotype=NOT_YET)
    return [Lived(who, units, booked_in_weeks(who, span))]


class _Reader:
    """What a site knows of past sessions, needs and bookings as of a day."""

    def __init__(self, site: Site, as_of: date, now: datetime) -> None:
        self.as_of = as_of
        sessions: defaultdict[int, list[tuple[int, int | None]]] = defaultdict(list)
        done = ExchangeSession.objects.carried_out().filter(patient__site=site, on__lte=as_of).order_by("on")
        for pk, on, units in done.values_list("patient_id", "on", "units"):
            sessions[pk].append((on.toordinal(), units))
        self.past = {pk: visits_of(rows) for pk, rows in sessions.items()}
        self.habits = _habits(self.past.values())
        self.decided = _decided(site, as_of)
        self.booked = self._booked(site, now) if as_of >= now.date() else {}  # no past day keeps what stood then
        people = self.past.keys() | self.booked.keys()
        self.needs = {pk: order_needs(needed) for pk, needed in needed_of(people).items()}

    def _booked(self, site: Site, now: datetime) -> dict[int, list[tuple[int, int | None]]]:
        """Day and planned units of every booking still to be kept; one whose session is done today was used already."""
        rows = Booking.objects.filter(chair__site=site, state__in=[*STANDING, BookingState.CAME], on__gte=self.as_of)
        bookings = list(rows.select_related("patient__site").order_by("on"))
        found = bases(site, bookings, now=now)
        booked: defaultdict[int, list[tuple[int, int | None]]] = defaultdict(list)
        for booking in bookings:
            day, past = booking.on.toordinal(), self.past.get(booking.patient_id)
            if past is None or day > past[-1][0]:
                booked[booking.patient_id].append((day, found[booking.pk].planned.units))
        return dict(booked)

    def people(self, part: Part) -> list[tuple[Expected, int]]:
        """Everyone of the part, and their row in it."""
        said, people = part.said, part.people
        weighed = details.weigh(people, part.tried, said)
        found = []
        for row, record in enumerate(part.records):
            past = self.past.get(record.pk, [])[-LATEST_GAPS - 1 :]
            days = [day for day, _ in past]
            available = said.bar[row] == AVAILABLE
            plans = details.year_plans(weighed, people, said, row) if available else {}
            since = tells_from(days, self.decided.get(record.pk) if plans else None)
            had = past[since + 1 :] if since else past[-LATEST_GAPS:]
            needs = self.needs.get(record.pk, NOTHING_RECORDED)
            person = Expected(
                reference=record.patient_ref,
                group=needs.group,
                phenotype=phenotype_of(needs),
                searched=needs_search(needs),
                last_day=days[-1] if days else self.as_of.toordinal() - 1,
                next_day=int(said.next_day[row]) if available else 0,
                booked=tuple(self.booked.get(record.pk, ())),
                gaps=tuple(int(gap) for gap in np.diff(days[since:])),
                units=tuple(units for _, units in had if units),
                plan=plans.get(int(said.choices.suggested[row])),
                late_share=float(people.attendance.late_share[row]),
            )
            found.append((person, row))
        return found


def _decided(site: Site, as_of: date) -> dict[int, Decided]:
    """The interval decided for each person by a day, by key, and since when it is that one; one query."""
    rows = Goals.objects.filter(patient__site=site, since__lte=as_of).order_by("since", "pk")
    found: dict[int, Decided | None] = {}
    for pk, since, interval in rows.values_list("patient_id", "since", "usual_interval_days"):
        before = found.get(pk)
        if interval is None:
            found[pk] = None
        elif before is None or before.interval != interval:
            found[pk] = Decided(interval, since.toordinal())
    return {pk: one for pk, one in found.items() if one is not None}


def _habits(histories: Iterable[Sequence[tuple[int, int | None]]]) -> Habits:
    """The pools of a programme's latest gaps and units, from each person's (day, units) by day."""
    recent = [one[-HABIT_GAPS - 1 :] for one in histories]
    gaps = [np.diff([day for day, _ in one]).tolist() for one in recent]
    units = [[units for _, units in one if units] for one in recent]
    return Habits(pool_of(gaps, latest=LATEST_GAPS, as_same=WEEK_DAYS), pool_of(units, latest=LATEST_GAPS))


def needs_search(needs: OrderNeeds) -> bool:
    """Whether units must lack an antigen beyond Rh and K, so that they are searched for."""
    return bool(set(needs.negative) - set(RH_AND_K))


def look_back(site: Site, *, today: date) -> LookBack:
    """Return past forecasts, each from what was known on its day, beside the units used since. No bookings are in them.

    Raises ValueError where the records do not reach back far enough.
    """
    used = _Used(site, today)
    oldest = used.oldest
    newest = today - timedelta(days=WEEK_DAYS * WEEKS + WEEK_DAYS)
    days = [newest - timedelta(days=APART_DAYS * number) for number in range(LOOK_BACKS)]
    rows: list[PastWeek] = []
    for as_of in sorted(day for day in days if oldest is not None and day.toordinal() > oldest + 2 * WEEK_DAYS * WEEKS):
        rows.extend(_past_weeks(site, as_of, used))
    if not rows:
        raise ValueError(
            "The records do not reach back far enough: forecasts need half a year before, and 13 weeks since."
        )
    of_all = [row for row in rows if row.group == ALL]
    seen, low, middle, high = _columns(of_all[len(of_all) // 2 :])
    learnt = learnt_of(of_all)
    held = holds(seen, np.maximum(middle - learnt * (middle - low), 0.0), middle + learnt * (high - middle))
    return LookBack(tuple(rows), stretch_of(*_columns(of_all)), int(held.sum()), held.size)


def learnt_of(of_all: Sequence[PastWeek]) -> float:
    """By how much the older half of these weeks asks ranges to be widened; 1 where there is no older half."""
    earlier = of_all[: len(of_all) // 2]
    return stretch_of(*_columns(earlier)) if earlier else 1.0


class _Used:
    """Units used before `today` by person and week; three queries."""

    def __init__(self, site: Site, today: date) -> None:
        done = ExchangeSession.objects.carried_out().filter(patient__site=site, on__lt=today)
        self.rows = list(done.values_list("patient_id", "on", "units"))
        needed = needed_of({pk for pk, _, _ in self.rows})
        self.groups = {pk: order_needs(one).group for pk, one in needed.items()}

    @property
    def oldest(self) -> int | None:
        """The Monday of the first week."""
        return min((on.toordinal() - on.weekday() for _, on, _ in self.rows), default=None)

    def by_group(self, as_of: date, *, apart: bool) -> Mapping[tuple[str, int], int]:
        """Units by group, and by ALL, and the Monday of the week; apart: who joined after `as_of` has a group apart."""
        known = {pk for pk, on, _ in self.rows if on <= as_of}
        used: defaultdict[tuple[str, int], int] = defaultdict(int)
        for pk, on, units in self.rows:
            for group in (self.groups[pk] if pk in known or not apart else NOT_YET, ALL):
                used[group, on.toordinal() - on.weekday()] += units or 0
        return used


def _past_weeks(site: Site, as_of: date, everything: _Used) -> list[PastWeek]:
    """The whole weeks after `as_of`, foreseen on that day; a group that nobody foresaw has a range of nothing."""
    monday = (as_of + timedelta(days=WEEK_DAYS - as_of.weekday())).toordinal()
    now = datetime.combine(as_of + timedelta(days=2), time(0), tzinfo=ZoneInfo(site.time_zone))
    found = demand(site, first=as_of, weeks=WEEKS + 1, now=now)
    weeks = [(row.group, row.week_start, row) for row in found.rows if row.week_start >= monday]
    foreseen = {(group, week) for group, week, _ in weeks}
    used = everything.by_group(as_of, apart=any(group == NOT_YET for group, _, _ in weeks))
    spans = sorted({week for _, week, _ in weeks})
    more = sorted({group for group, _ in used} - {group for group, _ in foreseen})
    nothing = [(group, week, None) for group in more for week in spans if any(used.get((group, one)) for one in spans)]
    return [
        PastWeek(
            as_of=as_of,
            week_start=date.fromordinal(week),
            ahead=(week - monday) // WEEK_DAYS + 1,
            group=group,
            p10=row.p10 if row else 0.0,
            p50=row.p50 if row else 0.0,
            p90=row.p90 if row else 0.0,
            expected=row.expected if row else 0.0,
            used=used.get((group, week), 0),
        )
        for group, week, row in (*weeks, *nothing)
    ]


def _columns(rows: Sequence[PastWeek]) -> tuple[np.ndarray, np.ndarray, np.ndarray, np.ndarray]:
    table = np.array([(row.used, row.p10, row.p50, row.p90) for row in rows], dtype=float).reshape(-1, 4)
    return table[:, 0], table[:, 1], table[:, 2], table[:, 3]
