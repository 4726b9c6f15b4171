"""Backups: one made and proved by reading it, old ones deleted, what is said of the last one.

Beside the backups lies a list of the records erased since: a backup that is older than an erasure brings them back.
"""

from __future__ import annotations

import json
import os
from collections.abc import Callable
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

from django.conf import settings
from django.db import transaction

from programme.core import keeping, locked_files, trail
from programme.core.models import Erasure, Site, TrailEntry

BACKED_UP = "back up"
NAME = "ebbline-%Y%m%d-%H%M%S.backup.age"
ERASED_LIST = "erased-records.jsonl"
ALWAYS_KEPT = 3
"""Newest backups that stay whatever their age, in case a clock was wrong. Chosen here; not from a source."""


@dataclass(frozen=True, slots=True)
class LastBackup:
    """When a backup was made last, None if never; is_old: longer ago than old_after_hours."""

    at: datetime | None
    is_old: bool
    old_after_hours: int


def make(*, folder: Path, key_file: Path, clock: Callable[[], datetime]) -> Path:
    """Keep the whole database in a new file of `folder`, prove it by reading it, and write it into every site's trail.

    Raises OSError, BadKey, CannotRead and BadBackup; no part of the file stays then, and earlier ones stand.
    """
    now = clock().astimezone(UTC)
    path = folder / now.strftime(NAME)
    if path.exists():
        raise FileExistsError(f"{path} is there already; wait a second.")
    with keeping.snapshot() as using:
        lines = keeping.dump(using, made_at=now)
        locked_files.write_lines(path, lines, key_file=key_file, prove=keeping.read_through)
    _note(name=path.name, size=path.stat().st_size, at=clock())
    return path


def delete_older(*, folder: Path, days: int, at: datetime) -> list[Path]:
    """Delete backups made more than `days` before `at`, but never the newest few; return what is gone."""
    gone = [path for made, path in _made_in(folder)[:-ALWAYS_KEPT] if made < at - timedelta(days=days)]
    for path in gone:
        path.unlink()
    return gone


def last_backup(at: datetime, *, site: Site | None = None) -> LastBackup | None:
    """Return what is to be said of the last backup, by the trail of a site or of all; None where none are expected."""
    if settings.BACKUP_FOLDER is None:
        return None
    noted = TrailEntry.objects.filter(patient_key=None, action=BACKED_UP)
    newest = noted.order_by("-pk") if site is None else noted.filter(chain=f"site:{site.pk}").order_by("-number")
    made = newest.values_list("at", flat=True).first()
    hours = settings.BACKUP_OLD_AFTER_HOURS
    return LastBackup(made, made is None or at - made > timedelta(hours=hours), hours)


def note_erased(folder: Path) -> int:
    """Add the records erased here that are not in the folder's list yet; return how many.

    The list holds no reference, only numbers and digests; it is written whole and then takes the place of the old one.
    """
    path = folder / ERASED_LIST
    before = path.read_text().splitlines() if path.exists() else []
    rows = Erasure.objects.exclude(done_at=None).select_related("site").order_by("done_at", "pk")
    new = [line for line in map(_erased_line, rows) if line not in before]
    if new:
        handle = os.open(path.with_suffix(".new"), os.O_WRONLY | os.O_CREAT | os.O_TRUNC, 0o600)
        with os.fdopen(handle, "w") as file:
            file.write("\n".join([*before, *new]) + "\n")
            file.flush()
            os.fsync(file.fileno())
        path.with_suffix(".new").replace(path)
    return len(new)


def erased_since(folder: Path) -> list[dict[str, Any]]:
    """Return what the folder's list says was erased and this database does not know to be: it is back."""
    path = folder / ERASED_LIST
    if not path.exists():
        return []
    rows = Erasure.objects.exclude(done_at=None).select_related("site")
    known = {_erased_line(row) for row in rows}
    return [json.loads(line) for line in path.read_text().splitlines() if line not in known]


def _erased_line(row: Erasure) -> str:
    done = row.done_at.astimezone(UTC).isoformat() if row.done_at else ""
    said = {"site": row.site.code, "number": row.number, "person": row.patient_key, "erased_at": done}
    return json.dumps(said | {"reference": row.reference_digest})


def _made_in(folder: Path) -> list[tuple[datetime, Path]]:
    """Only what was written here, by its name, oldest first."""
    found = []
    for path in folder.glob("ebbline-*.backup.age"):
        try:
            found.append((datetime.strptime(path.name, NAME).replace(tzinfo=UTC), path))
        except ValueError:
            continue
    return sorted(found)


@transaction.atomic
def _note(*, name: str, size: int, at: datetime) -> None:
    """Write into the trail of every site that the whole database was backed up, under which name."""
    sites = Site.objects.order_by("pk").values_list("pk", flat=True)
    after = {"file": name, "bytes": size}
    trail.write([trail.Change(key, None, BACKED_UP, "backup", after=after) for key in sites], actor=None, at=at)
