"""Telling of an Hb that is too high after a session is closed or given up, however it came here: once, in the inbox.

The page of the session says so too, but nobody has to open that any more.
"""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime, timedelta
from zoneinfo import ZoneInfo

from django.db.models import QuerySet

from patients.models import Analyte, LabResult
from programme.core.settings_of_site import site_settings
from programme.intake.models import InboxItem, ItemState, RawMessage, Severity
from programme.intake.queries.tube import BY_HAND
from programme.intake.services.afterwards import tell
from programme.intake.services.keeping import keep_typed
from sessions.day.numeric.after import HbAfter
from sessions.day.queries import after_results, ending_of, hb_after
from sessions.models import ExchangeSession, Position, State

HB_MATTERS = timedelta(days=7)
"""After so long nobody draws blood for an Hb of then. Chosen here; not from a source."""
REASON = "hb_after_high"


def tell_of_high_hb(raw: RawMessage, filed: Sequence[LabResult], at: datetime) -> None:
    """Tell of each Hb of a message that is over what it may be after its session, where nothing was done for it."""
    for row in _after_the_end(at).filter(pk__in=[row.pk for row in filed]):
        if words := _against(row, at):
            _tell(raw, row, at, words)


def follow_typed_hb(patient_pks: tuple[int, ...], at: datetime) -> None:
    """Tell of an Hb typed or put right by hand in this transaction, and take out what was answered in it.

    Whoever types it sees it on the page of the session, if they typed it there; what is done is what counts.
    """
    told = InboxItem.objects.filter(reason=REASON, result__isnull=False).values("result")
    typed = _after_the_end(at).filter(patient__in=patient_pks, source=BY_HAND, recorded_at=at).exclude(pk__in=told)
    for row in typed:
        if words := _against(row, at):
            _take_out(InboxItem.objects.filter(result=row.supersedes_id), f"corrected to {row.value:g} g/L", at)
            _tell(keep_typed(row, at=at), row, at, words)
    _take_out_answered(patient_pks, at)


def _after_the_end(at: datetime) -> QuerySet[LabResult]:
    """Return the Hb of late that counts and follows a session on whose page nobody is waited for any more."""
    over = (State.CLOSED, State.ABANDONED)
    rows = LabResult.objects.in_force().filter(
        analyte=Analyte.HB, taken_at__gt=at - HB_MATTERS, link__position=Position.AFTER,
        link__exchange_session__state__in=over,
    )  # fmt: skip
    return rows.select_related("patient", "link__exchange_session__patient__site").order_by("pk")


def _against(row: LabResult, at: datetime) -> str:
    """Return what speaks against an Hb; '' where it is as it may be, where it was answered, or is not the newest."""
    session = row.link.exchange_session
    found = _found(session, row, at)
    if after_results(session)[Analyte.HB] != row or found is None or not found.is_over or found.is_answered:
        return ""
    return (
        f"The session of {session.on:%-d %b %Y} is {session.get_state_display()}, and its Hb after of "
        f"{found.words}. It counts already. A prescriber decides whether blood is drawn; its page opens a check."
    )


def _found(session: ExchangeSession, row: LabResult, at: datetime) -> HbAfter | None:
    site = session.patient.site
    settings, on = site_settings(site, at), at.astimezone(ZoneInfo(site.time_zone)).date()
    return hb_after(session, ending_of(session, at=at, settings=settings), row, on=on, settings=settings)


def _tell(raw: RawMessage, row: LabResult, at: datetime, words: str) -> None:
    tell(raw, row, at, Severity.STOP, REASON, words, {"day": row.link.exchange_session_id})


def _take_out_answered(patient_pks: tuple[int, ...], at: datetime) -> None:
    """Settle what waits of these people where a check of Hb was opened since, or enough blood was drawn."""
    for item in InboxItem.objects.waiting().filter(patient__in=patient_pks, reason=REASON):
        session = ExchangeSession.objects.select_related("patient__site").get(pk=item.about["day"])
        row = after_results(session).get(Analyte.HB)
        found = None if row is None else _found(session, row, at)
        if found is not None and found.is_over and found.is_answered:
            done = "a check of Hb was opened" if found.rechecked else "enough blood was drawn"
            _take_out(InboxItem.objects.filter(pk=item.pk), done, at)


def _take_out(items: QuerySet[InboxItem], why: str, at: datetime) -> None:
    waiting = items.filter(reason=REASON).exclude(state=ItemState.SETTLED)
    waiting.update(state=ItemState.SETTLED, choice="overtaken", why=why, settled_at=at)
