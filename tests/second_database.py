"""A second database beside the one that tests are given, under a name of its own."""

from __future__ import annotations

import inspect
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import pytest
from django.db import connection, connections
from django.db.backends.base.base import BaseDatabaseWrapper

from programme.core.databases import database_of


def let_through(monkeypatch: pytest.MonkeyPatch) -> None:
    """The framework lets a test reach only databases that it empties; a second one is the test's own."""
    guarded = inspect.getclosurevars(BaseDatabaseWrapper.ensure_connection).nonlocals
    monkeypatch.setattr(BaseDatabaseWrapper, "ensure_connection", guarded["real_ensure_connection"])


@contextmanager
def sqlite_file(name: str, file: Path) -> Iterator[str]:
    """The SQLite file as the database `name`."""
    with _known(name, database_of(f"sqlite:///{file}") | {"HOST": "", "USER": ""}):
        yield name


@contextmanager
def beside(name: str, folder: Path) -> Iterator[str]:
    """An empty database of the same kind as the first: a file in `folder`, or one of the same server."""
    if connection.vendor == "sqlite":
        with sqlite_file(name, folder / f"{name}.sqlite3"):
            yield name
        return
    with connection.cursor() as cursor:
        cursor.execute(f"CREATE DATABASE {name}_beside")
    try:
        with _known(name, {"NAME": f"{name}_beside"}):
            yield name
    finally:
        with connection.cursor() as cursor:
            cursor.execute(f"DROP DATABASE {name}_beside")


@contextmanager
def _known(name: str, said: dict[str, Any]) -> Iterator[None]:
    connections.databases[name] = connections.databases["default"] | said
    try:
        yield
    finally:
        connections[name].close()
        del connections[name]
        del connections.databases[name]
