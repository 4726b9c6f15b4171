"""The unit's own codes, and how often one that is ignored arrived."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime

from django.db.models import Count, Max

from programme.core.models import Site
from programme.intake.models import Became, LocalCode, ReadResult
from programme.intake.numeric.codes import BY_ANALYTE


@dataclass(frozen=True, slots=True)
class OwnCode:
    """One code of the unit. name: empty where it is ignored. ignored, last_at: how often, and when the last came."""

    row: LocalCode
    name: str
    ignored: int
    last_at: datetime | None


def own_codes(site: Site) -> list[OwnCode]:
    """Return all codes ever agreed, those in use first."""
    came = ReadResult.objects.filter(site=site, became=Became.IGNORED).values_list("said__code")
    counted = {code: (count, last) for code, count, last in came.annotate(Count("pk"), Max("raw__received_at"))}
    rows = LocalCode.objects.filter(site=site).select_related("by").order_by("until", "code", "-since")
    never = (0, None)
    return [
        OwnCode(row, BY_ANALYTE[row.analyte].name if row.analyte else "", *counted.get(row.code, never)) for row in rows
    ]
