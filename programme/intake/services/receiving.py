"""One HL7 message as it arrives: refused, or kept and then answered. What is in it is read afterwards."""

from __future__ import annotations

import logging
import secrets
from dataclasses import dataclass
from datetime import datetime
from zoneinfo import ZoneInfo

from django.db import DatabaseError

from programme.core.models import Site
from programme.intake.models import MessageKind
from programme.intake.numeric import hl7
from programme.intake.numeric.arrivals import Envelope, Unreadable
from programme.intake.numeric.hl7_answer import REFUSED, TAKEN, UNREADABLE, answer
from programme.intake.numeric.hl7_syntax import NotHl7
from programme.intake.numeric.mllp import Frame
from programme.intake.queries.senders import NotListed, listed_name
from programme.intake.services.keeping import NotKept, keep_raw
from programme.intake.services.refusals import note_refusal

MOST_BYTES = 1_000_000
"""Of one HL7 message; a report of a few dozen results has some thousands."""

log = logging.getLogger(__name__)


@dataclass(frozen=True, slots=True)
class Received:
    """What became of a message. code: AA, AE or AR; words: why, '' for AA; answer: what its sender is told."""

    code: str
    words: str
    answer: bytes

    @property
    def is_kept(self) -> bool:
        return self.code != REFUSED


class Refused(ValueError):
    """A message that is not kept; the words say why."""


def receive(*, site: Site, frame: Frame, at: datetime) -> Received:
    """Keep a message and return the answer to it: AA or AE only once it is safely stored, AR where it is not."""
    header: hl7.Header | None = None
    answer_id = f"R{secrets.token_hex(6)}"
    try:
        header = hl7.read_header(frame.body)
        raw_pk = keep_message(site=site, header=header, frame=frame, at=at)
        answer_id, words = f"A{raw_pk}", why_unreadable(frame.body, site)
        code = UNREADABLE if words else TAKEN
    except (NotHl7, Refused) as refusal:
        code, words = REFUSED, str(refusal)
    except DatabaseError:
        log.exception("a message could not be stored; its sender is told to send it again")
        code, words = REFUSED, "It could not be stored. Send it again."
    if code == REFUSED:
        sender = header.names[0] if header and header.names else ""
        note_refusal(site=site, sender=sender, kind=MessageKind.HL7, words=words, at=at)
    local = at.astimezone(ZoneInfo(site.time_zone))
    return Received(code, words, answer(header, code, answer_id=answer_id, at=local, words=words))


def keep_message(*, site: Site, header: hl7.Header, frame: Frame, at: datetime) -> int:
    """Keep a message that begins with `header` and return its key. Raises Refused where it is not taken."""
    if frame.too_large:
        raise Refused(f"It is too large; allowed are {MOST_BYTES} bytes.")
    if header.why_not_taken:
        raise Refused(header.why_not_taken)
    try:
        sender = listed_name(site, header.names)
        raw = keep_raw(
            site=site, sender=sender, kind=MessageKind.HL7, message_id=header.control_id, body=frame.body, at=at
        )  # fmt: skip
    except (NotListed, NotKept) as refusal:
        raise Refused(str(refusal)) from refusal
    return raw.pk


def why_unreadable(body: bytes, site: Site) -> str:
    """Return why a kept message cannot be read, '' where it can. It is read again, and filed, afterwards."""
    try:
        hl7.read(body, Envelope("", ZoneInfo(site.time_zone)))
    except Unreadable as fault:
        return str(fault)
    return ""
