"""What shows only once results are stored: to which session one belongs, and which signed plan rests on it no more."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime, timedelta

from patients.models import FRACTIONS, Analyte, LabResult, Patient
from programme.intake.models import InboxItem, RawMessage, ReadResult, Severity
from programme.intake.numeric.pairing import doubtful_session
from sessions.day.models import Prescription
from sessions.models import ExchangeSession
from sessions.numeric.pairing import LooseResult, SessionTimes

PAIRED = (Analyte.HB, *FRACTIONS)


def ask_where_it_belongs(raw: RawMessage, filed: Sequence[LabResult], at: datetime) -> None:
    """Ask about each result that counts, that no rule could link, and that may be from before or after a session."""
    loose = LabResult.objects.in_force().filter(pk__in=[row.pk for row in filed], link__isnull=True, analyte__in=PAIRED)
    for row in loose.select_related("patient"):
        day = timedelta(days=1)
        done = ExchangeSession.objects.carried_out().filter(
            patient=row.patient_id, on__range=(row.taken_on - day, row.taken_on + day)
        )
        times = [SessionTimes(one.pk, one.on, one.started_at, one.ended_at) for one in done.order_by("on", "pk")]
        taken_at = row.taken_at if row.time_known else None
        session = doubtful_session(LooseResult(row.pk, row.analyte, row.taken_on, taken_at), times)
        if session is not None:
            words = (
                f"The sample lies within the session of {session.on:%-d %b %Y}, or its times are not known: "
                "before or after it? Until somebody says so it belongs to neither."
            )
            tell(raw, row, at, Severity.CHECK, "before_or_after", words, {"session": session.key})


def tell_of_lapsed_plans(raw: RawMessage, people: Sequence[Patient], at: datetime) -> None:
    """Tell of each signed plan of these people that lapsed in this transaction."""
    lapsed = Prescription.objects.filter(exchange_session__patient__in=people, lapsed_at=at)
    for plan in lapsed.select_related("exchange_session__patient").order_by("pk"):
        patient = plan.exchange_session.patient
        InboxItem.objects.create(
            site_id=raw.site_id,
            raw=raw,
            read_result=ReadResult.objects.filter(raw=raw, result__patient=patient).order_by("-pk").first(),
            patient=patient,
            severity=Severity.STOP,
            reason="plan_lapsed",
            sentence=f"Plan {plan.number} was signed and has lapsed: {plan.lapsed_why}"[:600],
            about={"day": plan.exchange_session_id},
            at=at,
        )


def tell(
    raw: RawMessage, row: LabResult, at: datetime, severity: Severity, reason: str, words: str, about: dict[str, int]
) -> None:
    """Put one thing about a result that came with this message into the inbox."""
    read = ReadResult.objects.filter(raw=raw, result=row).first()
    InboxItem.objects.create(
        site_id=raw.site_id, raw=raw, read_result=read, patient=row.patient, result=row, severity=severity,
        reason=reason, sentence=words, about=about, at=at,
    )  # fmt: skip
