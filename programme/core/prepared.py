"""Rows that every action asks for in the same way: their SQL is made once, and only the values change.

The ORM takes several times as long to write such a statement as the database takes to answer it. Only for what is asked
at each touch; everything else is a queryset.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any, Generic, TypeVar

from django.db import connection
from django.db.models import Model, QuerySet, Value
from django.db.transaction import TransactionManagementError

Row = TypeVar("Row", bound=Model)


class _Asked:
    """Stands in the parameters of a statement where a value goes that is given each time."""

    def __init__(self, name: str) -> None:
        self.name = name


@dataclass(frozen=True, slots=True)
class _Statement:
    """SQL, its parameters in order, and whether it holds the rows that it finds."""

    model: type[Model]
    sql: str
    parameters: tuple[Any, ...]
    holds: bool

    def with_values(self, values: dict[str, Any]) -> list[Any]:
        return [values[one.name] if isinstance(one, _Asked) else one for one in self.parameters]


class Prepared(Generic[Row]):
    """A queryset whose values are given by name each time it is asked; whole rows, without rows joined to them.

    make: returns the queryset for values by name. They are taken as they are: keys, texts, dates and moments, never
    None. The queryset is the same whatever the values, so it may not look at them.
    """

    def __init__(self, make: Callable[..., QuerySet[Row, Any]]) -> None:
        self._make = make
        self._made: dict[str, _Statement] = {}

    def rows(self, **values: Any) -> list[Row]:
        """Return the rows for these values."""
        made = self._statement(values)
        return list(made.model._base_manager.raw(made.sql, made.with_values(values)))  # type: ignore[arg-type]

    def first(self, **values: Any) -> Row | None:
        """Return the first of the rows; None where there are none."""
        rows = self.rows(**values)
        return rows[0] if rows else None

    def figures(self, **values: Any) -> list[Any]:
        """Return the tuples of a queryset of values, as the database keeps them: for keys, numbers and texts only."""
        made = self._statement(values)
        with connection.cursor() as cursor:
            cursor.execute(made.sql, [connection.ops.adapt_unknown_value(one) for one in made.with_values(values)])
            found: list[Any] = cursor.fetchall()
        return found

    def _statement(self, values: dict[str, Any]) -> _Statement:
        made = self._made.get(connection.vendor)
        if made is None:
            queryset = self._make(**{name: Value(_Asked(name)) for name in values})
            holds = bool(queryset.query.select_for_update)
            made = _Statement(queryset.model, *queryset.query.sql_with_params(), holds)
            self._made[connection.vendor] = made
        if made.holds and not connection.in_atomic_block:
            raise TransactionManagementError("rows are held inside the transaction that changes them")
        return made
