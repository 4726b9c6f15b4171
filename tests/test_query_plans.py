"""What is asked most reaches its rows by an index, however many others there are.

The planner is asked, not timed. Where a table is small it would rightly read it whole, so PostgreSQL is asked what it
would do if that were dear; SQLite knows no sizes and takes an index wherever one serves. Tables that grow with people
or years must be entered through an index with a condition; those of a unit (chairs, settings, users) may be read whole.
"""

from __future__ import annotations

import json
import re
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from datetime import timedelta
from typing import Any

import pytest
from django.db import connection
from django.test import Client

from programme.booking.queries.diary import read_diary
from programme.core import trail
from programme.core.models import User
from programme.intake.queries.inbox import inbox_page
from programme.supply.models import BloodOrder
from programme.worklist.queries.everyone import everyone
from programme.worklist.queries.trail import Asked, trail_page
from sessions.models import ExchangeSession
from tests.blood import make_order_with_unit
from tests.conftest import client_of
from tests.factories import (
    NOW,
    TODAY,
    make_booking,
    make_chair,
    make_course,
    make_facts,
    make_follow_up,
    make_forecast,
    make_inbox_item,
    make_needs,
    make_open_week,
    make_patient,
    make_running,
    make_suggestion,
)

pytestmark = pytest.mark.django_db
OF_A_UNIT = {
    "core_site", "core_user", "core_sitesetting", "core_sitetext", "booking_chair", "booking_slot",
    "booking_openinghours", "booking_stafflimit", "booking_otheruse", "booking_closedday", "intake_sender",
    "intake_localcode", "intake_ignoredcode",
}  # fmt: skip
"""Tables that stay small: what a unit is, not what happens in it."""
OF_FEW_ROWS = {"exchange_session_one_running", "broken_glass_unseen"}
"""Indexes that hold only the rows of a moment, whole as they are."""


@pytest.fixture
def person(site, nurse):
    """Somebody of whom every table that the pages read has a row."""
    patient = make_patient("Q1", site=site)
    make_needs(patient)
    sessions = make_course(patient, last_on=TODAY - timedelta(days=20))
    for exchange_session in sessions:
        make_facts(exchange_session)
    make_follow_up(sessions[-1])
    make_forecast(patient)
    make_suggestion(patient)
    make_open_week(site)
    make_booking(patient, make_chair(site))
    make_inbox_item(patient)
    trail.write([trail.Change(site.pk, patient.pk, "record", "patient", patient.pk)], actor=nurse, at=NOW)
    return patient


def asked_by(work: Callable[[], Any]) -> list[tuple[str, Any]]:
    """Every statement that `work` sends and that looks for rows, with its arguments."""
    sent: list[tuple[str, Any]] = []

    def note(execute: Any, sql: str, params: Any, many: bool, context: Any) -> Any:
        sent.append((sql, params))
        return execute(sql, params, many, context)

    with connection.execute_wrapper(note):
        work()
    return [one for one in sent if one[0].lstrip().upper().startswith(("SELECT", "UPDATE", "DELETE"))]


@contextmanager
def whole_tables_are_dear() -> Iterator[None]:
    with connection.cursor() as cursor:
        if connection.vendor == "postgresql":
            for way in ("seqscan", "hashjoin", "mergejoin"):
                cursor.execute(f"SET LOCAL enable_{way} = off")
        yield


def read_whole(sql: str, params: Any) -> set[str]:
    """Return the tables that the statement reads from end to end."""
    with connection.cursor() as cursor:
        if connection.vendor == "sqlite":
            cursor.execute(f"EXPLAIN QUERY PLAN {sql}", params)
            return set(_scanned([row[3] for row in cursor.fetchall()], sql))
        cursor.execute(f"EXPLAIN (FORMAT JSON) {sql}", params)
        (plan,) = cursor.fetchone()
        return set(_without_condition((json.loads(plan) if isinstance(plan, str) else plan)[0]["Plan"]))


def _scanned(steps: list[str], sql: str) -> Iterator[str]:
    """SQLite says SCAN where it reads all, by an index or not, and SEARCH where it goes by a condition."""
    names = {alias: table for table, alias in re.findall(r'"(\w+)" (U\d+|T\d+|V\d+)\b', sql)}
    for step in steps:
        if found := re.match(r"SCAN (\w+)", step):
            yield names.get(found[1], found[1])


def _without_condition(node: dict[str, Any]) -> Iterator[str]:
    scans = node["Node Type"].endswith("Scan") and "Relation Name" in node
    by_index = node.get("Index Cond") or node.get("Index Name") in OF_FEW_ROWS
    if scans and not (by_index or node["Node Type"] in ("Bitmap Heap Scan", "Tid Scan")):
        yield node["Relation Name"]
    for below in node.get("Plans", ()):
        yield from _without_condition(below)


PAGES: dict[str, Callable[[Any, Any], Any]] = {
    "list": lambda site, person: everyone(site, NOW),
    "diary": lambda site, person: read_diary(site, NOW),
    "inbox": lambda site, person: inbox_page(site, NOW),
    "trail of the unit": lambda site, person: trail_page(site, Asked(TODAY, TODAY)),
    "trail of a person": lambda site, person: trail_page(site, Asked(TODAY, TODAY), patient=person),
}


@pytest.mark.parametrize("name", PAGES)
def test_no_table_that_grows_is_read_whole(site, person, name):
    statements = asked_by(lambda: PAGES[name](site, person))
    assert len(statements) >= 3
    assert grown_and_read_whole(statements) == {}


def grown_and_read_whole(statements: list[tuple[str, Any]]) -> dict[str, set[str]]:
    with whole_tables_are_dear():
        whole = {sql: read_whole(sql, params) - OF_A_UNIT for sql, params in statements}
    return {sql: tables for sql, tables in whole.items() if tables}


@pytest.fixture
def running(person, consultant):
    """A session that runs, for which an order came in; its first unit was of that order."""
    order = make_order_with_unit(person.bookings.get())
    exchange_session = make_running(person, by=consultant, unit_state="running")
    number = order.supplied_units.get().donation_number
    exchange_session.donation_units.filter(place=1).update(donation_number=number)
    return exchange_session


def enter(client: Client, running: ExchangeSession, user: User) -> None:
    """One entry of a tablet, sent twice as where its answer was lost."""
    fields = {"step": "1", "out_ml": "200", "in_ml": "200"}
    said = {"key": "k1", "kind": "moved", "by": user.pk, "seen": 0, "waited_s": 0, "fields": fields}
    for _ in range(2):
        answer = client.post(f"{of_the_day(running)}enter/", json.dumps(said), content_type="application/json")
        assert answer.json() == {"kept": 3}


def of_the_day(running: ExchangeSession) -> str:
    return f"/people/{running.patient.patient_ref}/day/{running.pk}/"


def order_of(running: ExchangeSession) -> BloodOrder:
    return BloodOrder.objects.get(patient=running.patient)


ASKED: dict[str, Callable[[Client, ExchangeSession, User], Any]] = {
    "a tablet, nothing new": lambda client, running, user: client.get(f"{of_the_day(running)}since/2/"),
    "a tablet, something new": lambda client, running, user: client.get(f"{of_the_day(running)}since/0/"),
    "an entry and again the same": enter,
    "an open list": lambda client, running, user: client.get("/list-version/"),
    "an order": lambda client, running, user: client.get(f"/blood/orders/{order_of(running).number}/"),
    "a donation": lambda client, running, user: client.get(f"/blood/trace/?number={traced(running)}"),
}


def traced(running: ExchangeSession) -> str:
    return running.donation_units.get(place=1).donation_number


@pytest.mark.usefixtures("frozen_day")
@pytest.mark.parametrize("name", ASKED)
def test_what_is_asked_all_day_reads_no_growing_table_whole(running, nurse, nurse_client, name):
    """Asked of SQLite alone: with a handful of rows PostgreSQL finds all ways to an order alike."""
    statements = asked_by(lambda: ASKED[name](nurse_client, running, nurse))
    assert len(statements) >= 3
    assert grown_and_read_whole(statements) == {}


@pytest.mark.parametrize("name", ["an order", "a donation"])
def test_units_are_found_by_their_donation_and_not_among_all_of_the_unit(running, nurse, name):
    """By the joins alone a plan goes through every session of the unit, by an index at each step."""
    client = client_of(nurse)
    statements = asked_by(lambda: ASKED[name](client, running, nurse))
    plans = [plan_of(sql, params) for sql, params in statements if '"donation_number" ' in sql.partition("WHERE")[2]]
    assert plans
    assert all("unit_by_donation" in plan or "supplied_by_donation" in plan for plan in plans)


def plan_of(sql: str, params: Any) -> str:
    with whole_tables_are_dear(), connection.cursor() as cursor:
        if connection.vendor == "postgresql":  # which knows sizes: let it take each page of a table for a full one
            cursor.execute(
                "UPDATE pg_class SET relpages = 1, reltuples = 20000"
                " WHERE relkind IN ('r', 'i') AND relnamespace = 'public'::regnamespace"
            )
        cursor.execute(("EXPLAIN QUERY PLAN " if connection.vendor == "sqlite" else "EXPLAIN ") + sql, params)
        return str(cursor.fetchall())


def test_a_table_that_is_read_whole_is_noticed(person):
    """So that the check above can fail."""
    with whole_tables_are_dear():
        assert read_whole("SELECT weight_kg FROM patients_bodymeasure WHERE weight_kg > %s", [1]) == {
            "patients_bodymeasure"
        }
        assert read_whole('SELECT U0.id FROM "patients_bodymeasure" U0 WHERE U0.weight_kg > %s', [1]) == {
            "patients_bodymeasure"
        }
        assert read_whole("SELECT weight_kg FROM patients_bodymeasure WHERE patient_id = %s", [person.pk]) == set()


def test_what_happened_at_a_unit_on_a_day_is_found_by_unit_and_day_together(site, person):
    """The trail of a unit grows for ever."""
    counted = [one for one in asked_by(lambda: trail_page(site, Asked(TODAY, TODAY))) if "COUNT(DISTINCT" in one[0]]
    assert len(counted) == 1
    assert "trail_by_day" in plan_of(*counted[0])
