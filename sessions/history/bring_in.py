"""Bringing past records in: the whole file in one transaction, or none of it."""

from __future__ import annotations

import itertools
from collections.abc import Callable, Mapping
from dataclasses import asdict, dataclass
from datetime import datetime
from typing import Any, TypeVar

from django.db import transaction
from django.db.models import Model

from patients.goals import GoalFigures
from patients.models import Analyte, BodyMeasure, Goals, LabResult, Patient, Standing
from patients.services import raise_data_version
from programme.core import changes, trail
from programme.core.models import Site, User
from programme.core.numeric.words import count_of
from programme.core.settings_of_site import site_settings
from sessions.facts import HISTORY_SOURCE, rebuild_facts
from sessions.history.look import BROUGHT_IN, Look, batches, look_at
from sessions.models import ExchangeSession, Origin, Position, ResultLink, State
from sessions.numeric.history.table import HistoryRow, SampleTime
from sessions.queries.people import default_goals
from sessions.services import assumed_time

ROWS_AT_ONCE = 500
ROWS_A_REPORT = 5_000
MOST_QUESTIONS_KEPT = 20
GOALS_REASON = "as in the records brought in"

Progress = Callable[[str, int, int], None]
Row = TypeVar("Row", bound=Model)


class Refused(Exception):
    """The file has faults; nothing was written. `look` names them all."""

    def __init__(self, look: Look) -> None:
        super().__init__(f"{count_of(len(look.faults), 'fault')}; nothing was written.")
        self.look = look


@dataclass(frozen=True, slots=True)
class BroughtIn:
    """What was written."""

    look: Look
    n_people: int
    n_sessions: int
    n_results: int
    n_goals: int


def no_progress(stage: str, done: int, total: int) -> None:
    """Report nothing."""


@transaction.atomic
def bring_in(
    *,
    site: Site,
    data: bytes,
    actor: User | None,
    at: datetime,
    answers: Mapping[str, str] | None = None,
    progress: Progress = no_progress,
) -> BroughtIn:
    """Look at the file once more and write all that is new in it; raise Refused where it has a fault.

    answers: what was answered to its questions, kept in the trail. progress: called with a stage, rows done and all.
    """
    Site.objects.select_for_update().get(pk=site.pk)  # two files at a time would both find the same rows new
    progress("reading", 0, 1)
    look = look_at(site=site, data=data, at=at)
    progress("reading", 1, 1)
    if look.faults:
        raise Refused(look)
    return _write(look, site=site, actor=actor, at=at, answers=answers or {}, progress=progress)


def _write(
    look: Look, *, site: Site, actor: User | None, at: datetime, answers: Mapping[str, str], progress: Progress
) -> BroughtIn:
    rows_of = {ref: list(own) for ref, own in itertools.groupby(look.new, key=lambda row: row.patient_ref)}
    patients = _write_people(look, rows_of, site, progress)
    by_key = _write_sessions(look, patients, progress)
    n_results = _write_results(look, by_key, site, at, progress)
    _write_measures(look, rows_of, patients, progress)
    n_goals = _write_goals(look, patients, site, at)
    changed = sorted({patients[ref].pk for ref in {*rows_of, *look.ceilings}})
    _tell_planner()
    reckoned = 0
    for some in batches(changed):
        rebuild_facts(some, at)
        reckoned += len(some)
        progress("reckoning", reckoned, len(changed))
    raise_data_version(patients[ref].pk for ref in {*rows_of, *look.ceilings} if ref in look.known)
    trail.write(_entries(look, rows_of, patients, answers), actor=actor, at=at)
    changes.announce(*changed, at=at)
    return BroughtIn(look, len(look.new_refs), len(look.new), n_results, n_goals)


def _tell_planner() -> None:
    """Have PostgreSQL count what was just written; until it has, it joins these tables row by row, for minutes."""
    connection = transaction.get_connection()
    if connection.vendor == "postgresql":
        tables = ", ".join(model._meta.db_table for model in (ExchangeSession, LabResult, ResultLink, BodyMeasure))
        with connection.cursor() as cursor:
            cursor.execute(f"ANALYZE {tables}")


def _create(rows: list[Row], stage: str, progress: Progress) -> None:
    """Write rows of one table, telling how far it is."""
    for start in range(0, len(rows), ROWS_A_REPORT):
        some = rows[start : start + ROWS_A_REPORT]
        type(some[0])._default_manager.bulk_create(some, batch_size=ROWS_AT_ONCE)
        progress(stage, start + len(some), len(rows))


def _write_people(
    look: Look, rows_of: dict[str, list[HistoryRow]], site: Site, progress: Progress
) -> dict[str, Patient]:
    """Add new people; return everyone whom the file concerns, by reference."""
    refs = {*rows_of, *look.ceilings}
    known_pks = [look.known[ref].pk for ref in refs if ref in look.known]
    patients: dict[str, Patient] = {}
    for some in batches(known_pks):
        patients |= {patient.patient_ref: patient for patient in Patient.objects.filter(pk__in=some)}
    for ref, patient in patients.items():
        _fill_in(patient, rows_of.get(ref, []))
    new = [_new_patient(ref, rows_of[ref], site) for ref in look.new_refs]
    _create(new, "people", progress)
    return patients | {patient.patient_ref: patient for patient in new}


def _said_of_person(rows: list[HistoryRow]) -> dict[str, Any]:
    """What the rows say of the person; the newest baseline counts."""
    baselines = [row.baseline_hbs_pct for row in rows if row.baseline_hbs_pct is not None]
    return {
        "sex": next((row.sex for row in rows if row.sex), ""),
        "birth_date": next((row.birth_date for row in rows if row.birth_date is not None), None),
        "untransfused_pct": baselines[-1] if baselines else None,
    }


def _new_patient(ref: str, rows: list[HistoryRow], site: Site) -> Patient:
    return Patient(
        site=site,
        patient_ref=ref,
        standing=Standing.ACTIVE,
        standing_since=rows[0].session_date,
        **_said_of_person(rows),
    )


def _fill_in(patient: Patient, rows: list[HistoryRow]) -> None:
    """Take from the file what nobody had recorded of a known person."""
    said = _said_of_person(rows)
    new = [name for name, value in said.items() if value and getattr(patient, name) in (None, "")]
    for name in new:
        setattr(patient, name, said[name])
    if new:
        patient.save_changes(new)


def _write_sessions(look: Look, patients: dict[str, Patient], progress: Progress) -> list[ExchangeSession]:
    """Write the new sessions, closed; returned in the order of `look.new`."""
    sessions = [
        ExchangeSession(
            patient=patients[row.patient_ref],
            on=row.session_date,
            state=State.CLOSED,
            origin=Origin.IMPORTED,
            weight_kg=row.weight_kg,
            units=row.units,
            saline_in_ml=row.saline_in_ml,
            red_cells_in_ml=row.red_cells_in_ml,
            blood_out_ml=row.blood_out_ml,
            visit_reason=row.visit_reason,
            admission_in_gap=row.admission_in_gap,
            hbs_method=row.hbs_method,
        )
        for row in look.new
    ]
    _create(sessions, "sessions", progress)
    return sessions


def _write_results(look: Look, sessions: list[ExchangeSession], site: Site, at: datetime, progress: Progress) -> int:
    """Write each measured value once, and link it to its session as before or after."""
    results: list[LabResult] = []
    places: list[tuple[ExchangeSession, str]] = []
    for row, session in zip(look.new, sessions, strict=True):
        for position, sample, hb, hbs in (
            (Position.BEFORE, row.pre_sample_at, row.hb_pre_g_l, row.hbs_pre_pct),
            (Position.AFTER, row.post_sample_at, row.hb_post_g_l, row.hbs_post_pct),
        ):
            for analyte, value in ((Analyte.HB, hb), (Analyte.HBS, hbs)):
                if value is not None:
                    results.append(_result(row, session, site, position, sample, analyte, value, at))
                    places.append((session, position))
    _create(results, "results", progress)
    links = [
        ResultLink(exchange_session=session, result=result, position=position)
        for result, (session, position) in zip(results, places, strict=True)
    ]
    _create(links, "links", progress)
    return len(results)


def _result(
    row: HistoryRow,
    session: ExchangeSession,
    site: Site,
    position: Position,
    sample: SampleTime | None,
    analyte: Analyte,
    value: float,
    at: datetime,
) -> LabResult:
    taken_on = row.session_date if sample is None else sample.on
    time_known = sample is not None and sample.at is not None
    taken_at = sample.at if sample is not None and sample.at is not None else None
    return LabResult(
        patient_id=session.patient_id,
        analyte=analyte,
        value=value,
        method=row.hbs_method if analyte == Analyte.HBS else "",
        taken_at=taken_at or assumed_time(taken_on, position, site.time_zone),
        taken_on=taken_on,
        time_known=time_known,
        recorded_at=at,
        source=HISTORY_SOURCE,
        source_key=f"{site.code}/{row.patient_ref}/{row.session_date}/{analyte}/{position}",
    )


def _write_measures(
    look: Look, rows_of: dict[str, list[HistoryRow]], patients: dict[str, Patient], progress: Progress
) -> None:
    """Write weights and heights where they differ from the row before."""
    measures = []
    for ref, rows in rows_of.items():
        weight = None
        height = look.known[ref].said.height_cm if ref in look.known else None
        for row in rows:
            new_weight = row.weight_kg if row.weight_kg != weight else None
            new_height = row.height_cm if row.height_cm != height else None
            if new_weight is None and new_height is None:
                continue
            weight, height = row.weight_kg, row.height_cm or height
            measures.append(
                BodyMeasure(
                    patient=patients[ref],
                    on=row.session_date,
                    weight_kg=new_weight,
                    height_cm=new_height,
                    source=BROUGHT_IN,
                )
            )
    _create(measures, "measures", progress)


def _write_goals(look: Look, patients: dict[str, Patient], site: Site, at: datetime) -> int:
    """Start a dated goal for each new ceiling; the rest is as in the goals before it, else as the site has it."""
    pks = [patients[ref].pk for ref in look.ceilings]
    latest: dict[int, Goals] = {}
    for some in batches(pks):
        latest |= {goals.patient_id: goals for goals in Goals.objects.filter(patient__in=some).order_by("since", "pk")}
    usual = default_goals(site_settings(site, at))
    goals = []
    for ref, ceilings in look.ceilings.items():
        pattern = latest.get(patients[ref].pk, usual)
        figures = {name: getattr(pattern, name) for name in asdict(GoalFigures())}
        for ceiling in ceilings:
            values = {**figures, "hbs_ceiling_pct": ceiling.ceiling_pct}
            if values["end_target_hbs_pct"] is not None and values["end_target_hbs_pct"] >= ceiling.ceiling_pct:
                values["end_target_hbs_pct"] = None
            goals.append(
                Goals(
                    patient=patients[ref],
                    since=ceiling.since,
                    reason=GOALS_REASON,
                    decided_by_name=BROUGHT_IN,
                    recorded_at=at,
                    **values,
                )
            )
    _create(goals, "goals", no_progress)
    return len(goals)


def _entries(
    look: Look, rows_of: dict[str, list[HistoryRow]], patients: dict[str, Patient], answers: Mapping[str, str]
) -> list[trail.Change]:
    """One entry of the trail for each person, naming the file by its digest."""
    asked: dict[str, list[str]] = {}
    for question in look.questions:
        asked.setdefault(question.patient_ref, []).append(question.line())
    entries = []
    for ref in {**rows_of, **look.ceilings}:
        patient, rows = patients[ref], rows_of.get(ref, [])
        said: dict[str, Any] = {
            "file_sha256": look.file.digest,
            "sessions": [row.session_date.isoformat() for row in rows],
            "ceilings": [[each.since.isoformat(), each.ceiling_pct] for each in look.ceilings.get(ref, [])],
            "person": {name: str(value) for name, value in _said_of_person(rows).items() if value},
            "questions": asked.get(ref, [])[:MOST_QUESTIONS_KEPT],
        }
        if answers:
            said["answers"] = dict(answers)
        entries.append(
            trail.Change(
                site_key=patient.site_id,
                patient_key=patient.pk,
                action="bring in records",
                row_kind=patient._meta.label,
                row_key=patient.pk,
                row_version=patient.version,
                after=said,
            )
        )
    return entries
