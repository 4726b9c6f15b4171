"""Who may send."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime

from django.db.models import Max

from programme.core.models import Site
from programme.intake.models import RawMessage, Sender


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
    """Return the sender whose token has this digest, with its unit; None for a revoked or unknown one."""
    if not digest:
        return None
    return Sender.objects.select_related("site").filter(token_digest=digest, is_active=True).first()


@dataclass(frozen=True, slots=True)
class SenderLine:
    """One sender as the page lists it. last_at: when its latest message came, None where none is kept."""

    sender: Sender
    last_at: datetime | None


def senders_of(site: Site) -> list[SenderLine]:
    """Return who is listed, those that may send first, by name."""
    rows = Sender.objects.filter(site=site).order_by("-is_active", "name")
    kept = RawMessage.objects.filter(site=site).values("sender").annotate(last=Max("received_at"))
    last = dict(kept.values_list("sender", "last"))
    return [SenderLine(row, last.get(row.name)) for row in rows]
