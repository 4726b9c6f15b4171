"""What the records lack: each gap with how many, of how many, its interval by person, and who stands behind it."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from datetime import date

import numpy as np

from patients.models import Analyte, LabResult
from programme.core.models import Site
from programme.core.numeric.intervals import persons_resampled, wilson
from programme.review.queries.asked import Asked
from programme.review.queries.behind import Who, names_of, those
from sessions.day.numeric.starting import weight_holds_days
from sessions.models import SessionFacts
from sessions.queries.people import people_inputs

FIELDS = (
    "patient_id", "hbs_before_pct", "hbs_after_pct", "hb_before_g_l", "hb_after_g_l",
    "exchange_session__red_cells_in_ml", "exchange_session__blood_out_ml", "exchange_session__saline_in_ml",
    "exchange_session__units",
)  # fmt: skip
LACKING = (
    ("Sessions without HbS before", "the pace of that gap is not known", (1,)),
    ("Sessions without HbS after", "the end is reckoned, and carries its uncertainty", (2,)),
    ("Sessions without Hb before", "neither the end nor the net iron can be reckoned", (3,)),
    ("Sessions without Hb after", "the next climb is forecast without it", (4,)),
    ("Sessions without a volume", "neither the end nor the net iron can be reckoned", (5, 6, 7)),
    ("Sessions without units", "units a year are too low", (8,)),
)
"""What is counted, why it matters, and the places of FIELDS of which any is empty."""


@dataclass(frozen=True, slots=True)
class Lack:
    """One kind of gap. pct, low, high: share of what was asked, with its 95 % interval; None where there is none."""

    words: str
    why: str
    count: int
    of: int
    of_words: str
    pct: float | None
    low: float | None
    high: float | None
    why_not: str
    people: tuple[Who, ...]


def data_quality(site: Site, asked: Asked, today: date, settings: dict[str, float]) -> tuple[Lack, ...]:
    """Return what the records of the span lack, and whose weight is too old today; eight queries."""
    names = names_of(site, genotype=asked.genotype)
    rows = SessionFacts.objects.filter(
        patient__site=site, day__range=(asked.start.toordinal(), asked.end.toordinal())
    ).values_list(*FIELDS)
    sessions = [row for row in rows if row[0] in names]
    lacks = [
        _by_person(words, why, [(row[0], any(row[at] is None for at in places)) for row in sessions], "sessions", names)
        for words, why, places in LACKING
    ]
    return (*lacks, *_results(site, asked, names), _weights(site, today, settings, names))


def _by_person(
    words: str, why: str, found: Iterable[tuple[int, bool]], of_words: str, names: Mapping[int, Who]
) -> Lack:
    asked, lacking = Counter[int](), Counter[int]()
    for pk, lacks in found:
        asked[pk] += 1
        lacking[pk] += lacks
    count, of = lacking.total(), asked.total()
    limits = persons_resampled(*(np.array([one[pk] for pk in asked], dtype=np.float64) for one in (lacking, asked)))
    return Lack(
        words=words,
        why=why,
        count=count,
        of=of,
        of_words=of_words,
        pct=100 * count / of if of else None,
        low=100 * limits.low if limits.is_known else None,
        high=100 * limits.high if limits.is_known else None,
        why_not=limits.why_not,
        people=those(lacking, names),
    )


def _results(site: Site, asked: Asked, names: Mapping[int, Who]) -> tuple[Lack, Lack]:
    """Results of HbS and Hb that count and belong to no session, and results of any kind that are held."""
    taken = LabResult.objects.filter(patient__site=site, taken_on__range=(asked.start, asked.end))
    linked = taken.in_force().filter(analyte__in=[Analyte.HBS, Analyte.HB]).values_list("patient_id", "link")
    held = taken.filter(superseded_by__isnull=True).values_list("patient_id", "held_reason")
    return (
        _by_person(
            "Results of HbS or Hb without a session", "right for somebody seen between sessions; else the day is wrong",
            [(pk, link is None) for pk, link in linked if pk in names], "results of HbS and Hb", names,
        ),
        _by_person(
            "Results held back", "they feed nothing until somebody decides in the inbox",
            [(pk, bool(why)) for pk, why in held if pk in names], "results", names,
        ),
    )  # fmt: skip


def _weights(site: Site, today: date, settings: dict[str, float], names: Mapping[int, Who]) -> Lack:
    """People on the programme whose weight no longer holds; one answer a person, so the score interval."""
    records = [one for one in people_inputs(site, today, settings) if one.pk in names]
    old = {
        one.pk: 1
        for one in records
        if one.weight_on is None
        or (today - one.weight_on).days > weight_holds_days(one.weight_kg, one.age_years, settings)
    }
    limits = wilson(len(old), len(records))
    return Lack(
        words="Weights too old today",
        why="every limit in mL per kg rests on it",
        count=len(old),
        of=len(records),
        of_words="people on the programme",
        pct=100 * len(old) / len(records) if records else None,
        low=100 * limits.low if limits.is_known else None,
        high=100 * limits.high if limits.is_known else None,
        why_not=limits.why_not,
        people=those(old, names),
    )
