"""Every unit that came in over chosen days, followed to its end: counts, the page, what is refused, the queries."""

import re
from datetime import timedelta

import pytest
from django.db import connection
from django.test.utils import CaptureQueriesContext

from programme.supply.models import SuppliedUnit
from programme.supply.queries.ends import units_in_span
from programme.supply.services.chair import follow_bedside
from programme.supply.services.units import ArrivedLabel, issue_unit, put_away_unit, take_in
from sessions.models import State, UnitState
from tests.blood import make_open_unit, make_sent, number_of, typed
from tests.factories import NOW, TODAY, make_planned_session, make_unit

pytestmark = [pytest.mark.django_db, pytest.mark.usefixtures("frozen_day")]
DAY = timedelta(days=1)


@pytest.fixture
def order(site, coordinator):
    return make_sent(make_open_unit(site), by=coordinator)


def arrive(order, by, *serials, at=NOW):
    order.refresh_from_db()
    labels = [ArrivedLabel(typed(serial)) for serial in serials]
    return take_in(order=order, version=order.version, labels=labels, actor=by, at=at)


@pytest.fixture
def five(order, coordinator):
    """One given, one given without an issue, one at the chair, one returned unused, one discarded at the chair."""
    who = {"actor": coordinator, "at": NOW}
    units = arrive(order, coordinator, 1, 2, 3, 4, 5)
    for unit in (units[0], units[2], units[4]):
        issue_unit(unit=unit, version=unit.version, **who)
        unit.refresh_from_db()
    today = make_planned_session(order.patient, on=TODAY, state=State.RUNNING, started_at=NOW)
    for place in (1, 2):
        make_unit(today, place=place, donation_number=number_of(place), state=UnitState.GIVEN)
    follow_bedside((order.patient_id,), NOW)
    put_away_unit(unit=units[3], version=units[3].version, state="returned", why="not needed", **who)
    put_away_unit(unit=units[4], version=units[4].version, state="discarded", why="bag leaked", **who)
    return units


def cells(text):
    """The rows of the table beside the picture, as numbers."""
    table = text[text.index('class="tt fw"') :]
    rows = re.findall(r"<tr.*?</tr>", table[: table.index("</table>")], re.DOTALL)[1:]
    return [[int(cell) for cell in re.findall(r'<td class="r">(\d+)</td>', row)] for row in rows]


def test_every_way_is_counted_in_the_picture_and_in_the_table(coordinator_client, five):
    said = coordinator_client.get("/blood/units/").text
    assert cells(said) == [[2, 1, 0, 1, 4], [0, 0, 1, 0, 1], [2, 1, 1, 1, 5]]
    counts = re.findall(r'class="on ti">(\d+)</text>', said)
    assert sorted(counts) == ["1", "1", "1", "2"]
    assert "5 units came; the ways they went are in the table below" in said
    assert "1 of 5 have not ended yet" in said
    assert "Discarded: 25.0 in 100 of the 4 that ended; the exact interval is 0.6 to 80.6 in 100" in said
    assert said.count("bag leaked") == 1
    assert cells(coordinator_client.get("/blood/").text) == cells(said)


def test_the_days_asked_for_are_days_of_the_unit_and_both_count(coordinator_client, order, coordinator):
    """A unit that came at 23:30 UTC on 31 May came on 1 June in London."""
    arrive(order, coordinator, 1, at=NOW.replace(hour=23, minute=30) - DAY)
    arrive(order, coordinator, 2)
    SuppliedUnit.objects.filter(donation_number=number_of(2)).update(arrived_at=NOW - 100 * DAY)

    def came(first, last):
        return coordinator_client.get("/blood/units/", {"first": first, "last": last}).context["units"].flow.came

    assert [came(TODAY, TODAY), came(TODAY - DAY, TODAY - DAY), came("", ""), came(TODAY - 100 * DAY, "")] == [
        1,
        0,
        1,
        2,
    ]


@pytest.mark.parametrize(
    ("asked", "words"),
    [
        ({"last": "2026-06-02"}, "To: 2 Jun 2026 has not come yet; allowed is up to today, 1 Jun 2026."),
        ({"first": "2026-05-05", "last": "2026-05-04"}, "From: 5 May 2026 is after 4 May 2026; allowed is that day"),
        ({"first": "2016-01-01"}, "From: 1 Jan 2016 is too far back; allowed are ten years, from 25 May 2016 on."),
        ({"first": "soon"}, "From: &#x27;soon&#x27; is not a date. Write it as 14 Mar 2011, 14/03/2011 or 2011-03-14."),
        ({"last": "0001-01-01"}, "To: 1 Jan 1 is before these records; allowed is from 1 Jan 1950 on."),
    ],
)
def test_days_that_cannot_be_are_answered_with_what_is_allowed(coordinator_client, five, asked, words):
    said = coordinator_client.get("/blood/units/", asked).text
    assert words in said
    assert "Shown is the last quarter" in said
    assert cells(said)[-1] == [2, 1, 1, 1, 5]


def test_units_at_a_chair_that_came_for_no_order_are_told(site, coordinator_client, five):
    held = five[0].order.patient.exchange_sessions.get(on=TODAY)
    make_unit(held, place=3, donation_number=number_of(9), state=UnitState.GIVEN)
    assert units_in_span(site, TODAY, TODAY).without_order == 1
    assert (
        "1 unit more was recorded at a chair that came in for no order" in coordinator_client.get("/blood/units/").text
    )


def test_units_of_another_site_are_not_shown(elsewhere_client, five):
    said = elsewhere_client.get("/blood/units/").text
    assert "No unit came in these days." in said
    assert number_of(1) not in said


def test_the_page_asks_a_fixed_number_of_queries(coordinator_client, order, coordinator):
    counts = []
    for serial in (1, 2, 3):
        arrive(order, coordinator, serial)
        with CaptureQueriesContext(connection) as seen:
            assert coordinator_client.get("/blood/units/").status_code == 200
        counts.append(len(seen))
    assert counts[0] == counts[2]
