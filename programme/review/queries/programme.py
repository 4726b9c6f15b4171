"""The review of the programme over a span: each measure with its interval, the span before and the unit's own aim."""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass
from datetime import date, datetime

import numpy as np

from patients.models import Answers
from programme.core.models import Site
from programme.core.settings_of_site import site_settings
from programme.review.numeric.measures import Count, Ints, count_all, person_years
from programme.review.queries.asked import Asked
from programme.review.queries.columns import Read, per_person, read
from programme.review.queries.definitions import BY_KEY, DEFINITIONS
from programme.review.queries.figures import Row, row_of
from programme.review.queries.groups import groups_of

Counts = dict[str, Count]


@dataclass(frozen=True, slots=True)
class Part:
    """The measures of one group of people, or of everybody (key '')."""

    key: str
    name: str
    n_people: int
    person_years: float
    rows: tuple[Row, ...]

    def row(self, key: str) -> Row:
        return next(row for row in self.rows if row.definition.key == key)

    @property
    def standing_out(self) -> tuple[Row, ...]:
        """Measures that clearly miss an own aim or changed by more than chance, those that miss it first."""
        found = [row for row in self.rows if row.verdict == "below" or row.change.beyond_chance]
        return tuple(sorted(found, key=lambda row: row.verdict != "below"))

    @property
    def aims_met(self) -> tuple[Row, ...]:
        return tuple(row for row in self.rows if row.verdict == "above")


@dataclass(frozen=True, slots=True)
class Review:
    """The review of a span. left: how many left in it, by reason. smallest: counts under it are masked in files."""

    site_name: str
    asked: Asked
    everybody: Part
    groups: tuple[Part, ...]
    left: tuple[tuple[str, int], ...]
    smallest: int

    @property
    def parts(self) -> tuple[Part, ...]:
        """What is shown: the groups, where people are taken apart, else everybody."""
        return self.groups or (self.everybody,)

    @property
    def by_measure(self) -> tuple[tuple[Row, ...], ...]:
        """For each measure its row in every part."""
        return tuple(zip(*(part.rows for part in self.parts), strict=True))


@dataclass(frozen=True, slots=True)
class Behind:
    """One person behind a figure."""

    patient_ref: str
    name: str
    numerator: float
    denominator: float
    missing: float
    left_because: str


def review(site: Site, asked: Asked, at: datetime) -> Review:
    """Return the review of a span with the settings in force at `at`. Seven queries."""
    rules = site_settings(site, at)
    found = read(site, asked, default_ceiling_pct=rules["hbs_ceiling_pct"])
    now = _counts(found, asked.start, asked.end, rules, found.ferritin_now)
    before = _counts(found, asked.start - asked.shift, asked.end - asked.shift, rules, found.ferritin_before)
    first, last = asked.start.toordinal(), asked.end.toordinal()
    years = person_years(found.columns, first, last)
    left = Counter(who.left_because for who in found.people if first <= who.last_day <= last)
    parts = [
        Part(
            group.key,
            group.name,
            int((years[group.members] > 0).sum()),
            float(years[group.members].sum()),
            tuple(
                row_of(one, now[one.key].of(group.members), before[one.key].of(group.members), rules.get(one.aim, 0.0))
                for one in DEFINITIONS
            ),
        )
        for by in dict.fromkeys(("", asked.by))
        for group in groups_of(found.people, by)
    ]
    smallest = int(rules["smallest_count_shown"])
    return Review(site.name, asked, parts[0], tuple(parts[1:]), tuple(sorted(left.items())), smallest)


def people_behind(site: Site, key: str, asked: Asked, at: datetime, *, group: str = "") -> tuple[list[Behind], str]:
    """Return who stands behind measure `key`, lowest share first for shares, else most first, and the group's name.

    A group that is not there is everybody (name '').
    """
    rules = site_settings(site, at)
    found = read(site, asked, default_ceiling_pct=rules["hbs_ceiling_pct"])
    count = _counts(found, asked.start, asked.end, rules, found.ferritin_now)[key]
    chosen = next((one for one in groups_of(found.people, asked.by) if group and one.key == group), None)
    inside = chosen.members if chosen else np.ones(len(found.people), bool)
    last = asked.end.toordinal()
    figures = zip(found.people, inside, count.numerator, count.denominator, count.lacking, strict=True)
    people = [
        Behind(who.patient_ref, who.name, float(top), float(bottom), float(lacking),
               who.left_because if who.last_day <= last else "")
        for who, counts, top, bottom, lacking in figures
        if counts and (bottom > 0 or top > 0 or lacking > 0)
    ]  # fmt: skip
    sign = 1 if BY_KEY[key].is_share else -1
    people.sort(key=lambda one: (sign * one.numerator / (one.denominator or 1.0), one.name))
    return people, chosen.name if chosen else ""


def _counts(found: Read, start: date, end: date, rules: dict[str, float], ferritin: Ints) -> Counts:
    first, last = start.toordinal(), end.toordinal()
    columns, n = found.columns, len(found.people)
    counts = count_all(columns, first, last, grace_days=rules["on_time_grace_days"])
    inside = (columns.day >= first) & (columns.day <= last) & (columns.day <= columns.last_day[columns.person])
    this_year = count_all(columns, date(end.year, 1, 1).toordinal(), last, grace_days=0)["units"].numerator
    none = np.zeros(n)
    events = per_person([who for who, day in found.events if first <= day <= last], n)
    answers = [(who, said) for who, day, said in found.decisions if first <= day <= last]
    by_answer = {one: per_person([who for who, said in answers if said == one], n) for one in Answers}
    answered = by_answer[Answers.ACCEPTED] + by_answer[Answers.OVERRIDDEN]
    return counts | {
        "antibodies": Count(
            per_person([who for who, year in found.antibodies if year == end.year], n), this_year, none
        ),
        "reactions": Count(events, per_person(list(columns.person[inside]), n), none),
        "ferritin": _in_time(found, last, ferritin, rules["check_ferritin_days"]),
        "accepted": Count(by_answer[Answers.ACCEPTED], answered, by_answer[Answers.NOTHING]),
    }


def _in_time(found: Read, last: int, newest: Ints, every_days: float) -> Count:
    columns = found.columns
    begun = np.zeros(len(found.people), bool)
    begun[columns.person[columns.day <= last]] = True
    here = begun & (columns.last_day > last) & (every_days > 0)
    in_time = here & (newest > 0) & (last - newest <= every_days)
    return Count(in_time.astype(float), here.astype(float), (here & (newest == 0)).astype(float))
