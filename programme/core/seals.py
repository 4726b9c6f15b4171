"""Seals: each night the ends of all chains of a unit are named in one entry of the unit's own chain.

A chain shows by itself what was changed or taken out of its middle. That its newest entries were cut off, or a whole
chain written anew with hashes that fit, shows only where something outside the chain remembers its end.

A person's chains go when their record is erased. The entry of the unit's chain that says so names their ends, so that
these chains alone may be missing.
"""

from __future__ import annotations

from collections.abc import Iterator
from datetime import datetime, timedelta
from typing import Any

from django.db import transaction
from django.db.models import Max, Q

from programme.core import trail
from programme.core.models import Erasure, Site, TrailEntry

SEALED, ERASED = "seal the trail", "erase person"
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

    Only the newest seal of each chain is held against it: what came before is chained to that end. A chain that went
    with an erased record is no fault where the erasure went on from that end and was signed by two people.
    """
    said = TrailEntry.objects.filter(action__in=(SEALED, ERASED)).order_by("pk")
    return _unsigned() + trail.faults(TrailEntry.objects.all(), known_ends=_known_ends(said.iterator(chunk_size=100)))


def faults_of(patient_key: int, site_key: int) -> list[str]:
    """Return a sentence for every fault of the two chains of one person, held against the seals of their unit."""
    chains = trail.chains_of(patient_key)
    said = TrailEntry.objects.filter(chain=f"site:{site_key}", action__in=(SEALED, ERASED)).order_by("number")
    known = {chain: end for chain, end in _known_ends(said.iterator(chunk_size=100)).items() if chain in chains}
    return trail.faults(TrailEntry.objects.filter(chain__in=chains), known_ends=known)


def ends_in(entry: TrailEntry) -> dict[str, trail.End]:
    """Return {chain: its end} as a seal, or the entry of an erasure, says it."""
    said: dict[str, list[Any]] = (entry.after or {}).get("ends", {})
    return {chain: (int(number), str(digest)) for chain, (number, digest) in said.items()}


def seals_of(site: Site) -> trail.Entries:
    """Return the seals of a site, oldest first."""
    return TrailEntry.objects.filter(chain=f"site:{site.pk}", action=SEALED).order_by("number")


def _known_ends(said: Iterator[TrailEntry]) -> dict[str, trail.End]:
    """Return the ends that must still be there: as sealed last, less what was erased afterwards."""
    ends: dict[str, trail.End] = {}
    for one in said:
        if one.action == SEALED:
            ends |= ends_in(one)
            continue
        for chain, (number, digest) in ends_in(one).items():
            sealed = ends.get(chain)
            if sealed is not None and (sealed[0] < number or sealed == (number, digest)):
                del ends[chain]
    return ends


def _unsigned() -> list[str]:
    """Return a sentence for each entry that says a record was erased where no erasure was signed and done for it."""
    signed = dict(Erasure.objects.exclude(done_at=None).values_list("pk", "patient_key"))
    found = []
    for one in TrailEntry.objects.filter(action=ERASED).order_by("pk"):
        whose = signed.get(one.row_key or 0)
        if whose is None or not ends_in(one).keys() <= set(trail.chains_of(whose)):
            found.append(f"{one.chain}, entry {one.number}: says a record was erased that nobody signed for")
    return found
