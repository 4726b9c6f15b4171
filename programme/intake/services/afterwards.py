"""What shows only once results are stored: to which session one belongs, and which signed plan rests on it no more."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime, timedelta
from zoneinfo import ZoneInfo

from patients.models import FRACTIONS, Analyte, LabResult, Patient
from programme.core.settings_of_site import site_settings
from programme.intake.models import InboxItem, RawMessage, ReadResult, Severity
from programme.intake.numeric.pairing import doubtful_session
from sessions.day.models import Prescription
from sessions.day.queries import after_results, ending_of, hb_after
from sessions.models import ExchangeSession, Position, State
from sessions.numeric.pairing import LooseResult, SessionTimes

PAIRED = (Analyte.HB, *FRACTIONS)
HB_MATTERS = timedelta(days=7)
"""After so long nobody draws blood for an Hb of then. Chosen here; not from a source."""


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
            _tell(raw, row, at, Severity.CHECK, "before_or_after", words, {"session": session.key})


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


def tell_of_high_hb(raw: RawMessage, filed: Sequence[LabResult], at: datetime) -> None:
    """Tell of an Hb after a session that is closed or given up, where it is over what it may be and nothing was done.

    Its page says so too, but nobody has to open that any more.
    """
    settings, on = site_settings(raw.site, at), at.astimezone(ZoneInfo(raw.site.time_zone)).date()
    high = LabResult.objects.in_force().filter(
        pk__in=[row.pk for row in filed], analyte=Analyte.HB, taken_at__gt=at - HB_MATTERS,
        link__position=Position.AFTER, link__exchange_session__state__in=(State.CLOSED, State.ABANDONED),
    )  # fmt: skip
    for row in high.select_related("patient", "link__exchange_session__patient__site"):
        session = row.link.exchange_session
        ending = ending_of(session, at=at, settings=settings)
        found = hb_after(session, ending, row, on=on, settings=settings)
        if after_results(session)[Analyte.HB] != row or found is None or not found.is_over or found.is_answered:
            continue
        words = (
            f"The session of {session.on:%-d %b %Y} is {session.get_state_display()}, and its Hb after of "
            f"{found.words}. It counts already. A prescriber decides whether blood is drawn; its page opens a check."
        )
        _tell(raw, row, at, Severity.STOP, "hb_after_high", words, {"day": session.pk})


def _tell(
    raw: RawMessage, row: LabResult, at: datetime, severity: Severity, reason: str, words: str, about: dict[str, int]
) -> None:
    """Put one thing about a result that came with this message into the inbox."""
    read = ReadResult.objects.filter(raw=raw, result=row).first()
    InboxItem.objects.create(
        site_id=raw.site_id, raw=raw, read_result=read, patient=row.patient, result=row, severity=severity,
        reason=reason, sentence=words, about=about, at=at,
    )  # fmt: skip
