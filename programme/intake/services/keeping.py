"""Keeping what arrives, exactly as it came. A message may be acknowledged once this has committed, and not before."""

from __future__ import annotations

import hashlib
from datetime import datetime

from django.db import IntegrityError, transaction

from patients.models import LabResult
from programme.core.models import Site
from programme.intake.models import InboxItem, MessageKind, RawMessage, Reading, ReadingState, Severity

LONGEST_MESSAGE_ID = 200
MOST_BYTES = 20_000_000


class NotKept(ValueError):
    """A message that cannot be kept; the words say why."""


def keep_raw(*, site: Site, sender: str, kind: str, message_id: str, body: bytes, at: datetime) -> RawMessage:
    """Store a message as it came, to be read afterwards; the same one again is the row that is there already.

    The same id with other content is kept too, and a person is told. Raises NotKept where id or body are too long or
    the kind is not known.
    """
    _check(sender, kind, message_id, body)
    digest = hashlib.sha256(body).hexdigest()
    same = RawMessage.objects.filter(site=site, sender=sender, message_id=message_id)
    known = same.filter(digest=digest).first()
    if known is not None:
        return known
    try:
        with transaction.atomic():
            raw = RawMessage.objects.create(
                site=site, sender=sender, kind=kind, message_id=message_id, digest=digest, body=body, received_at=at
            )
            Reading.objects.create(raw=raw)
            other = same.exclude(pk=raw.pk).order_by("pk").first()
            if other is not None:
                _tell_of_other_content(raw, other, at)
            return raw
    except IntegrityError:  # somebody else stored the same message at the same moment
        return same.get(digest=digest)


def keep_typed(row: LabResult, *, at: datetime) -> RawMessage:
    """Store a result that a person typed as what arrived, so that the inbox can tell of it; nothing is left to read."""
    body = f"{row.analyte} {row.value:g} {row.unit}, taken {row.taken_at.isoformat()}".encode()
    raw = RawMessage.objects.create(
        site_id=row.patient.site_id, sender=row.source, kind=MessageKind.HAND, message_id=row.source_key,
        digest=hashlib.sha256(body).hexdigest(), body=body, received_at=at,
    )  # fmt: skip
    Reading.objects.create(raw=raw, state=ReadingState.READ, read_at=at)
    return raw


def _check(sender: str, kind: str, message_id: str, body: bytes) -> None:
    if kind not in MessageKind.values:
        raise NotKept(f"{kind!r} is not a kind of message; known are {', '.join(MessageKind.values)}.")
    if not 0 < len(message_id) <= LONGEST_MESSAGE_ID:
        raise NotKept(f"The message id has {len(message_id)} letters; allowed is 1 to {LONGEST_MESSAGE_ID}.")
    if not 0 < len(sender) <= 60:
        raise NotKept(f"The sender's name has {len(sender)} letters; allowed is 1 to 60.")
    if "\x00" in sender + message_id:
        raise NotKept("Sender and message id may not hold the character nought.")
    if len(body) > MOST_BYTES:
        raise NotKept(f"The message has {len(body)} bytes; allowed is at most {MOST_BYTES}.")


def _tell_of_other_content(raw: RawMessage, other: RawMessage, at: datetime) -> None:
    InboxItem.objects.create(
        site_id=raw.site_id,
        raw=raw,
        severity=Severity.CHECK,
        reason="message_id_again",
        sentence=f"{raw.sender} used the message id {raw.message_id[:80]!r} again for other content; it was first "
        f"received {other.received_at:%-d %b %Y %H:%M} UTC. Both are kept, and the results in it are read one by one.",
        at=at,
    )
