"""When the crossmatch sample for a session can be taken: valid at its start, and while the laboratory takes samples.

Transfused or pregnant in the last 3 months, or history not known: the sample is taken at most 3 days before the
transfusion; otherwise it holds 7 days (Milkins et al., Transfus Med 2013;23:3-35, as quoted by a teaching page on
sickle cell disease). Laboratories count the 3 days by the clock, or by calendar days with the day of the sample as the
first (a notice of Exeter laboratory, 2015: Monday's sample to the end of Wednesday). All figures are site settings.
"""

import math
from collections.abc import Mapping, Set
from dataclasses import dataclass
from datetime import UTC, date, datetime, time, timedelta

from programme.core.numeric.days import written_day
from sessions.day.numeric.unit_clocks import sample_is_valid, sample_valid_before


@dataclass(frozen=True, slots=True)
class SampleRule:
    """How long a sample holds, counted by the clock or by calendar days; recent: the short rule, and why."""

    hours: float
    by_calendar_day: bool
    recent: bool
    why: str


@dataclass(frozen=True, slots=True)
class SamplingHours:
    """When samples are taken, on open days, and how long before the start the laboratory needs them.

    opens_hour, closes_hour: hours of the day, 0 to 24. crossmatch_hours: between the sample and the start.
    """

    opens_hour: float
    closes_hour: float
    crossmatch_hours: float


@dataclass(frozen=True, slots=True)
class Span:
    """A stretch of time in which a sample can be taken, both ends included."""

    first: datetime
    last: datetime


def sample_rule(
    on: date,
    *,
    last_transfused: date | None,
    pregnant_until: date | None,
    settings: Mapping[str, float],
) -> SampleRule:
    """Return the rule that holds for a person on a day.

    last_transfused: the last day with red cells, None where none is known, which counts as recent. pregnant_until:
    the last day of a pregnancy up to `on`, None where there was none. Recent is up to and with
    recent_transfusion_days back.
    settings: sample_valid_hours, sample_valid_hours_else, sample_by_calendar_day, recent_transfusion_days.
    """
    by_day = bool(settings["sample_by_calendar_day"])
    within = timedelta(days=settings["recent_transfusion_days"])
    short = settings["sample_valid_hours"]
    if last_transfused is None:
        return SampleRule(short, by_day, True, "it is not known when red cells were last given")
    if on - last_transfused <= within:
        return SampleRule(short, by_day, True, f"red cells on {written_day(last_transfused)}")
    if pregnant_until is not None and on - pregnant_until <= within:
        return SampleRule(short, by_day, True, "pregnant, or within the last months")
    long = settings["sample_valid_hours_else"]
    return SampleRule(long, by_day, False, f"no red cells since {written_day(last_transfused)}, not pregnant")


def shortest_rule(settings: Mapping[str, float]) -> SampleRule:
    """Return the rule by which a sample holds the least: one that holds by it holds whatever is known of the person.

    settings: sample_valid_hours, sample_valid_hours_else, sample_by_calendar_day.
    """
    hours = min(settings["sample_valid_hours"], settings["sample_valid_hours_else"])
    return SampleRule(hours, bool(settings["sample_by_calendar_day"]), True, "the shortest that a sample holds")


def sampling_hours(settings: Mapping[str, float]) -> SamplingHours:
    """Return when the site takes samples (settings sampling_opens_hour, sampling_closes_hour, crossmatch_hours)."""
    return SamplingHours(
        settings["sampling_opens_hour"], settings["sampling_closes_hour"], settings["crossmatch_hours"]
    )


def earliest_taken(start: datetime, rule: SampleRule) -> datetime:
    """Return the first moment at which a sample taken still holds at `start`.

    By the clock: `hours` real hours before, also over a change of clocks. By calendar days: the midnight that begins
    the first of ceil(hours / 24) days, the last of which is the day of the start.
    """
    if not rule.by_calendar_day:
        return (start.astimezone(UTC) - timedelta(hours=rule.hours)).astimezone(start.tzinfo)
    days = math.ceil(rule.hours / 24.0)
    return datetime.combine(start.date() - timedelta(days=days - 1), time(0), tzinfo=start.tzinfo)


def holds_at(taken_at: datetime, at: datetime, rule: SampleRule) -> bool:
    """Return whether a sample taken at `taken_at` holds for red cells started at `at`."""
    return sample_is_valid(taken_at, at, hours=rule.hours, by_calendar_day=rule.by_calendar_day)


def holds_until(taken_at: datetime, rule: SampleRule) -> datetime:
    """Return the last moment of a sample, in the zone of `taken_at`; by calendar days the midnight after it."""
    return sample_valid_before(taken_at, hours=rule.hours, by_calendar_day=rule.by_calendar_day)


def sample_spans(start: datetime, *, rule: SampleRule, hours: SamplingHours, open_days: Set[date]) -> tuple[Span, ...]:
    """Return when a sample for a session that starts at `start` can be taken, earliest first; empty if it cannot.

    start: in the zone of the site. The stretch from `earliest_taken` to `crossmatch_hours` before the start is cut to
    the sampling hours of each day on which the unit is open, as for the places of the diary. A stretch of no length
    counts only where the two meet in one moment.
    """
    first = earliest_taken(start, rule)
    last = (start.astimezone(UTC) - timedelta(hours=hours.crossmatch_hours)).astimezone(start.tzinfo)
    found = []
    for step in range((last.date() - first.date()).days + 1):
        on = first.date() + timedelta(days=step)
        if on not in open_days:
            continue
        midnight = datetime.combine(on, time(0))
        opens = (midnight + timedelta(hours=hours.opens_hour)).replace(tzinfo=start.tzinfo)
        closes = (midnight + timedelta(hours=hours.closes_hour)).replace(tzinfo=start.tzinfo)
        begins, ends = max(first, opens), min(last, closes)
        if begins <= ends:
            found.append(Span(begins, ends))
    return tuple(found)
