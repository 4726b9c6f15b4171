"""What was refused is told to its sender; here it is kept for the unit, whose results it may be."""

from __future__ import annotations

import logging
from datetime import datetime

from django.db import DatabaseError, transaction
from django.db.models import F

from programme.core.models import Site
from programme.intake.models import MessageKind, Refusal
from programme.intake.numeric.refusals import without_values

MOST_KEPT = 100
"""Reasons of a unit; a sender whose every message is wrong in another way pushes out the oldest."""

log = logging.getLogger(__name__)


def note_refusal(*, site: Site, sender: str, kind: MessageKind, words: str, at: datetime) -> None:
    """Keep that something was refused, without its values; the same reason of the same sender is counted.

    A sender is answered also where this cannot be written, so that is logged and not raised.
    """
    try:
        _keep(site, sender[:60], kind, without_values(words)[:200], at)
    except DatabaseError:
        log.exception("why something was refused could not be stored")


@transaction.atomic
def _keep(site: Site, sender: str, kind: MessageKind, words: str, at: datetime) -> None:
    row, is_new = Refusal.objects.get_or_create(
        site=site, sender=sender, kind=kind, words=words, defaults={"first_at": at, "last_at": at}
    )
    if not is_new:
        Refusal.objects.filter(pk=row.pk).update(times=F("times") + 1, last_at=at)
        return
    kept = Refusal.objects.filter(site=site).order_by("-last_at", "-pk").values("pk")[:MOST_KEPT]
    Refusal.objects.filter(site=site).exclude(pk__in=list(kept.values_list("pk", flat=True))).delete()
