"""Seals: each night the ends of all chains of a unit are named in one entry of the unit's own chain.

A chain shows by itself what was changed or taken out of its middle. That its newest entries were cut off, or a whole
chain written anew with hashes that fit, shows only where something outside the chain remembers its end.
"""

from __future__ import annotations

from collections.abc import Iterator
from datetime import datetime, timedelta
from typing import Any

from django.db import transaction
from django.db.models import Max, Q

from programme.core import trail
from programme.core.models import Site, TrailEntry

SEALED = "seal the trail"
OVERLAP = timedelta(days=1)  # an entry may be numbered before the last seal and committed after it


@transaction.atomic
def seal(*, site: Site, at: datetime) -> TrailEntry:
    """Write the ends of every chain of `site` that grew since its last seal; return the entry of the new seal.

    `after` of the entry: {"up_to": newest entry looked at, "ends": {chain: [number, hash], …}}.
    """
    list(Site.objects.select_for_update().filter(pk=site.pk))
    here = TrailEntry.objects.filter(site=site)
    last = seals_of(site).last()
    grown = here
    if last is not None and last.after is not None:
        grown = here.filter(Q(pk__gt=last.after["up_to"]) | Q(at__gte=last.at - OVERLAP))
    chains = set(grown.order_by().values_list("chain", flat=True).distinct())
    newest = here.aggregate(newest=Max("pk"))["newest"] or 0
    ends = {chain: list(end) for chain, end in trail.ends_of(chains).items()}
    said = trail.Change(site.pk, None, SEALED, "trail", after={"up_to": newest, "ends": ends})
    return trail.write([said], actor=None, at=at)[0]


def faults() -> list[str]:
    """Return a sentence for every fault of all chains and of what the seals say of their ends.

    Only the newest seal of each chain is held against it: what came before is chained to that end.
    """
    seals = TrailEntry.objects.filter(action=SEALED).order_by("pk")
    return trail.faults(TrailEntry.objects.all(), known_ends=_sealed_ends(seals.iterator(chunk_size=100)))


def ends_in(seal: TrailEntry) -> dict[str, trail.End]:
    """Return {chain: its end} as a seal says it."""
    said: dict[str, list[Any]] = (seal.after or {}).get("ends", {})
    return {chain: (int(number), str(digest)) for chain, (number, digest) in said.items()}


def seals_of(site: Site) -> trail.Entries:
    """Return the seals of a site, oldest first."""
    return TrailEntry.objects.filter(chain=f"site:{site.pk}", action=SEALED).order_by("number")


def _sealed_ends(seals: Iterator[TrailEntry]) -> dict[str, trail.End]:
    ends: dict[str, trail.End] = {}
    for one in seals:
        ends |= ends_in(one)
    return ends
