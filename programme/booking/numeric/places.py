"""Which free places somebody can have, and which suit best, each with its reason.

Hard, so never offered and never booked: what the calendar does not have free, days before the earliest useful one or in
the past, days on which the person cannot come, times outside the ones they can keep, and starts for which no crossmatch
sample could be taken. Everything else is a matter of order. The weights of the order are chosen here; they have no
source.
"""

from collections.abc import Iterable, Mapping, Set
from dataclasses import dataclass, field
from datetime import date, datetime, time, timedelta
from zoneinfo import ZoneInfo

from programme.booking.numeric.calendar import WEEKDAYS, Dates, Place, fit_together
from programme.booking.numeric.staff import Staffed
from programme.booking.numeric.workdays import BloodLead
from sessions.day.numeric.samples import SampleRule, SamplingHours, holds_at, sample_spans

DAY_WEIGHT = 1.5  # a day away from the best one, in points of chance in 100
WEEKDAY_WEIGHT = 4.0
RATHER_NOT_WEIGHT = 8.0
LAST_PLACE_WEIGHT = 2.0
NEAR_WEIGHT = 25.0  # a day so near another place of theirs that it needs a reason
BLOOD_WEIGHT = 25.0  # a place that is too soon for its blood, where everybody is placed at once: two weeks' difference
FAR_LATE_DAYS, FAR_LATE_CHANCE = 14, 0.5
"""A place more days than this after the last safe one, or with so great a chance of being over, is far too late."""
REASON_HOLDS_DAYS = 7  # so far the last safe day may move and the reason for a later place holds; chosen here
SECOND_TRY_DAYS = 7  # room left for another try, for people who often cannot keep a visit


@dataclass(frozen=True, slots=True)
class AwayDates:
    """Days on which a person cannot come (`cannot`), or would rather not."""

    dates: Dates
    cannot: bool
    words: str = ""


@dataclass(frozen=True, slots=True)
class SampleRules:
    """When a crossmatch sample may be taken: how long it holds, when the laboratory takes one, in which zone."""

    zone: ZoneInfo
    rule: SampleRule
    hours: SamplingHours


@dataclass(frozen=True, slots=True)
class Seeker:
    """Somebody who needs a place. chance: of a measured value over the ceiling by day, 0..1.

    earliest: first useful day; best: the suggested one; latest_safe: the last within the accepted chance, None where
    none is known. weekdays: the ones wished, Monday 0; none means any. not_before, end_by: times they can keep.
    booked: days on which they have a place already. samples: crossmatch samples in force. often_misses: plan so that
    another try still fits. blood: how long ahead theirs is ordered, None where that does not matter. gives_up: the day
    of a place they would give up, whose order for blood moves along. furthest: the last day that can be booked.
    shortest_days: between two exchanges of theirs, by the goals. series: from when until when a further session of a
    series that has begun can be had, before the earliest useful day; by hand only, for a prescriber decides about it.
    """

    today: date
    now: datetime
    earliest: date
    samples_by: SampleRules
    best: date | None = None
    latest_safe: date | None = None
    chance: Mapping[date, float] = field(default_factory=dict)
    weekdays: frozenset[int] = frozenset()
    not_before: time | None = None
    end_by: time | None = None
    away: tuple[AwayDates, ...] = ()
    booked: frozenset[date] = frozenset()
    samples: tuple[datetime, ...] = ()
    often_misses: bool = False
    blood: BloodLead | None = None
    gives_up: date | None = None
    furthest: date = date.max
    shortest_days: int = 0
    series: tuple[date, date] | None = None

    @property
    def aim(self) -> date | None:
        """The day to be near: the best, or earlier where room for another try is wanted."""
        if self.best is None or not self.often_misses or self.latest_safe is None:
            return self.best
        return max(self.earliest, min(self.best, self.latest_safe - timedelta(days=SECOND_TRY_DAYS)))

    def is_late(self, on: date) -> bool:
        """Whether a day is after the last safe one."""
        return self.latest_safe is not None and on > self.latest_safe

    def goes_on(self, on: date) -> bool:
        """Whether a day, earlier than is useful else, may be one of a series that has begun."""
        return on < self.earliest and self.series is not None and self.series[0] <= on <= self.series[1]

    def booked_near(self, on: date) -> date | None:
        """The nearest day on which they have a place already, less than the shortest interval away; else None."""
        near = [day for day in self.booked if 0 < abs((day - on).days) < self.shortest_days]
        return min(near, key=lambda day: (abs((day - on).days), day), default=None)

    def is_far_late(self, on: date) -> bool:
        """Whether a day is so late that a consultant should know of it."""
        return _is_far(on, self.latest_safe, self.chance.get(on))

    def reason_holds(self, on: date, safe_then: date | None, chance_then: float | None) -> bool:
        """Whether the reason for a late day, given with this last safe day and chance, still speaks of that day.

        It does not where the last safe day came forward by more than a week since, or the day became far too late.
        """
        holds = timedelta(days=REASON_HOLDS_DAYS)
        if safe_then is not None and self.latest_safe is not None and safe_then - self.latest_safe > holds:
            return False
        return not self.is_far_late(on) or _is_far(on, safe_then, chance_then)

    def blood_passed(self, on: date) -> date | None:
        """The day by which blood for a day had to be ordered, where it has passed; None where there is time."""
        return None if self.blood is None else self.blood.passed(on, self.today, goes_with=self.gives_up)


def _is_far(on: date, latest_safe: date | None, chance: float | None) -> bool:
    by_days = latest_safe is not None and (on - latest_safe).days > FAR_LATE_DAYS
    return by_days or (chance or 0.0) >= FAR_LATE_CHANCE


@dataclass(frozen=True, slots=True)
class FreePlace:
    """A place that can be had. late: after the last safe day; far_late: so much that a consultant should know.

    blood_by: the day by which its blood had to be ordered, where that has passed.
    """

    place: Place
    late: bool
    far_late: bool
    blood_by: date | None

    @property
    def blood_words(self) -> str:
        """What to do first about the blood of this place; '' where there is time to order it."""
        return blood_words(self.blood_by)


@dataclass(frozen=True, slots=True)
class RankedPlace(FreePlace):
    """A place with its rank (1 is best) among those of all days, and why it stands there."""

    rank: int
    chance: float | None
    reason: str


def sample_day(start: datetime, rules: SampleRules, open_days: Set[date], now: datetime) -> date | None:
    """Return the last day with an open sampling hour for a start (aware); None where there is none from `now` on."""
    start = start.astimezone(rules.zone)
    spans = sample_spans(start, rule=rules.rule, hours=rules.hours, open_days=open_days)
    return next((span.last.date() for span in reversed(spans) if span.last >= now), None)


def sample_holds(taken: datetime, start: datetime, rules: SampleRules) -> bool:
    """Whether a sample that was taken is still valid at a start (both aware)."""
    return holds_at(taken.astimezone(rules.zone), start.astimezone(rules.zone), rules.rule)


def refusal(who: Seeker, place: Place, open_days: Set[date]) -> str:
    """Return why a place that is free cannot be had by this person, with what is allowed; '' where it can."""
    on, start = place.on, datetime.combine(place.on, place.starts, tzinfo=who.samples_by.zone)
    if start <= who.now:
        return f"{day_and_time(place)} is in the past; allowed is any start from now on."
    if on in who.booked:
        return f"They are booked on {spoken(on)} already; move that booking, or choose another day."
    if on < who.earliest and not who.goes_on(on):
        return f"{spoken(on)} is too early to be of use; allowed is from {spoken(who.earliest)} on."
    if on > who.furthest:
        ahead = (who.furthest - who.today).days
        return f"{spoken(on)} is too far ahead; allowed is until {spoken(who.furthest)}, {ahead} days from today."
    for row in who.away:
        if row.cannot and row.dates.hold(on):
            why = f" ({row.words})" if row.words else ""
            until = row.dates.until
            back = "" if until is None else f" They are back on {spoken(until + timedelta(days=1))}."
            return f"They cannot come on {spoken(on)}{why}.{back}"
    if who.not_before is not None and place.starts < who.not_before:
        return f"They cannot start before {who.not_before:%H:%M}; this place starts at {place.starts:%H:%M}."
    if who.end_by is not None and place.ends > who.end_by:
        return f"They must be done by {who.end_by:%H:%M}; this session would last until {place.ends:%H:%M}."
    if any(sample_holds(taken, start, who.samples_by) for taken in who.samples):
        return ""
    if sample_day(start, who.samples_by, open_days, who.now) is None:
        holds, needs = who.samples_by.rule.hours, who.samples_by.hours.crossmatch_hours
        return (
            f"No crossmatch sample could be taken for {day_and_time(place)}: no open sampling hour lies within "
            f"{holds:g} h before it and {needs:g} h for the laboratory."
        )
    return ""


def ranked(
    who: Seeker, places: Iterable[Place], open_days: Set[date], *, room: Mapping[date, Staffed] | None = None
) -> tuple[RankedPlace, ...]:
    """Return the best place of every useful day on which this person can have one, the best day first.

    room: the staff of the days on which they are limited, with what is booked.

    Safe days go before late ones. Safe ones with time to order blood go before those without, then by chance in 100 of
    being over, days from the best day, wishes and whether the day's last place is taken. Late ones go by chance first,
    for waiting longer does harm; then those with time to order blood, then by day.
    """
    of_day: dict[date, list[Place]] = {}
    for place in places:
        if who.goes_on(place.on):
            continue
        of_day.setdefault(place.on, []).append(place)
    best: list[tuple[tuple[float, ...], Place, int]] = []
    for on, rows in of_day.items():
        can = [place for place in rows if not refusal(who, place, open_days)]
        if can:
            first = min(can, key=lambda place: (len(place.holds), place.starts, place.chair_pk))
            left = fit_together(rows, (room or {}).get(on))
            best.append((_order(who, on, left), first, left))
    best.sort(key=lambda row: (row[0], row[1].key))
    return tuple(
        RankedPlace(
            rank=number,
            place=place,
            chance=who.chance.get(place.on),
            late=who.is_late(place.on),
            far_late=who.is_far_late(place.on),
            blood_by=who.blood_passed(place.on),
            reason=_reason(who, place.on, left, number),
        )
        for number, (_, place, left) in enumerate(best, start=1)
    )


def _order(who: Seeker, on: date, left: int) -> tuple[float, ...]:
    chance = 100.0 * who.chance.get(on, 1.0 if who.is_late(on) else 0.0)
    cost = unsuited(who, on) + (LAST_PLACE_WEIGHT if left == 1 else 0.0)
    too_soon = float(who.blood_passed(on) is not None)
    if who.is_late(on):
        return (1.0, chance, too_soon, float(on.toordinal()), cost)
    return (0.0, too_soon, chance + cost, float(on.toordinal()))


def points_against(who: Seeker, on: date) -> float:
    """Points against a day where everybody is placed at once: how little it suits, and whether its blood is late."""
    return unsuited(who, on) + (BLOOD_WEIGHT if who.blood_passed(on) is not None else 0.0)


def blood_words(by: date | None) -> str:
    """Say that the day to order blood by has passed, and what comes first; '' for None."""
    return "" if by is None else f"Blood for it had to be ordered by {spoken(by)}; telephone the laboratory first."


def unsuited(who: Seeker, on: date) -> float:
    """How little a day suits a person, in points of chance: days from the best or to another place."""
    cost = 0.0 if who.aim is None else DAY_WEIGHT * abs((on - who.aim).days)
    cost += WEEKDAY_WEIGHT if who.weekdays and on.weekday() not in who.weekdays else 0.0
    cost += NEAR_WEIGHT if who.booked_near(on) is not None else 0.0
    return cost + (RATHER_NOT_WEIGHT if _rather_not(who, on) is not None else 0.0)


def _rather_not(who: Seeker, on: date) -> AwayDates | None:
    return next((row for row in who.away if not row.cannot and row.dates.hold(on)), None)


def _reason(who: Seeker, on: date, left: int, rank: int) -> str:
    """Say why a day stands where it does: window, best day, wishes, room."""
    said = "; ".join(
        [
            *words_of_day(who, on, first=rank == 1),
            "the last free place that day" if left == 1 else f"{left} places free",
        ]
    )
    return f"{said[0].upper()}{said[1:]}."


def words_of_day(who: Seeker, on: date, *, first: bool) -> list[str]:
    """Say how a day lies to the window, the best day and the wishes of a person; first: the best they can have."""
    parts = []
    if who.is_late(on) and who.latest_safe is not None:
        how = "the first that can be had" if first else "late"
        parts.append(f"{how}, {spoken_days((on - who.latest_safe).days)} after the last safe day")
    elif who.best is not None:
        away = (on - who.best).days
        where = f"{spoken_days(abs(away))} {'after' if away > 0 else 'before'} the best day" if away else "the best day"
        parts.append(where if who.latest_safe is None or on != who.latest_safe else f"{where}, the last safe one")
        if who.often_misses and away < 0:
            parts.append("leaves room for another try")
    if who.weekdays:
        wished = on.weekday() in who.weekdays
        parts.append(f"a {WEEKDAYS[on.weekday()]} as wished" if wished else f"not the weekday wished ({_wished(who)})")
    near = who.booked_near(on)
    if near is not None:
        where = "after" if near < on else "before"
        parts.append(f"only {spoken_days(abs((on - near).days))} {where} their place on {spoken(near)}")
    away_row = _rather_not(who, on)
    if away_row is not None:
        parts.append(f"they would rather not{f' ({away_row.words})' if away_row.words else ''}")
    return parts


def _wished(who: Seeker) -> str:
    return ", ".join(WEEKDAYS[day] for day in sorted(who.weekdays))


def spoken_days(count: int) -> str:
    """'1 day', '3 days'."""
    return "1 day" if count == 1 else f"{count} days"


def spoken(on: date) -> str:
    """'Tue 9 Jun 2026'."""
    return f"{on:%a} {on.day} {on:%b} {on.year}"


def day_and_time(place: Place) -> str:
    """'Tue 9 Jun 2026, 09:30'."""
    return f"{spoken(place.on)}, {place.starts:%H:%M}"
