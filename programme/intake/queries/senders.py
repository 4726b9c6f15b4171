"""Who may send."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta

from django.db.models import Max, Q

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


@dataclass(frozen=True, slots=True)
class Presented:
    """A token that somebody sends with: whose it is, what it is for and when it ends; is_old: there is a newer one."""

    sender: Sender
    kinds: tuple[str, ...]
    until: datetime
    is_old: bool

    def has_ended(self, at: datetime) -> bool:
        return self.until <= at


def token_with(digest: str) -> Presented | None:
    """Return the token that has this digest, with its sender and unit; None for an unknown one.

    One that has ended, and one of a revoked sender, are returned too: whose they are is known.
    """
    if not digest:
        return None
    rows = Sender.objects.select_related("site").filter(Q(token_digest=digest) | Q(old_digest=digest))
    row = rows.first()
    if row is None:
        return None
    is_old = row.token_digest != digest
    kinds, until = (row.old_kinds, row.old_until) if is_old else (row.token_kinds, row.token_until)
    assert until is not None  # of every token, by constraint
    return Presented(row, tuple(kinds.split()), until, is_old)


@dataclass(frozen=True, slots=True)
class SenderLine:
    """One sender as the page lists it. last_at: when its latest message came, None where none is kept.

    days_left: whole days until its token ends; None where it has no token. has_ended: it opens nothing any more.
    old_opens: its old token does still.
    """

    sender: Sender
    last_at: datetime | None
    days_left: int | None
    has_ended: bool
    old_opens: bool = False

    @property
    def warns(self) -> bool:
        """Its token is used, and has ended or soon will: then nothing more comes in from it by FHIR."""
        ends = self.days_left is not None and self.days_left < WARN_DAYS and self.sender.token_used_at is not None
        return ends or self.keeps_to_old

    @property
    def keeps_to_old(self) -> bool:
        """It has a new token and goes on with the old one, which has ended or soon will."""
        return self.days_left is not None and self.sender.still_uses_old_token


def senders_of(site: Site, at: datetime) -> list[SenderLine]:
    """Return who is listed, those that may send first, by name."""
    rows = Sender.objects.filter(site=site).order_by("-is_active", "name")
    kept = RawMessage.objects.filter(site=site).values("sender").annotate(last=Max("received_at"))
    last = dict(kept.values_list("sender", "last"))
    return [_line(row, last.get(row.name), at) for row in rows]


def _line(row: Sender, last_at: datetime | None, at: datetime) -> SenderLine:
    if not row.token_digest or row.token_until is None:
        return SenderLine(row, last_at, None, has_ended=False)
    left = days_left(row.token_until, at)
    return SenderLine(row, last_at, left, row.token_has_ended(at), row.old_token_opens(at))


def warned_of(site: Site, at: datetime) -> list[SenderLine]:
    """Return whose token is used and has ended or soon will, by name; one query."""
    lines = (_line(row, None, at) for row in Sender.objects.filter(site=site, is_active=True).order_by("name"))
    return [line for line in lines if line.warns]


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
