"""Every migration from the first on, with rows in place: nothing is lost, and it ends where the models are."""

import pytest
from django.core.management import call_command
from django.db import DatabaseError, connection, connections, transaction
from django.db.migrations.executor import MigrationExecutor

from patients.models import Patient
from programme.core import keeping, trail
from programme.core.models import TrailEntry
from sessions.models import SessionFacts
from tests.programme.core.test_access import make_person
from tests.second_database import beside, let_through
from tests.whole_person import fill

pytestmark = pytest.mark.django_db(transaction=True)


@pytest.fixture
def old(tmp_path, monkeypatch):
    let_through(monkeypatch)
    with beside("old", tmp_path) as using:
        yield using


@pytest.fixture
def filled(site, nurse, frozen_day):
    with transaction.atomic():
        make_person(site, "R1")
        fill(Patient.objects.get(patient_ref="R1"), by=nurse)
    return site


def test_rows_go_through_every_migration_unchanged(filled, old):
    """A table is filled as soon as it is there, so that all that follows finds rows in it."""
    put = {}
    for _ in steps(old):
        new = sorted(tables(old) & {model._meta.db_table for model in keeping.kept()} - set(put))
        with transaction.atomic(using=old):
            put |= {table: copy(table, using=old) for table in new}
    kept = {table: rows(table, columns, using=old) for table, (columns, _) in put.items()}
    assert kept == {table: was for table, (_, was) in put.items()}
    assert sum(1 for was in kept.values() if was) > 45
    packed = SessionFacts.objects.values_list("pk", "packed")
    assert list(packed.using(old)) == list(packed)  # those of rows that were there before
    assert packed
    connections[old].check_constraints()
    call_command("migrate", database=old, verbosity=0)  # nothing is left to do but what follows every one
    assert trail.faults(TrailEntry.objects.using(old)) == []
    with pytest.raises(DatabaseError, match="the trail can only grow"):
        TrailEntry.objects.using(old).update(why="another")


def test_the_migrations_end_at_the_tables_of_the_models(db, old):
    call_command("migrate", database=old, verbosity=0)
    assert structure(old) == structure("default")
    assert len(structure(old)) > 50


# The way of the migrations


def steps(using):
    """Make one migration after another, low numbers first, so that as many as can be find the tables of the others."""
    executor = MigrationExecutor(connections[using])
    executor.recorder.ensure_schema()
    graph, done = executor.loader.graph, set()
    state = executor.loader.project_state(())
    while left := [key for key in graph.nodes if key not in done and set(parents(graph, key)) <= done]:
        app, name = min(left, key=lambda key: (key[1], key[0]))
        state = executor.apply_migration(state, graph.nodes[app, name])
        done.add((app, name))
        yield app, name
    assert done == set(graph.nodes)


def parents(graph, key):
    return [parent.key for parent in graph.node_map[key].parents]


# Rows


def tables(using):
    return set(connections[using].introspection.table_names())


def columns_of(table, *, using):
    with connections[using].cursor() as cursor:
        described = connections[using].introspection.get_table_description(cursor, table)
    return {column.name: column for column in described}


def rows(table, columns, *, using):
    """Return the rows as they are stored: on SQLite a + before a column keeps dates and times from being read."""
    name = connection.ops.quote_name
    asked = ", ".join(f"{'+' if connection.vendor == 'sqlite' else ''}{name(column)}" for column in columns)
    with connections[using].cursor() as cursor:
        cursor.execute(f"SELECT {asked} FROM {name(table)} ORDER BY 1")
        return cursor.fetchall()


def copy(table, *, using):
    """Put what the first database holds into the table as it is by now; return the columns and the rows."""
    columns = sorted(set(columns_of(table, using="default")) & set(columns_of(table, using=using)))
    columns.sort(key=lambda column: column != "id")
    found = rows(table, columns, using="default")
    name = connection.ops.quote_name
    with connections[using].cursor() as cursor:
        cursor.executemany(
            f"INSERT INTO {name(table)} ({', '.join(map(name, columns))}) VALUES ({', '.join(['%s'] * len(columns))})",
            found,
        )
    return columns, found


# Tables


def structure(using):
    """Return, by table of which rows are kept, its columns and constraints, and on PostgreSQL how each is defined."""
    found = {}
    for table in sorted(tables(using) & {model._meta.db_table for model in keeping.kept()}):
        with connections[using].cursor() as cursor:
            limits = connections[using].introspection.get_constraints(cursor, table)
        columns = columns_of(table, using=using)
        found[table] = (
            {name: (column.type_code, column.null_ok, column.default) for name, column in columns.items()},
            sorted(repr((known(name), sorted(limit.items(), key=str))) for name, limit in limits.items()),
            definitions(table, using=using),
        )
    return found


def known(name):
    """Return the name of a constraint, but not one that SQLite numbers as they come."""
    return "" if name.startswith(("fk_", "__")) or name.isdigit() else name


def definitions(table, *, using):
    if connection.vendor == "sqlite":
        return []
    with connections[using].cursor() as cursor:
        cursor.execute(
            "SELECT conname, pg_get_constraintdef(oid) FROM pg_constraint WHERE conrelid = %s::regclass "
            "UNION SELECT indexname, indexdef FROM pg_indexes WHERE tablename = %s",
            [table, table],
        )
        return sorted(cursor.fetchall())
