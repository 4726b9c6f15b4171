"""The trail: who changed what, when and why, in a table that can only grow.

Entries are written by services in the same transaction as the change. Each holds the hash of the one before
it in its chain, so a change, a gap or a reorder shows. Triggers in the database refuse update and delete (`guards.py`).
Who saw a person's pages is written too (`reading.py`), in a chain of its own beside the person's.
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import Any, TypeAlias

from django.db import transaction
from django.db.models import F, QuerySet, Window
from django.db.models.functions import RowNumber

from programme.core.models import Site, TrailEntry, User
from programme.core.prepared import Prepared

FIRST = "0" * 64
DIGITS_FROM = 1e16
Entries: TypeAlias = QuerySet[TrailEntry]
End: TypeAlias = tuple[int, str]
"""Number and hash of the last entry of a chain."""
ENDS = Prepared(
    lambda chain: TrailEntry.objects.filter(chain=chain).order_by("-number").values_list("number", "hash")[:1]
)


@dataclass(frozen=True, slots=True)
class Change:
    """What a service did to one row; `patient_key` None for a site's own affairs."""

    site_key: int
    patient_key: int | None
    action: str
    row_kind: str
    row_key: int | None = None
    row_version: int | None = None
    why: str = ""
    before: dict[str, Any] | None = None
    after: dict[str, Any] | None = None
    seen: bool = False
    """Somebody looked at the person and changed nothing."""

    @property
    def chain(self) -> str:
        if self.patient_key is None:
            return f"site:{self.site_key}"
        changes, looks = chains_of(self.patient_key)
        return looks if self.seen else changes


def write(changes: Iterable[Change], *, actor: User | None, at: datetime) -> list[TrailEntry]:
    """Append one entry for each change, continuing each chain; call inside the transaction of the change.

    Returns the entries as they were written.
    """
    changes = list(changes)
    if not changes:
        return []
    if not transaction.get_connection().in_atomic_block:
        raise RuntimeError("the trail is written inside the transaction of the change it records")
    # A site's own chain is shared by whoever works there; a patient's is held by the service that changes the patient.
    shared = {change.site_key for change in changes if change.patient_key is None}
    if shared:
        list(Site.objects.select_for_update().filter(pk__in=shared).order_by("pk"))
    ends = ends_of({change.chain for change in changes})
    entries = []
    for change in changes:
        number, previous = ends.get(change.chain, (0, FIRST))
        entry = TrailEntry(
            site_id=change.site_key,
            chain=change.chain,
            number=number + 1,
            patient_key=change.patient_key,
            actor=actor,
            at=at,
            action=change.action,
            why=change.why,
            row_kind=change.row_kind,
            row_key=change.row_key,
            row_version=change.row_version,
            before=_as_kept(change.before),
            after=_as_kept(change.after),
            previous_hash=previous,
        )
        entry.hash = entry_hash(entry)
        ends[change.chain] = (entry.number, entry.hash)
        entries.append(entry)
    return TrailEntry.objects.bulk_create(entries, batch_size=500)


def _as_kept(said: Any) -> Any:
    """Return figures as every database gives them back: PostgreSQL knows no −0.0 and writes 1e+16 out in digits."""
    if isinstance(said, dict):
        return {name: _as_kept(part) for name, part in said.items()}
    if isinstance(said, list | tuple):
        return [_as_kept(part) for part in said]
    if isinstance(said, float):
        return int(said) if abs(said) >= DIGITS_FROM else said + 0.0
    return said


def entry_hash(entry: TrailEntry) -> str:
    """Return the SHA-256 of all that the entry says, the hash before it included; the time counts in UTC."""
    said = [
        entry.site_id, entry.chain, entry.number, entry.patient_key, entry.actor_id,
        entry.at.astimezone(UTC).isoformat(), entry.action, entry.why, entry.row_kind,
        entry.row_key, entry.row_version, entry.before, entry.after, entry.previous_hash,
    ]  # fmt: skip
    return hashlib.sha256(json.dumps(said, sort_keys=True, separators=(",", ":")).encode()).hexdigest()


def faults(entries: Entries, *, known_ends: Mapping[str, End] | None = None) -> list[str]:
    """Return a sentence for every change, gap or reorder found in `entries` (whole chains).

    known_ends: what was noted of chains outside them; a chain that no longer holds that entry is a fault too.
    """
    found: list[str] = []
    ends: dict[str, End] = {}
    missing = dict(known_ends or {})
    for entry in entries.order_by("chain", "number").iterator(chunk_size=2000):
        number, previous = ends.get(entry.chain, (0, FIRST))
        where = f"{entry.chain}, entry {entry.number}"
        if entry.number != number + 1:
            found.append(f"{where}: {entry.number - number - 1} entries before it are missing")
        elif entry.previous_hash != previous:
            found.append(f"{where}: does not follow the entry before it")
        if entry_hash(entry) != entry.hash:
            found.append(f"{where}: was changed after it was written")
        if missing.get(entry.chain) == (entry.number, entry.hash):
            del missing[entry.chain]
        ends[entry.chain] = (entry.number, entry.hash)
    for chain, (number, digest) in missing.items():
        found.append(f"{chain}: entry {number} ended in {digest[:8]} when it was sealed, and is no longer there")
    return found


def chains_of(patient_key: int) -> tuple[str, str]:
    """Return the names of the two chains of a person: of changes, and of looks."""
    return f"patient:{patient_key}", f"seen:{patient_key}"


def ends_of(chains: set[str]) -> dict[str, End]:
    """Return the end of each chain that has one; one query for every 500."""
    ends: dict[str, End] = {}
    wanted = sorted(chains)
    if len(wanted) == 1:  # as at every action at the bedside: one look at the end of the index
        last = ENDS.figures(chain=wanted[0])
        return dict.fromkeys(wanted, tuple(last[0])) if last else {}
    for start in range(0, len(wanted), 500):
        some = TrailEntry.objects.filter(chain__in=wanted[start : start + 500])
        ranked = some.annotate(place=Window(RowNumber(), partition_by=F("chain"), order_by=F("number").desc()))
        for chain, number, digest in ranked.filter(place=1).values_list("chain", "number", "hash"):
            ends[chain] = (number, digest)
    return ends
