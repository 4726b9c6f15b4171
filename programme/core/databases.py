"""Addresses of databases, as DATABASE_URL is written, and what each kind of database is opened with."""

from __future__ import annotations

from typing import Any

import environ
from django.core.exceptions import ImproperlyConfigured

KEPT_OPEN_S = 60


def database_of(url: str) -> dict[str, Any]:
    """Read sqlite:////path/file.sqlite3 or postgres://user@host/name. Raises ImproperlyConfigured."""
    try:
        database: dict[str, Any] = environ.Env.db_url_config(url)
    except (ValueError, environ.ImproperlyConfigured) as error:
        raise ImproperlyConfigured(f"This is not an address of a database: {error}") from error
    engine = database.get("ENGINE", "")
    if engine.endswith("sqlite3"):
        # IMMEDIATE: a read that turns into a write waits for its turn instead of failing at once.
        database["OPTIONS"] = {
            "transaction_mode": "IMMEDIATE",
            "timeout": 20,
            "init_command": "PRAGMA journal_mode=WAL;PRAGMA synchronous=FULL;PRAGMA foreign_keys=ON;",
        }
    elif not engine.endswith("postgresql"):
        raise ImproperlyConfigured("An address of a database must start with sqlite:/// or postgres://.")
    # Opened anew for each request, an SQLite file also writes its log back at the end of each.
    return database | {"CONN_MAX_AGE": KEPT_OPEN_S}
