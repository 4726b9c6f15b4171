"""The whole database as lines of text, and back: the same form for SQLite and PostgreSQL.

First a line about the whole, then for each table a line with its name, one line a row in the order of keys, and a line
with their number and SHA-256; last a line that says how many tables there were. Whoever is signed in is left out.
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import datetime
from itertools import islice
from typing import Any, TypeAlias

from django.apps import apps
from django.core import serializers
from django.core.management.color import no_style
from django.core.serializers.json import DjangoJSONEncoder
from django.db import connections, transaction
from django.db.migrations.recorder import MigrationRecorder
from django.db.models import Model

FORMAT = 1
LEFT_OUT = frozenset({"sessions.session", "core.signedin", "contenttypes.contenttype", "auth.permission", "auth.group"})
"""Open sign-ins and the list of them, whose keys let in whoever holds them, and what a migrated database has itself."""
SNAPSHOT = "snapshot"
AT_ONCE = 1000
Take: TypeAlias = Callable[[type[Model], list[str]], None]


class BadBackup(Exception):
    """What was read is no whole backup, or does not fit this programme or this database."""


@dataclass(frozen=True, slots=True)
class Told:
    """What a backup holds. made_at: as it was written. rows: by table."""

    made_at: str
    rows: dict[str, int]

    @property
    def row_count(self) -> int:
        return sum(self.rows.values())


class WholeTimes(DjangoJSONEncoder):
    """Times to the microsecond: the trail's hashes hang on them."""

    def default(self, o: Any) -> Any:
        return o.isoformat() if isinstance(o, datetime) else super().default(o)


@contextmanager
def snapshot(using: str = "default") -> Iterator[str]:
    """Give the name of a second connection that sees the database of `using` as it is now, and holds up nobody."""
    now = {**connections.databases[using]}
    now["OPTIONS"] = {name: value for name, value in now["OPTIONS"].items() if name != "transaction_mode"}
    connections.databases[SNAPSHOT] = now
    try:
        with transaction.atomic(using=SNAPSHOT):
            if connections[SNAPSHOT].vendor == "postgresql":
                with connections[SNAPSHOT].cursor() as cursor:
                    cursor.execute("SET TRANSACTION ISOLATION LEVEL REPEATABLE READ READ ONLY")
            yield SNAPSHOT
    finally:
        connections[SNAPSHOT].close()
        del connections[SNAPSHOT]
        del connections.databases[SNAPSHOT]


def kept() -> list[type[Model]]:
    """Return the models of every table that is kept, in a fixed order."""
    found = [model for model in apps.get_models() if model._meta.managed and model._meta.label_lower not in LEFT_OUT]
    return sorted(found, key=lambda model: model._meta.label_lower)


def dump(using: str, *, made_at: datetime) -> Iterator[str]:
    """Yield the lines of the database behind the connection `using`, best one from `snapshot`."""
    yield _line({"backup": FORMAT, "made_at": made_at.isoformat(), "migrations": _migrations(using)})
    for model in kept():
        yield _line({"table": model._meta.label_lower})
        digest, count = hashlib.sha256(), 0
        for row in _rows(model, using):
            digest.update(row.encode())
            count += 1
            yield row
        yield _line({"rows": count, "sha256": digest.hexdigest()})
    yield _line({"tables": len(kept())})


def read_through(lines: Iterator[str]) -> Told:
    """Read a backup to its end and hold every table against its checksum. Raises BadBackup."""
    return _through(lines, lambda _model, _rows: None, here=None)


def load(lines: Iterator[str], *, using: str) -> Told:
    """Fill the empty database `using` with a backup, in one transaction, and compare every table afterwards.

    Raises BadBackup where it is not empty, not migrated to the same state, or anything differs; nothing is kept then.
    """
    with transaction.atomic(using=using):
        stated: dict[type[Model], str] = {}
        told = _through(lines, lambda model, rows: _insert(model, rows, using), here=using, stated=stated)
        _go_on_counting(using)
        differ = [model._meta.label for model, digest in stated.items() if _digest(model, using) != digest]
        if differ:
            raise BadBackup(f"These tables are not what was kept, so nothing was restored: {', '.join(differ)}.")
    return told


def _through(
    lines: Iterator[str], take: Take, *, here: str | None, stated: dict[type[Model], str] | None = None
) -> Told:
    head = _said(next(lines, ""))
    if head.get("backup") != FORMAT:
        raise BadBackup("This is no backup of this programme, or one of a later version.")
    if here is not None:
        _refuse_other_migrations(head.get("migrations", []), here)
        _refuse_filled(here)
    models = {model._meta.label_lower: model for model in kept()}
    rows: dict[str, int] = {}
    for text in lines:
        said = _said(text)
        if "tables" in said:
            if said["tables"] != len(rows) or len(rows) != len(models):
                raise BadBackup(f"The backup says {said['tables']} tables; {len(rows)} were read.")
            return Told(str(head.get("made_at", "")), rows)
        name = str(said.get("table", ""))
        if name not in models or name in rows:
            raise BadBackup(f"The backup holds a table {name!r} that is not to be there.")
        rows[name], digest = _table(models[name], lines, take)
        if stated is not None:
            stated[models[name]] = digest
    raise BadBackup("The backup ends before its end.")


def _table(model: type[Model], lines: Iterator[str], take: Take) -> tuple[int, str]:
    digest, count = hashlib.sha256(), 0
    waiting: list[str] = []
    for text in lines:
        if not text.startswith('{"rows":'):
            digest.update(text.encode())
            count += 1
            waiting.append(text)
            if len(waiting) == AT_ONCE:
                take(model, waiting)
                waiting = []
            continue
        take(model, waiting)
        end = _said(text)
        if (end["rows"], end["sha256"]) != (count, digest.hexdigest()):
            raise BadBackup(f"Table {model._meta.label} is not whole: its checksum differs.")
        return count, digest.hexdigest()
    raise BadBackup(f"The backup ends in the middle of table {model._meta.label}.")


def _rows(model: type[Model], using: str) -> Iterator[str]:
    rows = model._base_manager.using(using).order_by("pk").iterator(chunk_size=AT_ONCE)
    while some := list(islice(rows, AT_ONCE)):
        text = serializers.serialize("jsonl", some, cls=WholeTimes, ensure_ascii=True, sort_keys=True)
        yield from (f"{line}\n" for line in text.split("\n") if line)


def _insert(model: type[Model], rows: list[str], using: str) -> None:
    objects = [found.object for found in serializers.deserialize("jsonl", rows, using=using)]
    model._base_manager.using(using).bulk_create(objects, batch_size=AT_ONCE)


def _digest(model: type[Model], using: str) -> str:
    digest = hashlib.sha256()
    for row in _rows(model, using):
        digest.update(row.encode())
    return digest.hexdigest()


def _migrations(using: str) -> list[str]:
    return sorted(".".join(name) for name in MigrationRecorder(connections[using]).applied_migrations())


def _refuse_other_migrations(theirs: list[str], using: str) -> None:
    ours = _migrations(using)
    if ours != theirs:
        less, more = sorted(set(theirs) - set(ours)), sorted(set(ours) - set(theirs))
        raise BadBackup(
            "The database is not in the state the backup was made in. "
            + (f"Missing here: {_some(less)}. " if less else "")
            + (f"Not there then: {_some(more)}. " if more else "")
            + "Restore with the version that made the backup into a migrated, empty database; migrate afterwards."
        )


def _refuse_filled(using: str) -> None:
    filled = [model._meta.label for model in kept() if model._base_manager.using(using).exists()]
    if filled:
        raise BadBackup(
            f"The database is not empty ({_some(filled)}). A backup is "
            "restored into an empty one only: name a new one in DATABASE_URL and migrate it first."
        )


def _some(names: list[str]) -> str:
    return ", ".join(names[:3]) + (f" and {len(names) - 3} more" if len(names) > 3 else "")


def _go_on_counting(using: str) -> None:
    """New rows take keys after those that came with the backup."""
    for statement in connections[using].ops.sequence_reset_sql(no_style(), kept()):
        with connections[using].cursor() as cursor:
            cursor.execute(statement)


def _line(said: dict[str, Any]) -> str:
    return json.dumps(said) + "\n"


def _said(text: str) -> dict[str, Any]:
    try:
        said = json.loads(text)
    except ValueError:
        said = None
    if not isinstance(said, dict):
        raise BadBackup("This is no backup of this programme: a line of it cannot be read.")
    return said
