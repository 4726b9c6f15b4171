"""Rows that every action asks for in the same way: their SQL is made once, and only the values change.

The ORM takes several times as long to write such a statement, and to work out how its columns are read, as the database
takes to answer it. Only for what is asked at each touch; everything else is a queryset.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Any, Generic, TypeVar

from django.db import DEFAULT_DB_ALIAS, connection, connections
from django.db.models import Model, QuerySet, Value
from django.db.models.expressions import Col
from django.db.transaction import TransactionManagementError

Row = TypeVar("Row", bound=Model)


class _Asked:
    """Stands in the parameters of a statement where a value goes that is given each time."""

    def __init__(self, name: str) -> None:
        self.name = name


@dataclass(frozen=True, slots=True)
class _Statement:
    """SQL, its parameters in order, how each column that needs it is read, and whether the rows found are held."""

    model: type[Model]
    sql: str
    parameters: tuple[Any, ...]
    names: tuple[str, ...]  # of the columns, as fields of the model
    readers: tuple[tuple[int, Sequence[Callable[..., Any]], Any], ...]  # place, what reads it, the column
    holds: bool

    def answers(self, values: dict[str, Any]) -> list[Any]:
        """Return the tuples found, as the database keeps them."""
        adapt = connection.ops.adapt_unknown_value
        asked = [values[one.name] if isinstance(one, _Asked) else one for one in self.parameters]
        with connection.cursor() as cursor:
            cursor.execute(self.sql, [adapt(one) for one in asked])
            return list(cursor.fetchall())

    def rows(self, values: dict[str, Any]) -> list[Any]:
        """Return the model's rows of the tuples found."""
        database, rows = connections[DEFAULT_DB_ALIAS], []  # itself: `connection` looks it up at every touch
        for answer in self.answers(values):
            read = list(answer)
            for place, readers, column in self.readers:
                for reader in readers:
                    read[place] = reader(read[place], column, database)
            rows.append(self.model.from_db(database.alias, self.names, read))
        return rows


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
        return self._statement(values).rows(values)

    def first(self, **values: Any) -> Row | None:
        """Return the first of the rows; None where there are none."""
        rows = self.rows(**values)
        return rows[0] if rows else None

    def figures(self, **values: Any) -> list[Any]:
        """Return the tuples of a queryset of values, as the database keeps them: for keys, numbers and texts only."""
        return self._statement(values).answers(values)

    def _statement(self, values: dict[str, Any]) -> _Statement:
        made = self._made.get(connection.vendor)
        if made is None:
            queryset = self._make(**{name: Value(_Asked(name)) for name in values})
            made = self._made[connection.vendor] = _statement_of(queryset)
        if made.holds and not connection.in_atomic_block:
            raise TransactionManagementError("rows are held inside the transaction that changes them")
        return made


def _statement_of(queryset: QuerySet[Any, Any]) -> _Statement:
    compiler = queryset.query.get_compiler(connection=connection)
    sql, parameters = compiler.as_sql()
    columns = [column for column, _, _ in compiler.select]
    return _Statement(
        model=queryset.model,
        sql=sql,
        parameters=tuple(parameters),
        names=tuple(column.target.attname for column in columns if isinstance(column, Col)),
        readers=tuple((place, *how) for place, how in compiler.get_converters(columns).items()),
        holds=bool(queryset.query.select_for_update),
    )
