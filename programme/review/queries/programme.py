"""The review of the programme over a span: each measure with its interval, the year before and the unit's own aim."""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass
from datetime import date, datetime, timedelta

import numpy as np

from patients.models import Answers
from programme.core.models import Site
from programme.core.numeric.intervals import Interval, Verdict, persons_resampled, poisson_exact, verdict, wilson
from programme.core.settings_of_site import site_settings
from programme.review.numeric.measures import Count, Ints, count_all, person_years
from programme.review.queries.columns import Read, per_person, read
from programme.review.queries.definitions import BY_KEY, DEFINITIONS, EXACT, ONE_EACH, Definition

YEAR = timedelta(days=365)


@dataclass(frozen=True, slots=True)
class Row:
    """One measure as shown. found, low, high, before, aim: in the measure's unit; None where there is none."""

    definition: Definition
    numerator: float
    denominator: float
    missing: int
    found: float | None
    low: float | None
    high: float | None
    why_not: str
    before: float | None
    before_counts: tuple[float, float]
    aim: float | None
    verdict: Verdict | None


@dataclass(frozen=True, slots=True)
class Review:
    """The review of a span. left: how many left in it, by reason. smallest: counts under it are masked in files."""

    site_name: str
    start: date
    end: date
    genotype: str
    n_people: int
    person_years: float
    left: tuple[tuple[str, int], ...]
    rows: tuple[Row, ...]
    smallest: int

    def row(self, key: str) -> Row:
        return next(row for row in self.rows if row.definition.key == key)


@dataclass(frozen=True, slots=True)
class Behind:
    """One person behind a figure."""

    patient_ref: str
    name: str
    numerator: float
    denominator: float
    left_because: str


def review(site: Site, start: date, end: date, at: datetime, *, genotype: str = "") -> Review:
    """Return the review of start to end, both included, with the settings in force at `at`. Seven queries."""
    rules = site_settings(site, at)
    found = read(site, end, genotype=genotype, default_ceiling_pct=rules["hbs_ceiling_pct"])
    now = _counts(found, start, end, rules, found.ferritin_now)
    before = _counts(found, start - YEAR, end - YEAR, rules, found.ferritin_before)
    years = person_years(found.columns, start.toordinal(), end.toordinal())
    left = Counter(who.left_because for who in found.people if start.toordinal() <= who.last_day <= end.toordinal())
    return Review(
        site_name=site.name,
        start=start,
        end=end,
        genotype=genotype,
        n_people=int((years > 0).sum()),
        person_years=float(years.sum()),
        left=tuple(sorted(left.items())),
        rows=tuple(_row(one, now[one.key], before[one.key], rules.get(one.aim, 0.0)) for one in DEFINITIONS),
        smallest=int(rules["smallest_count_shown"]),
    )


def people_behind(site: Site, key: str, start: date, end: date, at: datetime, *, genotype: str = "") -> list[Behind]:
    """Return who stands behind measure `key`, lowest share first for shares, else most first."""
    rules = site_settings(site, at)
    found = read(site, end, genotype=genotype, default_ceiling_pct=rules["hbs_ceiling_pct"])
    count = _counts(found, start, end, rules, found.ferritin_now)[key]
    people = [
        Behind(
            who.patient_ref, who.name, float(top), float(bottom), who.left_because if who.last_day <= end_day else ""
        )
        for end_day in (end.toordinal(),)
        for who, top, bottom in zip(found.people, count.numerator, count.denominator, strict=True)
        if bottom > 0 or top > 0
    ]
    sign = 1 if BY_KEY[key].is_share else -1
    return sorted(people, key=lambda one: (sign * one.numerator / (one.denominator or 1.0), one.name))


def _counts(found: Read, start: date, end: date, rules: dict[str, float], ferritin: Ints) -> dict[str, Count]:
    first, last = start.toordinal(), end.toordinal()
    columns, n = found.columns, len(found.people)
    counts = count_all(columns, first, last, grace_days=rules["on_time_grace_days"])
    inside = (columns.day >= first) & (columns.day <= last) & (columns.day <= columns.last_day[columns.person])
    this_year = count_all(columns, date(end.year, 1, 1).toordinal(), last, grace_days=0)["units"].numerator
    events = [who for who, day in found.events if first <= day <= last]
    answers = [(who, said) for who, day, said in found.decisions if first <= day <= last]
    accepted = per_person([who for who, said in answers if said == Answers.ACCEPTED], n)
    answered = per_person([who for who, said in answers if said != Answers.NOTHING], n)
    return counts | {
        "antibodies": Count(per_person([who for who, year in found.antibodies if year == end.year], n), this_year, 0),
        "reactions": Count(per_person(events, n), per_person(list(columns.person[inside]), n), 0),
        "ferritin": _in_time(found, last, ferritin, rules["check_ferritin_days"]),
        "accepted": Count(accepted, answered, len(answers) - int(answered.sum())),
    }


def _in_time(found: Read, last: int, newest: Ints, every_days: float) -> Count:
    columns = found.columns
    begun = np.zeros(len(found.people), bool)
    begun[columns.person[columns.day <= last]] = True
    here = begun & (columns.last_day > last) & (every_days > 0)
    in_time = here & (newest > 0) & (last - newest <= every_days)
    return Count(in_time.astype(float), here.astype(float), int((here & (newest == 0)).sum()))


def _row(definition: Definition, count: Count, before: Count, aim: float) -> Row:
    top, bottom = float(count.numerator.sum()), float(count.denominator.sum())
    found = definition.times * top / bottom if bottom > 0 else None
    limits = _interval(definition, count)
    times = definition.times
    old = (float(before.numerator.sum()), float(before.denominator.sum()))
    return Row(
        definition=definition,
        numerator=top,
        denominator=bottom,
        missing=count.missing,
        found=found,
        low=times * limits.low if limits.is_known else None,
        high=times * limits.high if limits.is_known else None,
        why_not=limits.why_not,
        before=times * old[0] / old[1] if old[1] > 0 else None,
        before_counts=old,
        aim=aim or None,
        verdict=verdict(limits, aim / times) if aim and found is not None else None,
    )


def _interval(definition: Definition, count: Count) -> Interval:
    if definition.how == EXACT:
        return poisson_exact(int(count.numerator.sum()), float(count.denominator.sum()))
    if definition.how == ONE_EACH:
        return wilson(int(count.numerator.sum()), int(count.denominator.sum()))
    return persons_resampled(count.numerator, count.denominator)
