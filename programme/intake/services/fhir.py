"""One FHIR resource as it arrives from a sender with a token: refused, or kept. What is in it is read afterwards."""

from __future__ import annotations

import hashlib
from collections.abc import Mapping
from datetime import datetime
from zoneinfo import ZoneInfo

from programme.intake.models import MessageKind, RawMessage, Sender
from programme.intake.numeric import fhir
from programme.intake.numeric.arrivals import Envelope, Unreadable
from programme.intake.services.keeping import keep_raw


def keep_resource(*, sender: Sender, kind: str, body: bytes, at: datetime) -> tuple[RawMessage, Mapping[int, str]]:
    """Keep a resource that can be read; the same content again is the row that is there. Raises Unreadable, NotKept.

    Its sender hears at once what is wrong with one that cannot be read, so such a one is not kept. Of a batch the
    entries that were refused are returned by number, with what is wrong; they stay in the message as it came, unread.
    """
    found = fhir.kind_of(body)
    if found != kind:
        raise Unreadable(f"resourceType is {found!r}; allowed at this address is {kind}.")
    taken = fhir.read_entries(body, Envelope(sender.name, ZoneInfo(sender.site.time_zone)))
    digest = hashlib.sha256(body).hexdigest()  # versions of one resource have the same id, so no id serves here
    raw = keep_raw(site=sender.site, sender=sender.name, kind=MessageKind.FHIR, message_id=digest, body=body, at=at)
    return raw, taken.refused
