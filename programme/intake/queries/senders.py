"""Who may send."""

from __future__ import annotations

from collections.abc import Sequence

from programme.core.models import Site
from programme.intake.models import Sender


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
