"""Entries at the bedside: each is kept once, in order, with who and when, whatever happens to the network between."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import datetime, timedelta
from typing import Any

from django.core.exceptions import ValidationError
from django.db import transaction
from django.db.models import Max

from patients.services import change_of
from programme.core import trail
from programme.core.models import User
from sessions.day.models import Entry
from sessions.day.numeric.entries import AFTERWARDS, AT_THE_CHAIR, TIME, faults_of
from sessions.day.services.moves import hold
from sessions.models import ExchangeSession, State

LONGEST_WAIT_S = 48 * 3600.0


@transaction.atomic
def add_entry(
    *,
    exchange_session: ExchangeSession,
    key: str,
    kind: str,
    body: Mapping[str, Any],
    actor: User,
    at: datetime,
    waited_s: float = 0.0,
    seen: int = 0,
    why: str = "",
) -> Entry:
    """Keep one entry that the bedside page made; the same key again finds the entry it made the first time.

    waited_s: seconds it had waited in the browser, by the browser's own running clock; it happened so long before `at`.
    Raises: ValidationError with every fault, or where the session's state takes no such entry. Nothing is written then.
    """
    earlier = Entry.objects.filter(key=key).first()
    if earlier is not None:
        return _same(earlier, exchange_session, kind, actor)
    now = hold(exchange_session)
    allowed = {State.RUNNING: AT_THE_CHAIR, State.FINISHED: AFTERWARDS}.get(State(now.state), frozenset())
    if kind not in allowed:
        raise ValidationError(f"This session is {now.state}: '{kind.replace('_', ' ')}' was not kept.")
    if kind == TIME and not why.strip():
        raise ValidationError({"why": "Say why the time is put right: the reason is kept with it."})
    return keep(
        exchange_session=now, key=key, kind=kind, body=body, actor=actor, at=at, waited_s=waited_s, seen=seen, why=why
    )


def keep(
    *,
    exchange_session: ExchangeSession,
    key: str,
    kind: str,
    body: Mapping[str, Any],
    actor: User,
    at: datetime,
    waited_s: float = 0.0,
    seen: int = 0,
    why: str = "",
) -> Entry:
    """Write an entry of a session that is held by this transaction. Raises ValidationError with every fault."""
    faults = faults_of(kind, body)
    if not key or len(key) > 64:
        faults += ("The entry has lost its key; enter it again.",)
    if not 0.0 <= waited_s <= LONGEST_WAIT_S:
        faults += (f"An entry waits at most {LONGEST_WAIT_S / 3600:g} h in the browser; this one says {waited_s:g} s.",)
    if faults:
        raise ValidationError(list(faults))
    last = Entry.objects.filter(exchange_session=exchange_session).aggregate(last=Max("number"))["last"] or 0
    entry = Entry(
        exchange_session=exchange_session,
        number=last + 1,
        key=key,
        kind=kind,
        body=dict(body),
        happened_at=at - timedelta(seconds=waited_s),
        received_at=at,
        waited=waited_s > 5.0,
        seen=min(seen, last),
        by=actor,
        why=why.strip(),
    )
    entry.save(force_insert=True)
    trail.write([change_of(exchange_session.patient, f"enter {kind}", entry, why=entry.why)], actor=actor, at=at)
    return entry


def _same(earlier: Entry, exchange_session: ExchangeSession, kind: str, actor: User) -> Entry:
    if (earlier.exchange_session_id, earlier.kind, earlier.by_id) != (exchange_session.pk, kind, actor.pk):
        raise ValidationError("This entry's key was already used for something else; enter it again.")
    return earlier
