"""Reactions as their pages show them. Fixed number of queries."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime

from patients.models import Patient
from programme.core.models import TrailEntry
from programme.core.settings_of_site import site_texts
from programme.worklist.queries.who import Blood, blood_needed
from sessions.day.models import AdverseEvent, Imputability
from sessions.day.numeric.reactions import SEVERITY, kind_words
from sessions.day.queries import tally_of
from sessions.models import DonationUnit, ExchangeSession, State, UnitState

JUDGED = "judge reaction"


@dataclass(frozen=True, slots=True)
class EventLine:
    """One reaction in words."""

    row: AdverseEvent
    kind: str
    severity: str
    imputability: str
    by: str


@dataclass(frozen=True, slots=True)
class ReactionPage:
    """actions: what is usually done first, in order, in the site's own words. stopped_at: since when the run stands.

    told_later: on a day after that of the session, so that nothing hangs that could be stopped.
    """

    exchange_session: ExchangeSession
    blood: Blood
    actions: tuple[str, ...]
    told_later: bool
    stopped_at: datetime | None
    units: tuple[DonationUnit, ...]
    noted: tuple[EventLine, ...]

    @property
    def runs(self) -> bool:
        return self.exchange_session.state == State.RUNNING

    @property
    def must_be_stopped(self) -> bool:
        return self.runs and self.stopped_at is None

    @property
    def running_unit(self) -> DonationUnit | None:
        return next((unit for unit in self.units if unit.state == UnitState.RUNNING), None)


def reaction_page(exchange_session: ExchangeSession, *, now: datetime) -> ReactionPage:
    """Return the page of a reaction at the local moment `now`; eight queries."""
    patient = exchange_session.patient
    texts = site_texts(patient.site, now)
    started = DonationUnit.objects.filter(exchange_session=exchange_session, state__in=["running", "given"])
    events = AdverseEvent.objects.filter(exchange_session=exchange_session)
    return ReactionPage(
        exchange_session=exchange_session,
        blood=blood_needed(patient, now.date()),
        actions=tuple(line.strip() for line in texts["first_actions"].splitlines() if line.strip()),
        told_later=exchange_session.state != State.RUNNING and exchange_session.on < now.date(),
        stopped_at=tally_of(exchange_session).paused_since if exchange_session.state == State.RUNNING else None,
        units=tuple(started.order_by("place")),
        noted=tuple(event_line(row) for row in events.select_related("noted_by", "judged_by", "unit").order_by("at")),
    )


def event_line(row: AdverseEvent) -> EventLine:
    """Return one reaction in words; no query where its people are read with it."""
    by = f"noted by {row.noted_by.full_name}"
    if row.judged_by is not None:
        by = f"judged by {row.judged_by.full_name}"
    return EventLine(
        row=row,
        kind=kind_words(row.kind),
        severity=f"{row.severity}, {SEVERITY[row.severity]}" if row.severity else "severity not said",
        imputability=Imputability(row.imputability).label if row.imputability else "imputability not said",
        by=by,
    )


def events_of(patient: Patient) -> tuple[EventLine, ...]:
    """Return every reaction of a person, newest first; one query."""
    rows = AdverseEvent.objects.filter(patient=patient).select_related("noted_by", "judged_by", "unit")
    return tuple(event_line(row) for row in rows.order_by("-at", "-pk"))


@dataclass(frozen=True, slots=True)
class EarlierJudgement:
    at: datetime
    by: str
    words: str
    why: str


def judgements_of(event: AdverseEvent) -> tuple[EarlierJudgement, ...]:
    """Return every judgement of a reaction from the trail, newest first; one query."""
    entries = TrailEntry.objects.filter(patient_key=event.patient_id, action=JUDGED, row_key=event.pk)
    return tuple(_judgement(entry) for entry in entries.select_related("actor").order_by("-number"))


def _judgement(entry: TrailEntry) -> EarlierJudgement:
    said = entry.after or {}
    kind, likely = kind_words(str(said.get("kind"))), Imputability(said["imputability"]).label
    words = f"{kind}; severity {said.get('severity')}; {likely}"
    return EarlierJudgement(entry.at, entry.actor.full_name if entry.actor else "", words, entry.why)
