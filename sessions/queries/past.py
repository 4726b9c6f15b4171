"""Past sessions in columns, as the drift model reads them: a whole site, or some of its people, in few queries."""

from __future__ import annotations

from bisect import bisect_right
from collections import defaultdict
from collections.abc import Collection
from dataclasses import dataclass
from datetime import date, datetime, time, timedelta
from typing import Any
from zoneinfo import ZoneInfo

import numpy as np
from django.core.exceptions import EmptyResultSet
from django.db import connection
from django.db.models import Count, Q, QuerySet
from numpy.typing import NDArray

from patients.models import Goals, LabResult, Patient
from programme.core.models import Site
from sessions.models import SessionFacts
from sessions.numeric.columns import SessionColumns, enough_people
from sessions.numeric.packed import FIGURES, unpack

ROWS_AT_ONCE = 1000  # few enough to stay in the processor's cache between reading and laying out

RESULT_FIGURES = {
    "hbs_before_result": ("hbs_before_pct", "share_of_ideal"),
    "hbs_after_result": ("hbs_after_pct", "share_of_ideal"),
    "hb_before_result": (
        "hb_before_g_l",
        "hbs_ratio",
        "hbs_ratio_sd",
        "hb_reckoned_g_l",
        "hb_reckoned_sd",
        "share_of_ideal",
    ),
    "hb_after_result": ("hb_after_g_l", "share_of_ideal"),
}
"""Which figures of a row rest on which of its results."""

PLACE = {name: place for place, name in enumerate(FIGURES)}
SHARE = ("share_of_ideal", "share_of_ideal_sd")
NOT_COLUMNS = {"gap_known", "known_day", *SHARE, *RESULT_FIGURES}


@dataclass(frozen=True, slots=True)
class SiteColumns:
    """Everyone's past sessions. Person number p of `columns` is `patient_pks[p]`, `patient_refs[p]`.

    share_of_ideal, share_of_ideal_sd: own cells removed against the ideal, of each row of `columns`; nan where unknown.
    results: keys of the results each row rests on, [rows, 4], nan for none and where not all were known on the day.
    """

    columns: SessionColumns
    share_of_ideal: NDArray[np.float64]
    share_of_ideal_sd: NDArray[np.float64]
    results: NDArray[np.float64]
    patient_pks: tuple[int, ...]
    patient_refs: tuple[str, ...]

    def results_behind(self, places: NDArray[np.int64]) -> list[list[int]]:
        """Return the keys of the results that each of the people at `places` is known by, rising."""
        starts = self.columns.starts()
        own = [self.results[starts[place] : starts[place + 1]] for place in places]
        return [[int(key) for key in np.unique(keys[keys > 0])] for keys in own]


def session_columns(
    site: Site, *, until: date, known_by: date | None = None, only: Collection[int] | None = None
) -> SiteColumns:
    """Return the sessions of everyone at `site`, on the programme or not, as known on a day.

    until: sessions, and samples taken, on this day or earlier. known_by: leave out results received on a later day,
    where the day of receipt is known; None takes what has been received by now. only: keys of the people to read.
    People lie in order of their reference, so that the same records give the same columns in any database.
    Queries: two, and two more where a figure was not yet known on that day.
    """
    wanted = Patient.objects.of_site(site) if only is None else Patient.objects.of_site(site).filter(pk__in=only)
    people = sorted(wanted.values_list("patient_ref", "pk"))
    these: dict[str, Any] = {"patient__site": site} if only is None else {"patient__in": [pk for _, pk in people]}
    facts = SessionFacts.objects.filter(**these, day__lte=until.toordinal())
    refs, keys = tuple(ref for ref, _ in people), tuple(pk for _, pk in people)
    numbers, person = _in_order(*_read_facts(facts), np.array(keys, dtype=np.int64))
    known_until = min(until, known_by or until).toordinal()
    late = np.flatnonzero(numbers[:, PLACE["known_day"]] > known_until)
    if len(late):
        row_of = {(keys[person[row]], int(numbers[row, PLACE["day"]])): int(row) for row in late}
        unknown = _not_yet_known(site, until, known_by, these)
        _hide_unknown(numbers, row_of, facts.filter(known_day__gt=known_until), unknown)
        for name in RESULT_FIGURES:
            numbers[late, PLACE[name]] = np.nan
    columns = SessionColumns.build(
        person=person,
        gap_known=numbers[:, PLACE["gap_known"]] > 0,
        n_people=len(people),
        **{name: numbers[:, place] for name, place in PLACE.items() if name not in NOT_COLUMNS},
    )
    share, share_sd = (numbers[:, PLACE[name]].copy() for name in SHARE)  # views would hold all of the rest
    results = numbers[:, [PLACE[name] for name in RESULT_FIGURES]]
    return SiteColumns(columns, share, share_sd, results, keys, refs)


def _in_order(
    whose: NDArray[np.int64], numbers: NDArray[np.float64], keys: NDArray[np.int64]
) -> tuple[NDArray[np.float64], NDArray[np.int64]]:
    """Return rows in order of person, as numbered in `keys`, and day, and the person of each; whose: key of each."""
    by_key = np.argsort(keys)
    person = by_key[np.searchsorted(keys, whose, sorter=by_key)]
    order = np.lexsort((numbers[:, PLACE["day"]], person))
    return numbers[order], person[order]


def ceilings_at(site: Site, read: SiteColumns, *, default_pct: float) -> NDArray[np.float64]:
    """Return the ceiling that was in force at each row of `read.columns`, %; `default_pct` before anything was decided.

    One query.
    """
    decided: defaultdict[int, list[tuple[int, float]]] = defaultdict(list)
    rows = Goals.objects.filter(patient__site=site).order_by("since", "pk")
    for pk, since, ceiling in rows.values_list("patient_id", "since", "hbs_ceiling_pct"):
        decided[pk].append((since.toordinal(), ceiling))
    whose = [decided[read.patient_pks[place]] for place in read.columns.person]
    return np.array(
        [
            own[at - 1][1] if (at := bisect_right(own, day, key=lambda row: row[0])) else default_pct
            for own, day in zip(whose, read.columns.day, strict=True)
        ],
        dtype=np.float64,
    )


def _read_facts(facts: QuerySet[SessionFacts]) -> tuple[NDArray[np.int64], NDArray[np.float64]]:
    """Read whose each of these rows is, [n], and its packed figures, [n, FIGURES]."""
    whose, figures = [np.empty(0, dtype=np.int64)], [unpack(())]
    try:
        sql, params = facts.values_list("patient_id", "packed").query.sql_with_params()
    except EmptyResultSet:  # nobody was asked for
        return whose[0], figures[0]
    with connection.chunked_cursor() as cursor:  # as it comes: a model's own reading would take as long again
        cursor.execute(sql, params)
        while some := cursor.fetchmany(ROWS_AT_ONCE):
            keys, packed = zip(*some, strict=True)
            whose.append(np.array(keys, dtype=np.int64))
            figures.append(unpack(packed))
    return np.concatenate(whose), np.concatenate(figures)


def _not_yet_known(site: Site, until: date, known_by: date | None, these: dict[str, Any]) -> set[int]:
    """Return the keys of these people's results of sessions up to `until` not taken, or not received, by then."""
    later = Q(taken_on__gt=until)
    if known_by is not None:
        end = datetime.combine(known_by + timedelta(days=1), time(0), tzinfo=ZoneInfo(site.time_zone))
        later |= Q(received_at__gte=end)
    some = LabResult.objects.filter(later, **these, link__exchange_session__on__lte=until)
    return set(some.values_list("pk", flat=True))


def _hide_unknown(
    numbers: NDArray[np.float64], row_of: dict[tuple[int, int], int], late: QuerySet[SessionFacts], unknown: set[int]
) -> None:
    """Blank in the rows of `late`, found by person and day, every figure that rests on a result not yet known."""
    for patient_pk, day, *results in late.values_list("patient_id", "day", *RESULT_FIGURES):
        for result, figures in zip(results, RESULT_FIGURES.values(), strict=True):
            if result in unknown:
                numbers[row_of[patient_pk, day], [PLACE[figure] for figure in figures]] = np.nan


def sessions_known(site: Site, *, until: date) -> int:
    """Return how many sessions of a site are on record up to a day. One query."""
    return SessionFacts.objects.filter(patient__site=site, day__lte=until.toordinal()).count()


def people_to_learn_from(site: Site, *, until: date, most_gaps: int) -> list[int]:
    """Return the keys of people whose sessions have about `most_gaps` gaps together; everyone where there are fewer.

    They are spread evenly, in order of reference, over all who have a gap. One query.
    """
    rows = SessionFacts.objects.filter(patient__site=site, day__lte=until.toordinal())
    counted = sorted(rows.values_list("patient__patient_ref", "patient_id").annotate(Count("pk")))
    gaps = np.array([count - 1 for _, _, count in counted], dtype=np.int64)
    if gaps.sum() <= most_gaps:
        return [pk for _, pk, _ in counted]
    return [counted[place][1] for place in enough_people(gaps, most_gaps)]
