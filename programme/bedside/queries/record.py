"""The record of one session, for somebody who has nothing else: frozen values, the same for paper and CSV."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from datetime import datetime, tzinfo
from typing import Any

from django.db.models import QuerySet

from programme.bedside.queries.automated import machine_line
from programme.bedside.queries.measured import compared
from programme.bedside.queries.record_rows import (
    Line,
    PlanOnRecord,
    event_line,
    follow_up_line,
    log_lines,
    moment_words,
    people_named,
    plan_lines,
    plan_row,
    result_line,
    step_line,
)
from programme.bedside.queries.record_units import UnitOnRecord, sample_of_unit, unit_line, unit_row
from programme.core.models import TrailEntry
from programme.core.numeric.words import count_of
from programme.core.settings_of_site import site_settings
from programme.worklist.numeric.words import capital, figure, full_day_words
from programme.worklist.queries.who import Blood, blood_needed
from sessions.day.models import AdverseEvent, FollowUp, Prescription
from sessions.day.numeric.checks import sample_doubts, shortest_sample_wait_min
from sessions.day.queries import Ending, after_results, ending_of, method_of, sample_known
from sessions.models import DonationUnit, ExchangeSession, ExchangeStep, Method, ResultLink, SessionFacts
from sessions.queries.people import people_inputs


@dataclass(frozen=True, slots=True)
class Record:
    """All that is kept of one session. place, zone: the day unit by name, and where its clocks are."""

    place: str
    zone: str
    patient_ref: str
    name: str
    born: str
    sex: str
    blood: Blood
    on: str
    state: str
    head: tuple[tuple[str, str], ...]
    plans: tuple[PlanOnRecord, ...]
    steps: tuple[Line, ...]
    totals: str
    units: tuple[UnitOnRecord, ...]
    log: tuple[Line, ...]
    events: tuple[Line, ...]
    results: tuple[Line, ...]
    compared: tuple[str, ...]
    moves: tuple[Line, ...]
    follow_ups: tuple[Line, ...]
    people: tuple[str, ...]

    def lines(self) -> Iterator[Line]:
        """Every line in the order in which it is printed; what is a heading or a table on paper is a line here."""
        yield from self._head_lines()
        for plan in self.plans:
            yield from plan_lines(plan)
        yield from (unit_line(row) for row in self.units)
        for part in (self.moves, self.steps, self.log, self.events, self.results, self.follow_ups):
            yield from part

    def _head_lines(self) -> Iterator[Line]:
        blood = self.blood
        antibodies = ", ".join(f"{name}{when}" for name, when in blood.antibodies) or "none recorded"
        said = [
            ("Carried out at", self.place),
            ("Times and volumes", f"times in words are of {self.zone}; in is fluid given, out is blood drawn, in mL"),
            ("Name", self.name), ("Born", self.born), ("Sex", self.sex), ("Session", f"{self.on}, {self.state}"),
            *self.head, ("Blood that is needed", f"{blood.group} {blood.units} {blood.other}".strip()),
            ("Antibodies ever found", antibodies),
            ("Totals", self.totals), *(("Forecast and measured", words) for words in self.compared),
            *(("Named here", words) for words in self.people),
        ]  # fmt: skip
        return (Line("record", f"{name}: {words}") for name, words in said)


def read_record(exchange_session: ExchangeSession, now: datetime) -> Record:
    """Return the record at the local moment `now`; a fixed number of queries."""
    patient, zone = exchange_session.patient, now.tzinfo
    assert zone is not None
    settings = site_settings(patient.site, now)
    ending = ending_of(exchange_session, at=now, settings=settings)
    plans = list(_of(Prescription, exchange_session, "made_by", "authorised_by").order_by("number"))
    units = list(_of(DonationUnit, exchange_session, "first_checker", "second_checker").order_by("place"))
    events = list(_of(AdverseEvent, exchange_session, "noted_by", "judged_by", "unit").order_by("at", "pk"))
    follow_ups = list(_of(FollowUp, exchange_session, "done_by").order_by("due_on"))
    moves, samples = list(_moves(exchange_session)), {row.pk: row for row in patient.crossmatch_samples.all()}
    steps = ExchangeStep.objects.filter(exchange_session=exchange_session)
    links = ResultLink.objects.filter(exchange_session=exchange_session).select_related("result")
    return Record(
        place=patient.site.name,
        zone=patient.site.time_zone,
        patient_ref=patient.patient_ref,
        name=patient.shown_name,
        born="not recorded" if patient.birth_date is None else full_day_words(patient.birth_date),
        sex=patient.get_sex_display(),
        blood=blood_needed(patient, now.date()),
        on=f"{exchange_session.on:%A} {full_day_words(exchange_session.on)}",
        state=exchange_session.get_state_display(),
        head=tuple(_head(exchange_session, ending, zone)),
        plans=tuple(plan_row(row, ending, zone) for row in plans),
        steps=tuple(step_line(row, zone) for row in steps.order_by("number") if row.in_ml or row.out_ml),
        totals=_totals(exchange_session, machine_line(ending, zone)),
        units=tuple(
            unit_row(row, ending.state, zone, sample_of_unit(ending, row.place, samples, zone)) for row in units
        ),
        log=tuple(log_lines(ending, zone)),
        events=tuple(event_line(row, zone) for row in events),
        results=tuple(result_line(link, zone) for link in links.order_by("result__taken_at", "result_id")),
        compared=_compared(exchange_session, ending, settings, now),
        moves=tuple(_move_line(row, zone) for row in moves),
        follow_ups=tuple(follow_up_line(row, zone) for row in follow_ups),
        people=people_named(
            [who for row in plans for who in (row.made_by, row.authorised_by)]
            + [who for row in units for who in (row.first_checker, row.second_checker)]
            + [who for row in events for who in (row.noted_by, row.judged_by)]
            + [entry.by for entry in ending.entries]
            + [row.done_by for row in follow_ups]
            + [row.actor for row in moves]
        ),
    )


def _of(model: type[Any], exchange_session: ExchangeSession, *people: str) -> QuerySet[Any]:
    """The rows of a session with the people they name; one query."""
    rows: QuerySet[Any] = model.objects.filter(exchange_session=exchange_session)
    return rows.select_related(*people)


def _head(exchange_session: ExchangeSession, ending: Ending, zone: tzinfo) -> Iterator[tuple[str, str]]:
    s = exchange_session
    yield "Sickle cell disease", f"genotype {s.patient.get_genotype_display()}"
    yield "Method", Method(method_of(s, ending.plan)).label
    yield "Weight", f"{s.weight_kg:.1f} kg"
    yield "Started", moment_words(s.started_at, zone) or "not recorded"
    yield "Ended", moment_words(s.ended_at, zone) or "not recorded"
    if s.ended_reason:
        yield f"Why {s.get_state_display()}", s.ended_reason
    if s.note:
        yield "Note", s.note
    yield "Version of the record", str(s.version)


def _totals(s: ExchangeSession, machine: str) -> str:
    if s.red_cells_in_ml is None or s.blood_out_ml is None:
        return "Totals are written when the session is finished."
    in_ml = (s.saline_in_ml or 0.0) + s.red_cells_in_ml
    units = "an unknown number of units" if s.units is None else count_of(s.units, "unit")
    return (
        f"Saline in {s.saline_in_ml or 0:,.0f} mL, red cells in {s.red_cells_in_ml:,.0f} mL of {units}, "
        f"blood out {s.blood_out_ml:,.0f} mL; in less out {figure(in_ml - s.blood_out_ml)} mL."
        + (f" {machine}" if machine else "")
    )


def _compared(
    exchange_session: ExchangeSession, ending: Ending, settings: Mapping[str, float], now: datetime
) -> tuple[str, ...]:
    """What the volumes should have done against what was measured, in sentences."""
    (record,) = people_inputs(
        exchange_session.patient.site, exchange_session.on, dict(settings), patient_pks=[exchange_session.patient_id]
    )
    facts = SessionFacts.objects.filter(exchange_session=exchange_session).first()
    results = after_results(exchange_session)
    sample, ended_at = sample_known(ending, results), ending.carried_out.ended_at
    wait = shortest_sample_wait_min(settings["after_sample_wait_min"])
    doubts = sample_doubts(sample, ended_at, wait) if sample and ended_at else ()
    found = compared(
        exchange_session, ending, facts, results, settings=settings,
        greatest_rise_g_l=record.greatest_rise_g_l, doubts=doubts,
    )  # fmt: skip
    said = [
        f"{row.name}: forecast {row.forecast} {row.unit} ({row.span} in eight of ten), "
        f"measured {f'{row.measured} {row.unit}' if row.measured else 'nothing yet'}: {row.words}."
        for row in found.rows
    ]
    said += [found.why] if found.why else []
    return (*said, *([found.parting] if found.parting else doubts))


def _moves(exchange_session: ExchangeSession) -> QuerySet[TrailEntry]:
    rows = TrailEntry.objects.filter(
        patient_key=exchange_session.patient_id, row_key=exchange_session.pk, row_kind=ExchangeSession._meta.label
    )
    return rows.select_related("actor").order_by("number")


def _move_line(row: TrailEntry, zone: tzinfo) -> Line:
    by = row.actor.full_name if row.actor else "the programme itself"
    return Line("move", capital(row.action), row.at.astimezone(zone), row.at.astimezone(zone), by, why=row.why)
