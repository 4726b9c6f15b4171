"""Reading kept messages: each exactly once, however often a reader is killed in between."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from datetime import datetime
from zoneinfo import ZoneInfo

from django.db import transaction
from django.db.models import F

from programme.core import changes
from programme.intake.models import LEASE, InboxItem, MessageKind, RawMessage, Reading, ReadingState, Severity
from programme.intake.numeric import csv_results, fhir, hl7
from programme.intake.numeric.arrivals import Arrival, Envelope, Unreadable
from programme.intake.services.taking import take

Parser = Callable[[bytes, Envelope], tuple[Arrival, ...]]
PARSERS: Mapping[str, Parser] = {
    MessageKind.CSV: lambda body, _: csv_results.read(body),  # its rows name source and offset themselves
    MessageKind.HL7: hl7.read,
    MessageKind.FHIR: fhir.read,
}
"""How the body of a message of each kind is read. A parser raises Unreadable, and nothing else, for a bad body."""

MOST_ATTEMPTS = 5
READ_TOGETHER = 50
"""Some seconds of work at most, after which forecasts follow."""


class _TakenByAnother(Exception):
    """Another reader finished the message meanwhile; what was read here is rolled back."""


def read_message(raw_pk: int, *, at: datetime) -> bool:
    """Read one kept message and file what is in it; False where it was read already or somebody reads it now."""
    mine = Reading.objects.free(at).filter(raw_id=raw_pk).update(lease_until=at + LEASE, attempt=F("attempt") + 1)
    if not mine:
        return False
    raw = RawMessage.objects.select_related("site").get(pk=raw_pk)
    attempt = Reading.objects.values_list("attempt", flat=True).get(raw=raw)
    try:
        if attempt > MOST_ATTEMPTS:
            raise Unreadable(f"Reading it broke off {MOST_ATTEMPTS} times.")
        arrivals = PARSERS[raw.kind](bytes(raw.body), Envelope(raw.sender, ZoneInfo(raw.site.time_zone)))
        with transaction.atomic():
            _end(raw, ReadingState.READ, at)
            take(raw, arrivals, at=at)
    except Unreadable as fault:
        with transaction.atomic():
            _end(raw, ReadingState.UNREADABLE, at, str(fault))
            _tell_unreadable(raw, str(fault), at)
    except _TakenByAnother:
        return False
    return True


def read_all(*, clock: Callable[[], datetime], at_most: int = 1_000) -> int:
    """Read what waits, oldest first, and return how many messages were read here."""
    by_site: dict[int, list[int]] = {}
    waiting = Reading.objects.free(clock()).order_by("pk").values_list("raw_id", "raw__site_id")[:at_most]
    for raw_pk, site_pk in waiting:
        by_site.setdefault(site_pk, []).append(raw_pk)
    return sum(_read_together(keys, clock) for keys in by_site.values())


def _read_together(raw_keys: Sequence[int], clock: Callable[[], datetime]) -> int:
    """Read messages of one site; whoever has several results in a bundle of them is planned anew once."""
    done = 0
    for start in range(0, len(raw_keys), READ_TOGETHER):
        with changes.heard_together():
            for raw_pk in raw_keys[start : start + READ_TOGETHER]:
                done += read_message(raw_pk, at=clock())
    return done


def _end(raw: RawMessage, state: str, at: datetime, fault: str = "") -> None:
    """Write that the message was read; the row is held from here to the end of the transaction."""
    rows = Reading.objects.filter(raw=raw, state=ReadingState.WAITING)
    if not rows.update(state=state, read_at=at, fault=fault[:400], lease_until=None):
        raise _TakenByAnother


def _tell_unreadable(raw: RawMessage, fault: str, at: datetime) -> None:
    InboxItem.objects.create(
        site_id=raw.site_id,
        raw=raw,
        severity=Severity.CHECK,
        reason="unreadable",
        sentence=f"The message from {raw.sender} cannot be read: {fault}"[:600],
        at=at,
    )
