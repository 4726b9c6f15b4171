"""The page after a session: what it did, when to come back, and what is missing before it can be closed."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, replace
from datetime import UTC, date, datetime, timedelta
from typing import Any

import numpy as np

from patients.models import LabResult, Patient
from programme.bedside.numeric.against import OpenDay, days_to_show
from programme.bedside.queries.automated import machine_line
from programme.bedside.queries.measured import Compared, compared
from programme.core import look
from programme.core.models import TrailEntry
from programme.core.numeric.words import count_of
from programme.core.settings_of_site import site_settings, site_texts
from programme.planning.inputs import open_days
from programme.planning.models import Suggestion
from programme.planning.numeric.series import LEAST_GAIN
from programme.planning.queries import chance_on
from programme.worklist.numeric.words import chance_words, day_words, figure
from programme.worklist.queries.in_force import in_force
from programme.worklist.queries.who import Who, who
from sessions.day.models import FollowUp, Prescription
from sessions.day.numeric.after import LowerHb, call_day, lower_hb
from sessions.day.numeric.checks import (
    OK,
    QUIET_LINES,
    Check,
    closing_checks,
    open_names,
    sample_doubts,
    shortest_sample_wait_min,
)
from sessions.day.numeric.foreseen import Foreseen, series_foreseen
from sessions.day.queries import Ending, after_results, afterwards_of, ending_of, sample_known
from sessions.models import ExchangeSession, SessionFacts, State, StoredForecast
from sessions.queries.people import PersonRecord, people_inputs


@dataclass(frozen=True, slots=True)
class ComeBack:
    """When to come back: open days with their chances, from the end as it is known now; `why` it cannot be said."""

    days: tuple[OpenDay, ...]
    next_on: date | None
    next_day: str
    last_safe: str
    chance: str
    is_last: bool
    is_late: bool
    ceiling: str
    from_words: str
    interval_days: int
    next_session: str
    stale: bool
    why: str = ""


@dataclass(frozen=True, slots=True)
class SeriesLeft:
    """The series of sessions that the plan foresaw, one not being enough; reached: measured HbS ended it already."""

    series: Foreseen
    reached: bool


@dataclass(frozen=True, slots=True)
class Reopened:
    """When a closed session was last opened again, by whom and why, as the trail has it."""

    at: datetime
    by: str
    why: str


@dataclass(frozen=True, slots=True)
class AfterPage:
    """Everything the page prints.

    sample_from, sampled_at: when the after-sample may be taken, and when it was. told: the unit's texts.
    machine: the totals of an automated session in words, '' for any other.
    """

    exchange_session: ExchangeSession
    who: Who
    record: PersonRecord
    ending: Ending
    compared: Compared
    facts: SessionFacts | None
    come_back: ComeBack
    foreseen: SeriesLeft | None
    lower: LowerHb | None
    doubts: tuple[str, ...]
    checks: tuple[Check, ...]
    follow_ups: tuple[FollowUp, ...]
    sample_from: datetime | None
    sampled_at: datetime | None
    measured_at: str
    call_on: date
    leaflet_until: date
    told: Mapping[str, str]
    machine: str
    reopened: Reopened | None

    @property
    def is_open(self) -> bool:
        """It can be closed."""
        return self.exchange_session.state == State.FINISHED

    @property
    def takes_more(self) -> bool:
        """Samples, observations and volumes put right are still taken; an abandoned session is never closed."""
        return self.is_open or self.exchange_session.state == State.ABANDONED

    @property
    def shown_checks(self) -> tuple[Check, ...]:
        """The lines to print: times and conflicts only where they stand in the way."""
        return tuple(check for check in self.checks if check.state != OK or check.name not in QUIET_LINES)

    @property
    def in_the_way(self) -> tuple[Check, ...]:
        return tuple(check for check in self.checks if check.state != OK)

    @property
    def open_names(self) -> str:
        """What the form of closing sends back as seen."""
        return open_names(self.checks)


def read_after(exchange_session: ExchangeSession, now: datetime) -> AfterPage:
    """Return the page of a session that is over, at the local moment `now`; a fixed number of queries."""
    patient, today = exchange_session.patient, now.date()
    settings = site_settings(patient.site, now)
    (record,) = people_inputs(patient.site, today, settings, patient_pks=[patient.pk])
    ending = ending_of(exchange_session, at=now, settings=settings)
    results = after_results(exchange_session)
    facts = SessionFacts.objects.filter(exchange_session=exchange_session).first()
    wait_min = shortest_sample_wait_min(settings["after_sample_wait_min"])
    sample, ended_at = sample_known(ending, results), ending.carried_out.ended_at
    doubts = sample_doubts(sample, ended_at, wait_min) if sample and ended_at else ()
    found = compared(
        exchange_session, ending, facts, results, settings=settings, greatest_rise_g_l=record.greatest_rise_g_l,
        doubts=doubts,
    )  # fmt: skip
    follow_ups = FollowUp.objects.filter(exchange_session=exchange_session)
    after = afterwards_of(exchange_session, ending, results, now=now, settings=settings)
    return AfterPage(
        exchange_session=exchange_session,
        who=who(patient, record, today, mixing=_mixing(ending.plan)),
        record=record,
        ending=ending,
        compared=found,
        facts=facts,
        come_back=_come_back(patient, record, exchange_session, found.after_hbs_pct, today),
        foreseen=_foreseen(ending.plan, found.after_hbs_pct, today),
        lower=_lower(record, exchange_session, ending.plan, found),
        doubts=doubts,
        checks=tuple(replace(c, words=look.hb_words(c.words)) for c in closing_checks(after, ending.checks)),
        follow_ups=tuple(follow_ups.select_related("done_by").order_by("due_on", "pk")),
        sample_from=None if ended_at is None else (ended_at + timedelta(minutes=wait_min)).astimezone(now.tzinfo),
        sampled_at=None if sample is None else sample.taken_at.astimezone(now.tzinfo),
        measured_at=_measured_at(results, now),
        call_on=call_day(exchange_session.on, int(settings["follow_up_call_days"])),
        leaflet_until=exchange_session.on + timedelta(days=int(settings["haemolysis_watch_days"])),
        told=site_texts(patient.site, now),
        machine=machine_line(ending, now.tzinfo or UTC),
        reopened=_reopened(exchange_session),
    )


def _reopened(exchange_session: ExchangeSession) -> Reopened | None:
    entries = TrailEntry.objects.filter(
        patient_key=exchange_session.patient_id, row_kind=exchange_session._meta.label, row_key=exchange_session.pk,
        action="reopen session",
    )  # fmt: skip
    entry = entries.select_related("actor").order_by("-number").first()
    if entry is None:
        return None
    return Reopened(entry.at, entry.actor.full_name if entry.actor else "", entry.why)


def _foreseen(plan: Prescription | None, after_pct: float | None, today: date) -> SeriesLeft | None:
    """What the plan carried out foresaw after it; None once the day of the second session has gone by."""
    predicted = {} if plan is None else plan.predicted
    series = series_foreseen(predicted.get("series"), predicted.get("end_target_pct"))
    if series is None or series.next_on < today:
        return None
    return SeriesLeft(series, series.has_come_to_target(after_pct, within_pct=LEAST_GAIN))


def _mixing(plan: Prescription | None) -> float:
    return math.nan if plan is None else plan.mixing_volume_ml / plan.blood_volume_ml


def _measured_at(results: Mapping[str, LabResult], now: datetime) -> str:
    if not results:
        return ""
    newest = max(results.values(), key=lambda row: row.taken_at)
    came = max(row.received_at or row.recorded_at for row in results.values())
    return f"measured {newest.taken_at.astimezone(now.tzinfo):%H:%M}, in at {came.astimezone(now.tzinfo):%H:%M}"


def _lower(
    record: PersonRecord, exchange_session: ExchangeSession, plan: Prescription | None, found: Compared
) -> LowerHb | None:
    if found.after_hb_g_l is None or plan is None:
        return None
    return lower_hb(
        hb_after_g_l=found.after_hb_g_l,
        hb_before_g_l=found.before_hb_g_l,
        hb_ceiling_g_l=record.hb_ceiling_g_l,
        greatest_rise_g_l=record.greatest_rise_g_l,
        blood_volume_ml=plan.blood_volume_ml,
        weight_kg=exchange_session.weight_kg,
    )


def _come_back(
    patient: Patient,
    record: PersonRecord,
    exchange_session: ExchangeSession,
    after_pct: float | None,
    today: date,
) -> ComeBack:
    force = in_force(patient.site, today)
    stored = Suggestion.objects.filter(patient=patient).first()
    forecast = StoredForecast.objects.filter(patient=patient).first()
    why = ""
    if forecast is not None and forecast.locked:
        why = str(forecast.locked["reason"])
    elif record.last_on is not None and record.last_on > exchange_session.on:
        why = "A later session is recorded; its own page says when to come back."
    elif stored is None:
        why = "Nothing has been reckoned for this person yet; the next replan does it."
    elif stored.status != "ok":
        why = stored.reason
    if why or stored is None or stored.next_date is None or stored.latest_safe_date is None:
        return _nothing_to_say(record, why or "No day is suggested.")
    chance = chance_on((stored.options or {}).get("chance_by_day"), stored.next_date)
    return ComeBack(
        days=days_to_show(
            _open_days(patient, record, stored, exchange_session.on),
            suggested=stored.next_date.isoformat(),
            last_safe=stored.latest_safe_date.isoformat(),
        ),
        next_on=stored.next_date,
        next_day=day_words(stored.next_date, today),
        last_safe=day_words(stored.latest_safe_date, today),
        chance="" if chance is None else chance_words(chance),
        is_last=stored.next_date == stored.latest_safe_date,
        is_late=stored.next_date > stored.latest_safe_date,
        ceiling=f"{record.hbs_ceiling_pct:g}",
        from_words=_from_words(forecast, after_pct),
        interval_days=(stored.next_date - exchange_session.on).days,
        next_session=_next_session(stored.body),
        stale=force.suggestion_is_stale(stored, patient.data_version),
    )


def _open_days(patient: Patient, record: PersonRecord, stored: Suggestion, on: date) -> list[tuple[str, int, float]]:
    """Return the open days that the suggestion tells of: ISO date, days since the session, chance of being over."""
    by_day = (stored.options or {}).get("chance_by_day")
    if not by_day:
        return []
    first = date.fromisoformat(by_day["from"])
    days = [first + timedelta(days=place) for place in range(len(by_day["chance"]))]
    is_open = open_days(patient.site, (record,), first).is_open(np.array([[day.toordinal() for day in days]]))[0]
    return [
        (day.isoformat(), (day - on).days, chance)
        for day, chance, is_one in zip(days, by_day["chance"], is_open.tolist(), strict=True)
        if is_one and chance is not None
    ]


def _nothing_to_say(record: PersonRecord, why: str) -> ComeBack:
    return ComeBack((), None, "", "", "", False, False, f"{record.hbs_ceiling_pct:g}", "", 0, "", stale=False, why=why)


def _from_words(forecast: StoredForecast | None, after_pct: float | None) -> str:
    """Return where the days start from; measured and reckoned ends are weighed by their errors."""
    pace = (forecast.pace if forecast else None) or {}
    taken = pace.get("after_pct")
    if taken is None:
        return ""
    if pace.get("after_reckoned") or after_pct is None:
        reckoned = f"from an end reckoned at {figure(taken, 1)} %"
        return f"{reckoned}, which weighs the volumes with how earlier exchanges ended"
    return f"from the measured {figure(after_pct, 1)} %, taken as {figure(taken, 1)}"


def _next_session(body: Mapping[str, Any]) -> str:
    """Return 'Then 5 units, to end at 11.6 %; 12.0 or lower is asked for.' of the stored suggestion."""
    session, end = body.get("session") or {}, body.get("end_target_hbs_pct")
    units, reached = session.get("units"), session.get("predicted_hbs_pct")
    if units is None or end is None or reached is None:
        return ""
    asked = "is asked for" if reached <= end else "is out of reach within the limits"
    return f"Then {count_of(units, 'unit')}, to end at {figure(reached, 1)} %; {figure(end, 1)} or lower {asked}."
