"""Session facts: the flat copy of carried-out sessions that drift and pages read, rebuilt when a person's data change.

Reads what is stored in a fixed number of queries for a few hundred people at a time, reckons in columns, writes anew.
"""

from __future__ import annotations

import itertools
import math
from collections import defaultdict
from collections.abc import Iterable, Iterator
from dataclasses import dataclass, field
from datetime import date, datetime
from typing import Any
from zoneinfo import ZoneInfo

import numpy as np
from django.db import transaction

from patients.models import Analyte, BodyMeasure, Genotype, LabResult, Patient
from patients.numeric.untransfused import untransfused_share_pct
from programme.core.models import Site
from programme.core.settings_of_site import site_settings
from sessions.models import (
    AdmissionInGap,
    ExchangeSession,
    ExchangeStep,
    Fluid,
    HaemolysisSign,
    Method,
    OtherTransfusion,
    Position,
    ResultLink,
    SessionFacts,
)
from sessions.numeric.columns import EARLY_OTHER, EARLY_UNWELL, LATE_MISSED, ROUTINE
from sessions.numeric.facts import FactFigures, FinishedSessions, StepsAsDone, reckon_facts

FACTS_VERSION = "facts-4"
PEOPLE_AT_ONCE = 400
ROWS_AT_ONCE = 500
HISTORY_SOURCE = "history"

REASON_CODES = {
    "": ROUTINE,
    "routine": ROUTINE,
    "early_unwell": EARLY_UNWELL,
    "early_other": EARLY_OTHER,
    "late_missed": LATE_MISSED,
}
FIGURES = (
    ("hbs_before", Position.BEFORE, Analyte.HBS, "hbs_before_pct"),
    ("hbs_after", Position.AFTER, Analyte.HBS, "hbs_after_pct"),
    ("hb_before", Position.BEFORE, Analyte.HB, "hb_before_g_l"),
    ("hb_after", Position.AFTER, Analyte.HB, "hb_after_g_l"),
)
SESSION_FIELDS = (
    "pk", "patient_id", "on", "weight_kg", "units", "saline_in_ml", "red_cells_in_ml", "blood_out_ml",
    "visit_reason", "admission_in_gap", "hbs_method", "method",
)  # fmt: skip


@dataclass(frozen=True, slots=True)
class UsedResult:
    """A result linked to a session: its key, value, method and the day by which it was known."""

    pk: int
    value: float
    method: str
    known_on: date
    source: str


Linked = dict[tuple[int, str, str], UsedResult]


@dataclass(slots=True)
class Gap:
    """What is known of the time between two sessions besides the sessions."""

    known: bool = True
    hb_g: float = 0.0
    days: list[tuple[int, float]] = field(default_factory=list)

    @property
    def day(self) -> int | None:
        """Middle day of what was given, weighted by amount; None where nothing was."""
        return round(sum(day * hb for day, hb in self.days) / self.hb_g) if self.hb_g else None


@transaction.atomic
def rebuild_facts(patient_pks: Iterable[int], at: datetime) -> None:
    """Build the facts of all carried-out sessions of these people anew, by the site's settings in force at `at`."""
    by_site: defaultdict[int, list[int]] = defaultdict(list)
    wanted = sorted(set(patient_pks))
    for some in _batches(wanted):
        for pk, site_pk in Patient.objects.filter(pk__in=some).values_list("pk", "site_id"):
            by_site[site_pk].append(pk)
    for site in Site.objects.filter(pk__in=by_site):
        settings = site_settings(site, at)
        for some in _batches(by_site[site.pk]):
            SessionFacts.objects.filter(patient__in=some).delete()
            SessionFacts.objects.bulk_create(build_facts(some, site, settings), batch_size=ROWS_AT_ONCE)


def _batches(pks: list[int]) -> Iterator[list[int]]:
    for start in range(0, len(pks), PEOPLE_AT_ONCE):
        yield pks[start : start + PEOPLE_AT_ONCE]


def build_facts(patient_pks: list[int], site: Site, settings: dict[str, float]) -> list[SessionFacts]:
    """Return unsaved facts of all carried-out sessions of a few hundred people of one site."""
    done = ExchangeSession.objects.carried_out().filter(patient__in=patient_pks).order_by("patient_id", "on")
    rows = [dict(zip(SESSION_FIELDS, values, strict=True)) for values in done.values_list(*SESSION_FIELDS)]
    if not rows:
        return []
    people = Patient.objects.in_bulk(patient_pks)
    linked = _linked_results(patient_pks, ZoneInfo(site.time_zone))
    _take_figures(rows, people, linked)
    _take_heights(rows, patient_pks)
    gaps = _gaps(rows, patient_pks, settings)
    figures = reckon_facts(_columns(rows, people), steps=_steps(rows, settings), settings=settings)
    return [_facts_row(place, row, people, gaps, figures, settings) for place, row in enumerate(rows)]


def _linked_results(patient_pks: list[int], zone: ZoneInfo) -> Linked:
    """The result that counts for each session, position and analyte: the last one before, the first one after."""
    in_force = LabResult.objects.in_force().filter(patient__in=patient_pks)
    links = ResultLink.objects.filter(exchange_session__patient__in=patient_pks, result__in=in_force)
    rows = links.order_by("result__taken_at", "result_id").values_list(
        "exchange_session_id", "position", "result__analyte", "result_id", "result__value", "result__method",
        "result__taken_on", "result__received_at", "result__source",
    )  # fmt: skip
    linked: Linked = {}
    for session_pk, position, analyte, pk, value, method, taken_on, received_at, source in rows:
        key = (session_pk, position, analyte)
        if position == Position.AFTER and key in linked:
            continue
        known_on = taken_on if received_at is None else max(taken_on, received_at.astimezone(zone).date())
        linked[key] = UsedResult(pk, value, method, known_on, source)
    return linked


def _take_figures(rows: list[dict[str, Any]], people: dict[int, Patient], linked: Linked) -> None:
    """Add to each row its measured figures, the results they come from, and the day by which all were known."""
    for row in rows:
        known_on = row["on"]
        for name, position, analyte, figure in FIGURES:
            result = linked.get((row["pk"], position, analyte))
            row[f"{name}_result"] = None if result is None else result.pk
            row[figure] = None if result is None else result.value
            if result is None:
                continue
            known_on = max(known_on, result.known_on)
            if analyte == Analyte.HBS:
                row["hbs_method"] = row["hbs_method"] or result.method
                if people[row["patient_id"]].follows_hbs_and_hbc:
                    row[figure] = _with_hbc(result, linked.get((row["pk"], position, Analyte.HBC)))
        row["known_day"] = known_on.toordinal()


def _with_hbc(hbs: UsedResult, hbc: UsedResult | None) -> float | None:
    """HbS + HbC in SC disease. Past records brought in hold the sum already; elsewhere it needs both results."""
    if hbc is not None:
        return hbs.value + hbc.value
    return hbs.value if hbs.source == HISTORY_SOURCE else None


def _take_heights(rows: list[dict[str, Any]], patient_pks: list[int]) -> None:
    """Add to each row the newest height measured by its day, else the person's first."""
    measures = BodyMeasure.objects.filter(patient__in=patient_pks, height_cm__isnull=False, withdrawn_reason="")
    heights: defaultdict[int, list[tuple[date, float]]] = defaultdict(list)
    for patient_pk, on, height in measures.order_by("on", "pk").values_list("patient_id", "on", "height_cm"):
        heights[patient_pk].append((on, float(height or 0)))
    for row in rows:
        own = heights[row["patient_id"]]
        by_then = [height for on, height in own if on <= row["on"]]
        row["height_cm"] = by_then[-1] if by_then else own[0][1] if own else None


def _gaps(rows: list[dict[str, Any]], patient_pks: list[int], settings: dict[str, float]) -> list[Gap]:
    """What happened in the gap that ends at each row; a person's first row has no gap before it."""
    given: defaultdict[int, list[tuple[date, float | None]]] = defaultdict(list)
    for other in OtherTransfusion.objects.filter(patient__in=patient_pks, withdrawn_reason=""):
        hb_g = other.donor_hb_g(unit_hb_g=settings["unit_hb_g"], unit_volume_ml=settings["unit_volume_ml"])
        given[other.patient_id].append((other.on, hb_g))
    signs: defaultdict[int, list[date]] = defaultdict(list)
    for patient_pk, on in HaemolysisSign.objects.filter(patient__in=patient_pks).values_list("patient_id", "on"):
        signs[patient_pk].append(on)
    gaps = [Gap()]
    for earlier, row in itertools.pairwise(rows):
        same = earlier["patient_id"] == row["patient_id"]
        gaps.append(_gap(earlier["on"], row, given[row["patient_id"]], signs[row["patient_id"]]) if same else Gap())
    return gaps


def _gap(since: date, row: dict[str, Any], given: list[tuple[date, float | None]], signs: list[date]) -> Gap:
    inside = [(on, hb_g) for on, hb_g in given if since < on <= row["on"]]
    gap = Gap()
    for on, hb_g in inside:
        if hb_g is None:
            gap.known = False
        else:
            gap.hb_g += hb_g
            gap.days.append((on.toordinal(), hb_g))
    told = row["admission_in_gap"]
    if told == AdmissionInGap.UNKNOWN or (told == AdmissionInGap.TRANSFUSED and not inside):
        gap.known = False
    if any(since < on <= row["on"] for on in signs):
        gap.known = False  # cells may have been destroyed: what happened is not this person's pace
    return gap


def _columns(rows: list[dict[str, Any]], people: dict[int, Patient]) -> FinishedSessions:
    def column(name: str) -> Any:
        return np.array([row[name] for row in rows], dtype=float)

    owners = [people[row["patient_id"]] for row in rows]
    ages = [owner.age_years(row["on"]) for owner, row in zip(owners, rows, strict=True)]
    return FinishedSessions(
        person=np.array([row["patient_id"] for row in rows], dtype=np.int64),
        female=np.array([owner.sex == "F" for owner in owners]),
        age_years=np.array(ages, dtype=float),
        height_cm=column("height_cm"),
        weight_kg=column("weight_kg"),
        hbs_before_pct=column("hbs_before_pct"),
        hbs_after_pct=column("hbs_after_pct"),
        hb_before_g_l=column("hb_before_g_l"),
        hb_after_g_l=column("hb_after_g_l"),
        units=column("units"),
        saline_in_ml=column("saline_in_ml"),
        red_cells_in_ml=column("red_cells_in_ml"),
        blood_out_ml=column("blood_out_ml"),
        by_machine=np.array([row["method"] == Method.AUTOMATED for row in rows], dtype=bool),
    )


def _steps(rows: list[dict[str, Any]], settings: dict[str, float]) -> StepsAsDone | None:
    """Steps as carried out of those sessions that have them."""
    place = {row["pk"]: number for number, row in enumerate(rows)}
    usual_hb = 1000.0 * settings["unit_hb_g"] / settings["unit_volume_ml"]
    found: defaultdict[int, list[tuple[float, float, float]]] = defaultdict(list)
    people = {row["patient_id"] for row in rows}
    stored = ExchangeStep.objects.filter(exchange_session__patient__in=people).order_by("exchange_session_id", "number")
    for step in stored:
        if step.exchange_session_id in place and step.in_ml + step.out_ml > 0:
            cells_hb = (step.cells_hb_g_l or usual_hb) if step.fluid == Fluid.RED_CELLS else 0.0
            found[place[step.exchange_session_id]].append((step.in_ml, step.out_ml, cells_hb))
    if not found:
        return None
    most = max(len(steps) for steps in found.values())
    padded = np.zeros((len(found), most, 3))
    for number, steps in enumerate(found.values()):
        padded[number, : len(steps)] = steps
    return StepsAsDone(np.array(list(found), dtype=np.int64), padded[:, :, 0], padded[:, :, 1], padded[:, :, 2])


def _facts_row(
    place: int,
    row: dict[str, Any],
    people: dict[int, Patient],
    gaps: list[Gap],
    figures: FactFigures,
    settings: dict[str, float],
) -> SessionFacts:
    patient = people[row["patient_id"]]
    missing = figures.missing[place]
    if patient.genotype == Genotype.SC:
        missing = missing.replace("HbS", "HbS with HbC")
    return SessionFacts(
        exchange_session_id=row["pk"],
        patient_id=patient.pk,
        day=row["on"].toordinal(),
        known_day=row["known_day"],
        hbs_before_pct=row["hbs_before_pct"],
        hbs_after_pct=row["hbs_after_pct"],
        hb_before_g_l=row["hb_before_g_l"],
        hb_after_g_l=row["hb_after_g_l"],
        hbs_ratio=_figure(figures.hbs_ratio[place]),
        hbs_ratio_sd=_figure(figures.hbs_ratio_sd[place]),
        hb_reckoned_g_l=_figure(figures.hb_reckoned_g_l[place]),
        hb_reckoned_sd=_figure(figures.hb_reckoned_sd[place]),
        untransfused_pct=untransfused_share_pct(
            recorded_pct=patient.untransfused_pct,
            genotype=patient.genotype,
            default_pct=settings["untransfused_default_pct"],
        ),
        reason=REASON_CODES[row["visit_reason"]],
        gap_known=gaps[place].known,
        topup_hb_g=gaps[place].hb_g,
        topup_day=gaps[place].day,
        blood_volume_ml=_figure(figures.blood_volume_ml[place]),
        method=row["hbs_method"],
        points_per_unit=_figure(figures.points_per_unit[place]),
        share_of_ideal=_figure(figures.share_of_ideal[place]),
        share_of_ideal_sd=_figure(figures.share_of_ideal_sd[place]),
        donor_kept_pct=_figure(figures.donor_kept_pct[place]),
        net_iron_mg=_figure(figures.net_iron_mg[place]),
        remark=figures.remarks[place],
        missing=missing,
        hbs_before_result=row["hbs_before_result"],
        hbs_after_result=row["hbs_after_result"],
        hb_before_result=row["hb_before_result"],
        hb_after_result=row["hb_after_result"],
        code_version=FACTS_VERSION,
    )


def _figure(value: float) -> float | None:
    """A reckoned figure as stored: null where it cannot be had."""
    return float(value) if math.isfinite(value) else None
