"""Everything that was typed or sent about one person, newest first, with what can be put right. Fixed queries."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date, datetime

from patients.models import BodyMeasure, Consent, CrossmatchSample, Goals, LabResult, Patient, ResultStatus
from programme.core.look import hb_shown, hb_unit
from programme.core.settings_of_site import site_settings
from programme.worklist.queries.who import Who, who
from sessions.models import ExchangeSession, HaemolysisSign, OtherTransfusion
from sessions.queries.people import PersonRecord, default_goals, people_inputs


def record_of(patient: Patient, on: date, settings: Mapping[str, float]) -> PersonRecord:
    """Return a person as on a day; five queries."""
    (record,) = people_inputs(patient.site, on, dict(settings), patient_pks=(patient.pk,))
    return record


def goals_in_force(patient: Patient | None, on: date, settings: Mapping[str, float]) -> Goals:
    """Return the goals that count on a day, else the site's defaults (unsaved)."""
    found = None
    if patient is not None:
        found = Goals.objects.begun(on).filter(patient=patient).first()
    return found or default_goals(dict(settings))


HB_UNIT = "g/L"


@dataclass(frozen=True, slots=True)
class ResultRow:
    """A result as recorded; `state` in words, '' where it counts as it is."""

    key: int
    taken_at: datetime
    time_known: bool
    name: str
    value: float
    unit: str
    method: str
    source: str
    state: str
    counts: bool

    @property
    def figure(self) -> str:
        return f"{hb_shown(self.value) if self.unit == HB_UNIT else self.value:g}"

    @property
    def shown_unit(self) -> str:
        return hb_unit() if self.unit == HB_UNIT else self.unit


@dataclass(frozen=True, slots=True)
class RecordsPage:
    who: Who
    results: tuple[ResultRow, ...]
    sessions: tuple[ExchangeSession, ...]
    measures: tuple[BodyMeasure, ...]
    transfusions: tuple[OtherTransfusion, ...]
    signs: tuple[HaemolysisSign, ...]
    goals: tuple[Goals, ...]
    consents: tuple[Consent, ...]
    samples: tuple[CrossmatchSample, ...]


def records_page(patient: Patient, *, on: date, at: datetime) -> RecordsPage:
    """Return the records of one person."""
    record = record_of(patient, on, site_settings(patient.site, at))
    results = LabResult.objects.filter(patient=patient).select_related("superseded_by", "link")
    return RecordsPage(
        who=who(patient, record, on),
        results=tuple(_result_row(result) for result in results.order_by("-taken_at", "-pk")),
        sessions=tuple(ExchangeSession.objects.filter(patient=patient).carried_out().order_by("-on", "-pk")),
        measures=tuple(BodyMeasure.objects.filter(patient=patient).order_by("-on", "-pk")),
        transfusions=tuple(OtherTransfusion.objects.filter(patient=patient).order_by("-on", "-pk")),
        signs=tuple(HaemolysisSign.objects.filter(patient=patient).select_related("noted_by").order_by("-on", "-pk")),
        goals=tuple(Goals.objects.filter(patient=patient).select_related("decided_by").order_by("-since", "-pk")),
        consents=tuple(Consent.objects.filter(patient=patient).order_by("-given_on", "-pk")),
        samples=tuple(CrossmatchSample.objects.filter(patient=patient).order_by("-taken_at", "-pk")),
    )


def _result_row(result: LabResult) -> ResultRow:
    newer = getattr(result, "superseded_by", None)
    if newer is not None:
        state = "withdrawn" if newer.status == ResultStatus.WITHDRAWN else "corrected since"
        state = f"{state}: {newer.why}"
    elif result.status == ResultStatus.WITHDRAWN:
        state = "withdrawal"
    elif result.held_reason:
        state = f"held: {result.held_reason}"
    else:
        state = {"preliminary": "preliminary", "corrected": "correction"}.get(result.status, "")
    link = getattr(result, "link", None)
    name = result.get_analyte_display() + (f" {link.position}" if link else "")
    counts = newer is None and not result.held_reason and result.status in ("final", "corrected")
    return ResultRow(
        key=result.pk, taken_at=result.taken_at, time_known=result.time_known, name=name,
        value=result.value, unit=result.unit, method=result.method, source=result.source, state=state, counts=counts,
    )  # fmt: skip
