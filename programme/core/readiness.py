"""Whether this process can serve: what of the services it stands on does not answer, named in a word each."""

from __future__ import annotations

from functools import cache

from django.conf import settings
from django.db import DatabaseError, connections
from django.db.migrations.loader import MigrationLoader
from django.db.migrations.recorder import MigrationRecorder
from kombu.exceptions import OperationalError

from programme.celery import app

SECONDS_TO_ANSWER = 3
"""For the queue of tasks. Chosen here; not from a source."""


def missing(using: str = "default") -> tuple[str, ...]:
    """Return what is missing of 'database', 'migrations' and 'tasks'; nothing if all is there."""
    return (*_missing_of_database(using), *_missing_of_tasks())


def _missing_of_database(using: str) -> tuple[str, ...]:
    try:
        applied = MigrationRecorder(connections[using]).applied_migrations().keys()
    except DatabaseError:
        return ("database",)
    return () if _known_migrations() <= applied else ("migrations",)


def _missing_of_tasks() -> tuple[str, ...]:
    if not settings.REDIS_URL:
        return ()
    try:
        with app.connection_for_write(connect_timeout=SECONDS_TO_ANSWER) as broker:
            broker.ensure_connection(max_retries=1, timeout=SECONDS_TO_ANSWER)
    except (OSError, OperationalError):
        return ("tasks",)
    return ()


@cache
def _known_migrations() -> frozenset[tuple[str, str]]:
    """Return those that belong to the code of this process, which do not change while it runs."""
    return frozenset(MigrationLoader(None, ignore_no_migrations=True).disk_migrations)
