"""Looking at a file of past records: what is wrong with it, what is worth asking, what it would do. Writes nothing."""

from __future__ import annotations

import itertools
from collections import Counter, defaultdict
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from datetime import date, datetime

from django.db.models import OuterRef, Subquery

from patients.models import Analyte, BodyMeasure, Goals, LabResult, Patient
from patients.services import local_day
from programme.core.models import Site
from programme.core.settings_of_site import site_settings
from sessions.models import CARRIED_OUT, ExchangeSession, Position, ResultLink, State
from sessions.numeric.history.goals import DatedCeiling, new_ceilings
from sessions.numeric.history.read import read_history
from sessions.numeric.history.stored import Key, StoredSession, Value, compare, weight_questions
from sessions.numeric.history.table import Fault, HistoryFile, HistoryRow, KnownPerson, Question, SampleTime

BROUGHT_IN = "records brought in"
"""Who decided goals that came with past records."""

PEOPLE_AT_ONCE = 400
ROW_FIELDS = (
    "weight_kg", "saline_in_ml", "red_cells_in_ml", "blood_out_ml", "units", "hbs_method", "visit_reason",
    "admission_in_gap",
)  # fmt: skip
RESULT_COLUMNS = {
    (Position.BEFORE.value, Analyte.HBS.value): "hbs_pre_pct",
    (Position.AFTER.value, Analyte.HBS.value): "hbs_post_pct",
    (Position.BEFORE.value, Analyte.HB.value): "hb_pre_g_l",
    (Position.AFTER.value, Analyte.HB.value): "hb_post_g_l",
}
SAMPLE_COLUMNS = {Position.BEFORE.value: "pre_sample_at", Position.AFTER.value: "post_sample_at"}


@dataclass(frozen=True, slots=True)
class KnownPatient:
    """A stored person whom the file names."""

    pk: int
    said: KnownPerson


@dataclass(frozen=True, slots=True)
class Look:
    """What a file would do at a site.

    new: rows that are not stored yet, by person and day; empty where there are faults. same: rows stored as they stand.
    ceilings: dated ceilings it would add, by reference. known: people stored already whom the file names.
    """

    file: HistoryFile
    faults: tuple[Fault, ...]
    questions: tuple[Question, ...]
    new: tuple[HistoryRow, ...]
    same: int
    known: dict[str, KnownPatient]
    ceilings: dict[str, list[DatedCeiling]]

    @property
    def new_refs(self) -> tuple[str, ...]:
        """References of people who are not known yet."""
        return tuple(ref for ref in dict.fromkeys(row.patient_ref for row in self.new) if ref not in self.known)

    @property
    def known_refs_with_new_rows(self) -> tuple[str, ...]:
        return tuple(ref for ref in dict.fromkeys(row.patient_ref for row in self.new) if ref in self.known)

    @property
    def days(self) -> tuple[date, date] | None:
        """First and last day of the new sessions; None where there is none."""
        days = [row.session_date for row in self.new]
        return (min(days), max(days)) if days else None

    @property
    def n_results(self) -> int:
        return sum(getattr(row, column) is not None for row in self.new for column in RESULT_COLUMNS.values())

    @property
    def n_reckoned_after(self) -> int:
        """New sessions without HbS after, which will be reckoned."""
        return sum(row.hbs_post_pct is None for row in self.new)

    @property
    def refs_without_birth_date(self) -> tuple[str, ...]:
        said = {row.patient_ref for row in self.file.rows if row.birth_date is not None}
        return tuple(ref for ref in self.new_refs if ref not in said)

    @property
    def ceiling_counts(self) -> list[tuple[float, int]]:
        """Each ceiling that would begin, and for how many people, most people first."""
        pairs = {(ref, ceiling.ceiling_pct) for ref, some in self.ceilings.items() for ceiling in some}
        return Counter(ceiling for _, ceiling in pairs).most_common()

    @property
    def changes_nothing(self) -> bool:
        return not self.faults and not self.new and not self.ceilings


def look_at(*, site: Site, data: bytes, at: datetime) -> Look:
    """Read a file whole and hold it against what is stored at `site`."""
    known = _known_patients(site)
    file = read_history(
        data,
        today=local_day(at, site),
        time_zone=site.time_zone,
        known={ref: person.said for ref, person in known.items()},
    )
    refs = dict.fromkeys(row.patient_ref for row in file.rows)
    known = {ref: known[ref] for ref in refs if ref in known}
    stored, stored_kg = _stored_sessions(known, file.rows)
    comparison = compare(file.rows, stored)
    questions = (*file.questions, *weight_questions(comparison.new, stored_kg))
    faults = tuple(sorted([*file.faults, *comparison.faults], key=lambda fault: fault.row))
    ceilings = {} if faults else _new_ceilings(site, file.rows, known, at)
    return Look(file, faults, questions, () if faults else comparison.new, comparison.same, known, ceilings)


def batches(items: Iterable[int], size: int = PEOPLE_AT_ONCE) -> Iterator[list[int]]:
    """Cut keys into lists that fit into one query."""
    iterator = iter(items)
    while some := list(itertools.islice(iterator, size)):
        yield some


def _known_patients(site: Site) -> dict[str, KnownPatient]:
    heights = BodyMeasure.objects.filter(patient=OuterRef("pk"), height_cm__isnull=False, withdrawn_reason="")
    newest = Subquery(heights.order_by("-on", "-pk").values("height_cm")[:1])
    rows = Patient.objects.of_site(site).annotate(newest_height_cm=newest)
    fields = ("patient_ref", "pk", "sex", "birth_date", "untransfused_pct", "newest_height_cm")
    return {ref: KnownPatient(pk, KnownPerson(*said)) for ref, pk, *said in rows.values_list(*fields)}


def _stored_sessions(
    known: dict[str, KnownPatient], rows: tuple[HistoryRow, ...]
) -> tuple[dict[Key, StoredSession], dict[str, list[tuple[date, float]]]]:
    """Stored sessions of the people whom the file names: those of its days, and the days and weights of all."""
    ref_of = {person.pk: ref for ref, person in known.items()}
    wanted = {(row.patient_ref, row.session_date) for row in rows}
    stored: dict[Key, StoredSession] = {}
    weights: defaultdict[str, list[tuple[date, float]]] = defaultdict(list)
    for some in batches(ref_of):
        results = _stored_results(some)
        sessions = ExchangeSession.objects.taking_their_day().filter(patient__in=some).order_by("on")
        for pk, patient_pk, on, state, *values in sessions.values_list("pk", "patient_id", "on", "state", *ROW_FIELDS):
            key = (ref_of[patient_pk], on)
            said: dict[str, Value] = dict(zip(ROW_FIELDS, values, strict=True))
            if state in CARRIED_OUT:
                weights[ref_of[patient_pk]].append((on, values[0]))
            if key in wanted:
                instead = "" if state in CARRIED_OUT else str(State(state).label)
                stored[key] = StoredSession({**said, **results[pk]}, instead)
    return stored, weights


def _stored_results(patient_pks: list[int]) -> defaultdict[int, dict[str, Value]]:
    """Values and sample times linked to each session, by column of the file: the last before, the first after."""
    in_force = LabResult.objects.in_force().filter(patient__in=patient_pks)
    links = ResultLink.objects.filter(exchange_session__patient__in=patient_pks, result__in=in_force)
    rows = links.order_by("result__taken_at", "result_id").values_list(
        "exchange_session_id", "position", "result__analyte", "result__value", "result__taken_on",
        "result__taken_at", "result__time_known",
    )  # fmt: skip
    found: defaultdict[int, dict[str, Value]] = defaultdict(dict)
    for session_pk, position, analyte, value, taken_on, taken_at, time_known in rows:
        column = RESULT_COLUMNS.get((position, analyte))
        values = found[session_pk]
        if column is None or (position == Position.AFTER and column in values):
            continue
        values[column] = value
        values[SAMPLE_COLUMNS[position]] = SampleTime(taken_on, taken_at if time_known else None)
    return found


def _new_ceilings(
    site: Site, rows: tuple[HistoryRow, ...], known: dict[str, KnownPatient], at: datetime
) -> dict[str, list[DatedCeiling]]:
    stored: defaultdict[int, list[DatedCeiling]] = defaultdict(list)
    for some in batches(person.pk for person in known.values()):
        for goals in Goals.objects.filter(patient__in=some).order_by("since", "pk"):
            from_records = goals.decided_by_name == BROUGHT_IN
            stored[goals.patient_id].append(DatedCeiling(goals.since, goals.hbs_ceiling_pct, from_records))
    default = site_settings(site, at)["hbs_ceiling_pct"]
    added: dict[str, list[DatedCeiling]] = {}
    for ref, own in itertools.groupby(rows, key=lambda row: row.patient_ref):
        said = [(row.session_date, row.threshold_hbs_pct) for row in own]
        before = stored[known[ref].pk] if ref in known else []
        if ceilings := new_ceilings(said, before, default_pct=default):
            added[ref] = ceilings
    return added
