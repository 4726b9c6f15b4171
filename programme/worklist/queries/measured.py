"""Results of the followed share that came since the last session: they outrank any forecast."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date, timedelta

from patients.models import Analyte, Genotype, LabResult
from programme.core.models import Site

LOOK_BACK_DAYS = 120


@dataclass(frozen=True, slots=True)
class Measured:
    """The followed share on a day, at the precision at which it is reported (0.1)."""

    on: date
    pct: float


def newest_since_last_session(site: Site, today: date, last_on: Mapping[int, date | None]) -> dict[int, Measured]:
    """Return the newest value of the followed share measured after each person's last session; one query.

    In SC disease HbS and HbC of the same sample are added; one without the other says nothing.
    """
    results = LabResult.objects.in_force().filter(
        patient__site=site,
        analyte__in=[Analyte.HBS, Analyte.HBC],
        taken_on__lte=today,
        taken_on__gte=today - timedelta(days=LOOK_BACK_DAYS),
        link__isnull=True,
    )
    shares: defaultdict[tuple[int, date], dict[str, float]] = defaultdict(dict)
    both: set[int] = set()
    for pk, genotype, on, analyte, value in results.order_by("taken_at", "pk").values_list(
        "patient_id", "patient__genotype", "taken_on", "analyte", "value"
    ):
        last = last_on.get(pk)
        if pk in last_on and (last is None or on > last):
            shares[pk, on][analyte] = value
            both |= {pk} if genotype == Genotype.SC else set()
    newest: dict[int, Measured] = {}
    for (pk, on), found in sorted(shares.items()):
        wanted = (Analyte.HBS, Analyte.HBC) if pk in both else (Analyte.HBS,)
        if all(analyte in found for analyte in wanted):
            newest[pk] = Measured(on, round(sum(found[analyte] for analyte in wanted), 1))
    return newest
