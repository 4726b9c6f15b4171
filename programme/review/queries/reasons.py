"""Why it went otherwise than planned: suggestions overridden, limits passed, reactions, sessions and visits lost."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from datetime import UTC, datetime, time, timedelta
from zoneinfo import ZoneInfo

from patients.models import Answers, Goals
from programme.booking.models import Booking, BookingState
from programme.core.models import Site
from programme.review.queries.asked import Asked
from programme.review.queries.behind import Counted, Who, grouped, names_of
from sessions.day.models import AdverseEvent, Prescription
from sessions.day.numeric.reactions import SEVERITY, kind_words
from sessions.models import ExchangeSession, State

Said = Iterable[tuple[int, str]]


@dataclass(frozen=True, slots=True)
class Reasons:
    """One kind of thing that happened in the span: how many, of how many, and in which words it was explained."""

    title: str
    count: int
    of: int
    of_words: str
    rows: tuple[Counted, ...]


def reasons(site: Site, asked: Asked) -> tuple[Reasons, ...]:
    """Return what went otherwise in the span and why, as it was written down at the time; six queries."""
    names = names_of(site, genotype=asked.genotype)
    sessions = _sessions(site, asked, names)
    carried_out = sum(state in (State.FINISHED, State.CLOSED) for _, state, _ in sessions)
    return (
        *_decisions(site, asked, names),
        _of("Reactions", _reactions(site, asked), names, carried_out, "sessions carried out"),
        _of("Sessions given up after they began", _ended(sessions, State.ABANDONED), names, len(sessions), "sessions"),
        _of("Sessions cancelled", _ended(sessions, State.CANCELLED), names, len(sessions), "sessions"),
        *_visits(site, asked, names),
    )


def _of(title: str, said: Said, names: Mapping[int, Who], of: int, of_words: str) -> Reasons:
    rows = grouped(said, names)
    return Reasons(title, sum(row.count for row in rows), of, of_words, rows)


def _decisions(site: Site, asked: Asked, names: Mapping[int, Who]) -> tuple[Reasons, ...]:
    """Suggestions overridden when deciding, and limits passed when signing."""
    goals = Goals.objects.filter(patient__site=site, since__range=(asked.start, asked.end)).exclude(answers="")
    answered = [row for row in goals.values_list("patient_id", "answers", "reason") if row[0] in names]
    plans = Prescription.objects.filter(
        exchange_session__patient__site=site, authorised_at__range=_times(site, asked)
    ).values_list("exchange_session__patient_id", "broken")
    signed = [row for row in plans if row[0] in names]
    overridden = [(pk, why) for pk, answer, why in answered if answer == Answers.OVERRIDDEN]
    passed = [
        (pk, f"{row['words'].partition(':')[0]}: {row['reason']}") for pk, broken in signed for row in broken or ()
    ]
    return (
        _of("Suggestions overridden when deciding", overridden, names, len(answered), "decisions with a suggestion"),
        _of("Limits passed by a signature", passed, names, len(signed), "plans signed"),
    )


def _reactions(site: Site, asked: Asked) -> Said:
    events = AdverseEvent.objects.filter(patient__site=site, at__range=_times(site, asked))
    for pk, kind, severity in events.values_list("patient_id", "kind", "severity"):
        grade = "not graded" if severity is None else f"grade {severity}, {SEVERITY[severity].partition(':')[0]}"
        yield pk, f"{kind_words(kind)}; {grade}"


def _sessions(site: Site, asked: Asked, names: Mapping[int, Who]) -> list[tuple[int, str, str]]:
    rows = ExchangeSession.objects.filter(patient__site=site, on__range=(asked.start, asked.end))
    return [row for row in rows.values_list("patient_id", "state", "ended_reason") if row[0] in names]


def _ended(sessions: list[tuple[int, str, str]], state: State) -> Said:
    return [(pk, why) for pk, now, why in sessions if now == state]


def _visits(site: Site, asked: Asked, names: Mapping[int, Who]) -> tuple[Reasons, ...]:
    """Bookings that did not come to pass; one that was moved counts on the day it was moved to."""
    rows = Booking.objects.filter(patient__site=site, on__range=(asked.start, asked.end))
    booked = [
        row
        for row in rows.exclude(state=BookingState.MOVED).values_list("patient_id", "state", "ended_by", "ended_reason")
        if row[0] in names
    ]
    missed = [(pk, why) for pk, state, _, why in booked if state == BookingState.MISSED]
    by = {
        who: [(pk, why) for pk, state, ended, why in booked if state == BookingState.CANCELLED and ended == who]
        for who in ("person", "unit")
    }
    return (
        _of("Did not come", missed, names, len(booked), "bookings"),
        _of("Bookings cancelled by the person", by["person"], names, len(booked), "bookings"),
        _of("Bookings cancelled by the unit", by["unit"], names, len(booked), "bookings"),
    )


def _times(site: Site, asked: Asked) -> tuple[datetime, datetime]:
    """The first and last moment of the span at the unit."""
    zone = ZoneInfo(site.time_zone)
    begin = datetime.combine(asked.start, time.min, zone)
    end = datetime.combine(asked.end + timedelta(days=1), time.min, zone) - timedelta(microseconds=1)
    return begin.astimezone(UTC), end.astimezone(UTC)
