"""Guards: tables of which the database itself refuses changes, whoever asks: a mistake of ours, a console, a repair.

What is guarded can only grow, and a message stays as it came. One exception is written into the triggers: rows of a
person whose erasure two people have signed, whose waiting time is over, and which is neither done nor withdrawn.

A migration that makes SQLite build `core_erasure` anew fails while triggers of other tables read it: it calls `drop`
first, and what runs after every migrate makes them again.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

from django.db import connections

NOW = {"sqlite": "strftime('%Y-%m-%d %H:%M:%f', 'now')", "postgresql": "now()"}
"""The clock of the database, as each compares it with a stored time; SQLite keeps times as text in UTC."""
DUE = (
    "SELECT 1 FROM core_erasure e WHERE e.site_id = OLD.site_id AND e.agreed_by_id <> e.asked_by_id "
    "AND e.due_at <= {now} AND e.done_at IS NULL AND e.withdrawn_at IS NULL AND {whose}"
)
FIRM = ("site_id", "patient_key", "kind", "reason", "asked_by_id", "asked_at", "agreed_by_id", "agreed_at", "due_at")
"""What is signed of an erasure: once written it is not written anew."""


@dataclass(frozen=True, slots=True)
class Guard:
    """A guarded table. words: what a refusal says.

    whose: by kind of database, which rows (OLD) belong to an erasure (e) that is due, so that they may be deleted;
    none: nothing is ever deleted. may_change: which updates pass, '' for none.
    """

    table: str
    words: str
    whose: dict[str, str] | None = None
    may_change: str = ""


TRAIL = Guard(
    "core_trailentry", "the trail can only grow",
    whose=dict.fromkeys(("sqlite", "postgresql"), "e.patient_key = OLD.patient_key"),
)  # fmt: skip
ERASURES = Guard(
    "core_erasure", "what was signed to erase somebody stays as it was signed",
    may_change="OLD.done_at IS NULL AND OLD.withdrawn_at IS NULL AND "
    + " AND ".join(f"(OLD.{name} IS NULL OR NEW.{name} IS NOT NULL AND NEW.{name} = OLD.{name})" for name in FIRM),
)  # fmt: skip
MESSAGES = Guard(
    "intake_rawmessage", "a message is kept as it came",
    whose={"sqlite": "OLD.id IN (SELECT value FROM json_each(e.raw_keys))",
           "postgresql": "e.raw_keys @> to_jsonb(OLD.id)"},
)  # fmt: skip
GUARDS = (TRAIL, ERASURES, MESSAGES)


def make(using: str = "default", *, table: str | None = None) -> None:
    """Make the guards of all tables, or of one, anew; of a table that is not there yet none."""
    there = connections[using].introspection.table_names()
    _run(using, [sql for guard in _asked(table) if guard.table in there for sql in _made(guard, using)])


def drop(using: str = "default") -> None:
    """Drop the guards: for tests that empty every table, and for a migration that builds a table anew."""
    there = connections[using].introspection.table_names()
    _run(using, [sql for guard in GUARDS if guard.table in there for sql in _dropped(guard, using)])


def make_after_migrate(*, using: str, **_: Any) -> None:
    """SQLite drops triggers when it rebuilds a table, so they are made again after every migrate."""
    make(using)


def _asked(table: str | None) -> tuple[Guard, ...]:
    return tuple(guard for guard in GUARDS if table in (None, guard.table))


def _run(using: str, statements: list[str]) -> None:
    with connections[using].cursor() as cursor:
        for statement in statements:
            cursor.execute(statement)


def _made(guard: Guard, using: str) -> list[str]:
    vendor = connections[using].vendor
    erased = DUE.format(now=NOW[vendor], whose=guard.whose[vendor]) if guard.whose else ""
    made = _on_sqlite(guard, erased) if vendor == "sqlite" else _on_postgresql(guard, erased)
    return [*_dropped(guard, using), *made]


def _on_sqlite(guard: Guard, erased: str) -> list[str]:
    refuse = f"BEGIN SELECT RAISE(ABORT, '{guard.words}'); END"
    return [
        f"CREATE TRIGGER {guard.table}_no_update BEFORE UPDATE ON {guard.table} "
        + (f"WHEN NOT ({guard.may_change}) " if guard.may_change else "") + refuse,
        f"CREATE TRIGGER {guard.table}_no_delete BEFORE DELETE ON {guard.table} "
        + (f"WHEN NOT EXISTS ({erased}) " if erased else "") + refuse,
    ]  # fmt: skip


def _on_postgresql(guard: Guard, erased: str) -> list[str]:
    passes = f"IF TG_OP = 'DELETE' THEN IF EXISTS ({erased}) THEN RETURN OLD; END IF; END IF; " if erased else ""
    if guard.may_change:
        passes += f"IF TG_OP = 'UPDATE' THEN IF {guard.may_change} THEN RETURN NEW; END IF; END IF; "
    name = f"{guard.table}_guarded"
    return [
        f"CREATE OR REPLACE FUNCTION {name}() RETURNS trigger LANGUAGE plpgsql AS "
        f"$$ BEGIN {passes}RAISE EXCEPTION '{guard.words}'; END $$",
        f"CREATE TRIGGER {guard.table}_no_change BEFORE UPDATE OR DELETE ON {guard.table} "
        f"FOR EACH ROW EXECUTE FUNCTION {name}()",
        f"CREATE TRIGGER {guard.table}_no_truncate BEFORE TRUNCATE ON {guard.table} "
        f"FOR EACH STATEMENT EXECUTE FUNCTION {name}()",
    ]


def _dropped(guard: Guard, using: str) -> list[str]:
    on_sqlite = connections[using].vendor == "sqlite"
    names = ("no_update", "no_delete") if on_sqlite else ("no_change", "no_truncate")
    return [f"DROP TRIGGER IF EXISTS {guard.table}_{name}{'' if on_sqlite else f' ON {guard.table}'}" for name in names]
