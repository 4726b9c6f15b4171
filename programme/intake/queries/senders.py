"""Who may send."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta

from django.db.models import Max

from programme.core.models import Site
from programme.intake.models import MessageKind, RawMessage, Refusal, Sender
from programme.intake.numeric.tokens import WARN_DAYS, days_left


class NotListed(ValueError):
    """The unit lists who may send, and this sender is not among them."""


def listed_name(site: Site, names: Sequence[str]) -> str:
    """Return under which of its names a sender is listed, the first of them where the unit lists nobody.

    Raises NotListed where the unit lists senders and this is none of them, or one that was revoked.
    """
    listed = dict(Sender.objects.filter(site=site).values_list("name", "is_active"))
    known = next((name for name in names if name in listed), None)
    if known is not None and listed[known]:
        return known
    if known is not None or listed:
        raise NotListed("This sender is not on the unit's list of senders.")
    return names[0] if names else "HL7"


def sender_with(digest: str) -> Sender | None:
    """Return the sender whose token has this digest, with its unit; None for a revoked or unknown one.

    Whether the token has ended, and what it is for, is said by the sender.
    """
    if not digest:
        return None
    return Sender.objects.select_related("site").filter(token_digest=digest, is_active=True).first()


@dataclass(frozen=True, slots=True)
class SenderLine:
    """One sender as the page lists it. last_at: when its latest message came, None where none is kept.

    days_left: whole days until its token ends; None where it has no token. has_ended: it opens nothing any more.
    """

    sender: Sender
    last_at: datetime | None
    days_left: int | None
    has_ended: bool

    @property
    def warns(self) -> bool:
        """Its token is used, and has ended or soon will: then nothing more comes in from it by FHIR."""
        return self.days_left is not None and self.days_left < WARN_DAYS and self.sender.token_used_at is not None


def senders_of(site: Site, at: datetime) -> list[SenderLine]:
    """Return who is listed, those that may send first, by name."""
    rows = Sender.objects.filter(site=site).order_by("-is_active", "name")
    kept = RawMessage.objects.filter(site=site).values("sender").annotate(last=Max("received_at"))
    last = dict(kept.values_list("sender", "last"))
    return [_line(row, last.get(row.name), at) for row in rows]


def _line(row: Sender, last_at: datetime | None, at: datetime) -> SenderLine:
    if not row.token_digest or row.token_until is None:
        return SenderLine(row, last_at, None, has_ended=False)
    return SenderLine(row, last_at, days_left(row.token_until, at), row.token_has_ended(at))


@dataclass(frozen=True, slots=True)
class Unlisted:
    """Somebody whose messages were taken by HL7 while nobody was listed, and are refused once anybody is."""

    name: str
    last_at: datetime


def unlisted_senders(site: Site) -> list[Unlisted]:
    """Return who sent by HL7 and is not listed under the name that was kept, the latest first."""
    rows = RawMessage.objects.filter(site=site, kind=MessageKind.HL7)
    rows = rows.exclude(sender__in=Sender.objects.filter(site=site).values("name"))
    heard = rows.values("sender").annotate(last=Max("received_at")).order_by("-last", "sender")
    return [Unlisted(name, last) for name, last in heard.values_list("sender", "last")]


SHOWN_FOR = timedelta(days=30)
MOST_SHOWN = 20


def refused_lately(site: Site, at: datetime) -> list[Refusal]:
    """Return what was refused in the last 30 days, at most 20 reasons, the latest first."""
    return list(Refusal.objects.filter(site=site, last_at__gt=at - SHOWN_FOR).order_by("-last_at", "-pk")[:MOST_SHOWN])


def is_refusing(site: Site, at: datetime) -> bool:
    """Say whether anything was refused in the last day."""
    return Refusal.objects.filter(site=site, last_at__gt=at - timedelta(days=1)).exists()
