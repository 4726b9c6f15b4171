"""A person's past as the course shows it: sessions with their efficiency, and decisions with who and why."""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import date
from itertools import pairwise

from patients.models import CourseNote, Goals, Patient
from programme.core.numeric.words import count_of
from programme.worklist.numeric.course import Visit, ceiling_on, gap_pace, visit_of
from programme.worklist.numeric.decisions import GOAL_WORDS, decision_words
from sessions.models import (
    AdmissionInGap,
    ExchangeSession,
    LockLift,
    OtherTransfusion,
    SessionFacts,
    State,
    VisitReason,
)
from sessions.numeric.efficiency import removal_trend

ROUTINE = (VisitReason.ROUTINE, "")
QUIET_GAP = (AdmissionInGap.NO, AdmissionInGap.NOT_SAID)


@dataclass(frozen=True, slots=True)
class SessionRow:
    """One carried-out session, newest first in the table. Figures are None where not known or not reckonable.

    pace_pct_per_day: from the session before to this one. remark: what stands out, what is missing, what was noted.
    """

    on: date
    visit: Visit
    before_over: bool
    days: int | None
    pace_pct_per_day: float | None
    blood_out_ml: float | None
    points_per_unit: float | None
    share_of_ideal_pct: float | None
    share_of_ideal_sd_pct: float | None
    donor_kept_pct: float | None
    net_iron_mg: float | None
    method: str
    remark: str
    used: bool
    left_out: str


@dataclass(frozen=True, slots=True)
class Decision:
    """What was decided on a day, why and by whom."""

    on: date
    decided: str
    reason: str
    by: str


def sessions_of(patient: Patient, today: date, ceilings: Sequence[tuple[int, float]]) -> tuple[SessionRow, ...]:
    """Return the carried-out sessions of a person, oldest first; one query."""
    rows = (
        ExchangeSession.objects.carried_out()
        .filter(patient=patient, on__lte=today)
        .select_related("facts")
        .order_by("on", "pk")
    )
    found: list[SessionRow] = []
    for row in rows:
        facts: SessionFacts | None = getattr(row, "facts", None)
        found.append(_session_row(row, facts, found[-1] if found else None, ceilings))
    return tuple(found)


def _session_row(
    row: ExchangeSession, facts: SessionFacts | None, last: SessionRow | None, ceilings: Sequence[tuple[int, float]]
) -> SessionRow:
    day = row.on.toordinal()
    visit = Visit(day, units=row.units, missed=row.visit_reason == VisitReason.LATE_MISSED)
    if facts is not None:
        shares = visit_of(day, facts.hbs_before_pct, facts.hbs_after_pct, facts.hbs_ratio)
        visit = Visit(
            day, shares.before_pct, shares.after_pct, shares.after_reckoned, facts.hb_before_g_l, facts.hb_after_g_l,
            row.units, row.visit_reason == VisitReason.LATE_MISSED,
        )  # fmt: skip
    before = visit.before_pct
    left_out = _left_out(row, facts, last)
    return SessionRow(
        on=row.on,
        visit=visit,
        before_over=before is not None and round(before, 1) > ceiling_on(ceilings, day),
        days=None if last is None else (row.on - last.on).days,
        pace_pct_per_day=None if last is None else gap_pace(last.visit, visit),
        blood_out_ml=row.blood_out_ml,
        points_per_unit=None if facts is None else facts.points_per_unit,
        share_of_ideal_pct=_in_100(None if facts is None else facts.share_of_ideal),
        share_of_ideal_sd_pct=_in_100(None if facts is None else facts.share_of_ideal_sd),
        donor_kept_pct=None if facts is None else facts.donor_kept_pct,
        net_iron_mg=None if facts is None else facts.net_iron_mg,
        method="" if facts is None else facts.method,
        remark=_remark(row, facts),
        used=not left_out,
        left_out=left_out,
    )


def removal_trend_of(sessions: Sequence[SessionRow]) -> str:
    """Whether the share of own cells removed has been falling or rising over the sessions, in words; '' where not."""
    found = removal_trend(
        day=[row.on.toordinal() for row in sessions],
        ratio=[_share(row.share_of_ideal_pct) for row in sessions],
        ratio_sd=[_share(row.share_of_ideal_sd_pct) for row in sessions],
    )
    return found or ""


def _in_100(share: float | None) -> float | None:
    return None if share is None else 100 * share


def _share(pct: float | None) -> float:
    return math.nan if pct is None else pct / 100


def _left_out(row: ExchangeSession, facts: SessionFacts | None, last: SessionRow | None) -> str:
    """Why the gap ending at this session says nothing about the pace; empty where it does."""
    if last is None:
        return "first session"
    if facts is None or facts.hbs_before_pct is None:
        return "no HbS before"
    if last.visit.after_pct is None:
        return "no HbS after the session before"
    return "" if facts.gap_known else "transfused elsewhere, amount unknown"


def _remark(row: ExchangeSession, facts: SessionFacts | None) -> str:
    parts = ["given up"] if row.state == State.ABANDONED else []
    if row.visit_reason not in ROUTINE:
        parts.append(row.get_visit_reason_display())
    if row.admission_in_gap not in QUIET_GAP:
        parts.append(row.get_admission_in_gap_display())
    if facts is None:
        parts.append("figures not worked out yet")
    else:
        parts += [facts.remark] if facts.remark else []
        parts += [f"missing: {facts.missing}"] if facts.missing else []
    parts += [row.note] if row.note else []
    return "; ".join(part.rstrip(". ") for part in parts)


def goals_of(patient: Patient, today: date) -> tuple[Goals, ...]:
    """Return a person's goals up to a day, oldest first; one query."""
    rows = Goals.objects.filter(patient=patient, since__lte=today).select_related("decided_by")
    return tuple(rows.order_by("since", "pk"))


def decisions_of(patient: Patient, goals: Sequence[Goals], today: date) -> tuple[Decision, ...]:
    """Return goals set and locks lifted, newest first; one query beside the goals given."""
    made: list[Decision] = []
    before = None
    for row in goals:
        after = {name: getattr(row, name) for name, _, _ in GOAL_WORDS}
        by = row.decided_by.full_name if row.decided_by is not None else row.decided_by_name
        made.append(Decision(row.since, decision_words(after, before), row.reason, by))
        before = after
    for lift in LockLift.objects.filter(patient=patient, on__lte=today).select_related("by"):
        made.append(Decision(lift.on, "Haemolysis lock lifted", lift.reason, lift.by.full_name))
    made.reverse()  # of two decisions on one day the later stands first
    return tuple(sorted(made, key=lambda decision: decision.on, reverse=True))


def notes_of(
    goals: Sequence[Goals],
    sessions: Sequence[SessionRow],
    transfusions: Iterable[OtherTransfusion],
    written: Iterable[CourseNote] = (),
) -> tuple[tuple[int, str], ...]:
    """Return what the letters of the full picture stand for: (ordinal, sentence), oldest first."""
    notes: list[tuple[int, str]] = []
    for before, after in pairwise(goals):
        if before.hbs_ceiling_pct != after.hbs_ceiling_pct:
            by = after.decided_by.full_name if after.decided_by is not None else after.decided_by_name
            words = f"ceiling {before.hbs_ceiling_pct:g} to {after.hbs_ceiling_pct:g} %" + (f", {by}" if by else "")
            notes.append((after.since.toordinal(), words))
    for first, second in pairwise(sessions):
        if first.method and second.method and first.method != second.method:
            notes.append((second.on.toordinal(), f"laboratory method changed, {first.method} to {second.method}"))
    for row in transfusions:
        where = "transfused elsewhere" if row.elsewhere else "simple top-up"
        much = "amount unknown" if not row.amount_known else count_of(row.units, "unit") if row.units else ""
        notes.append((row.on.toordinal(), ", ".join(part for part in (where, much) if part)))
    notes += [(row.on.toordinal(), f"{row.words.rstrip('. ')} ({row.by.full_name})") for row in written]
    return tuple(sorted(notes))
