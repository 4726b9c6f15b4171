"""How the service stands, for whoever watches over it: what ran last, what waits; three queries."""

from __future__ import annotations

from datetime import datetime
from math import inf

from django.db.models import Max

from programme.core.backups import last_backup
from programme.core.models import Site
from programme.intake.models import Reading, ReadingState

REPLAN = "Since the newest finished replan, of the unit where that is longest ago; infinite where there is none."
WAITING = "Messages from laboratories that are kept and not read yet."
BACKUP = "Since the last backup; infinite where there is none."


def standing(at: datetime) -> dict[str, tuple[str, float]]:
    """Return {name: (meaning, value)}; ages in seconds. The backup only where one is expected."""
    ends = Site.objects.annotate(last=Max("replans__finished_at")).values_list("last", flat=True)
    replan_age_s = max((_age_s(end, at) for end in ends), default=inf)
    waiting = Reading.objects.filter(state=ReadingState.WAITING).count()
    figures = {"ebbline_replan_age_seconds": (REPLAN, replan_age_s), "ebbline_messages_waiting": (WAITING, waiting)}
    backup = last_backup(at)
    return figures | ({"ebbline_backup_age_seconds": (BACKUP, _age_s(backup.at, at))} if backup else {})


def _age_s(then: datetime | None, at: datetime) -> float:
    return inf if then is None else (at - then).total_seconds()
