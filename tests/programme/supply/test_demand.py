"""Demand from the records of a made-up unit: the command, what is stored, the look back, and the part of the page."""

import json
import re
from collections import defaultdict
from datetime import date, timedelta
from io import StringIO

import pytest
import time_machine
from django.core.management import CommandError, call_command
from django.db import connection
from django.test.utils import CaptureQueriesContext
from django.utils import timezone

from patients.models import Patient, Standing
from programme.core.models import Site
from programme.core.receipts import new_key
from programme.supply.models import BloodOrder, DemandForecast, DemandLookBack
from programme.supply.queries.demand import demand
from programme.supply.queries.foreseen import foreseen
from programme.supply.services.demand import keep_demand, keep_look_back
from sessions.history.bring_in import bring_in
from sessions.models import ExchangeSession
from sessions.numeric.mechanisms.made_up import simulate
from tests import builders
from tests.blood import make_booked, make_open_unit
from tests.factories import NOW, TODAY, make_antibody, make_goals, make_needs, make_patient, make_site, make_user

pytestmark = [pytest.mark.either_database, pytest.mark.django_db, pytest.mark.usefixtures("frozen_day")]
MONDAY = TODAY - timedelta(days=TODAY.weekday())


@pytest.fixture(scope="module")
def records() -> bytes:
    made = simulate("daybyday", n_people=8, years=2.0, seed=20260602)
    return builders.history_file(made, last_on=TODAY - timedelta(days=3))


@pytest.fixture(scope="module")
def made_once(records, rows_of_the_module):
    """Eight people with two years of sessions, and one newcomer without any."""
    with time_machine.travel(NOW, tick=True):
        site = make_site("saltmarsh", name="Saltmarsh Day Unit")
        bring_in(site=site, data=records, actor=None, at=NOW)
        make_user(site=site)
        make_patient("SM-NEW", site=site)


@pytest.fixture
def site(made_once, db):
    return Site.objects.get(code="saltmarsh")


@pytest.fixture
def unit(site):
    return site


def printed(**options) -> list[dict]:
    out, said = StringIO(), StringIO()
    call_command("forecast_demand", stdout=out, stderr=said, **options)
    return json.loads(out.getvalue())


def counts() -> list[int]:
    return [model.objects.count() for model in (DemandForecast, DemandLookBack, BloodOrder, ExchangeSession)]


# The command


def test_thirteen_weeks_are_printed_for_every_group_and_for_all_and_nothing_is_written(unit):
    before = counts()
    rows = printed()
    groups = {row["group"] for row in rows}
    assert "all" in groups
    for group in groups:
        weeks = [row["week_start"] for row in rows if row["group"] == group]
        assert weeks == [(MONDAY + timedelta(days=7 * n)).isoformat() for n in range(13)]
    assert {"week_start", "group", "p10", "p50", "p90"} <= set(rows[0])
    assert all(0 <= row["p10"] <= row["p50"] <= row["p90"] for row in rows)
    total = sum(row["expected"] for row in rows if row["group"] == "all")
    assert total == pytest.approx(sum(row["expected"] for row in rows if row["group"] != "all"), abs=0.01 * len(rows))
    assert total > 20
    assert counts() == before


def test_by_phenotype_the_weeks_add_up_to_those_of_the_groups(unit):
    """Two people lack other antigens than the rest: their own line, and every total the same both ways."""
    with_sessions = Patient.objects.filter(exchange_sessions__isnull=False).distinct().order_by("pk")
    for number, patient in enumerate(with_sessions):
        make_needs(patient)
        if number < 2:
            make_antibody(patient, "anti-Jk(b)")
    by_group, by_phenotype = printed(), printed(by="phenotype")
    assert {row["phenotype"] for row in by_phenotype} == {"C− E− K−", "C− E− K− Jk(b)−"}
    assert by_phenotype[0]["phenotype"] == "C− E− K−", "those with the most units come first"
    for group in {row["group"] for row in by_group}:
        total = sum(row["expected"] for row in by_group if row["group"] == group)
        parts = [row["expected"] for row in by_phenotype if row["group"] == group]
        assert total == pytest.approx(sum(parts), abs=0.01 * len(parts))


def test_the_same_records_and_day_give_the_same_bytes(unit):
    assert printed(first=TODAY) == printed(first=TODAY)


def test_a_past_day_is_foreseen_from_what_was_known_then(unit):
    day = TODAY - timedelta(days=120)
    seen = printed(first=day, weeks=8)
    ExchangeSession.objects.filter(on__gt=day).update(units=1, saline_in_ml=100, blood_out_ml=300, red_cells_in_ml=200)
    assert printed(first=day, weeks=8) == seen


@pytest.mark.parametrize("weeks", [0, 27])
def test_other_numbers_of_weeks_are_refused(unit, weeks):
    with pytest.raises(CommandError, match=f"--weeks: {weeks} is not allowed; allowed is 1 to 26"):
        printed(weeks=weeks)


def test_a_booking_is_in_its_week_with_the_units_of_its_plan(unit):
    chair = make_open_unit(unit)
    booking = make_booked(chair, by=unit.users.first(), on=TODAY + timedelta(days=9))
    person = booking.patient
    session = {"saline_in_ml": 0, "red_cells_in_ml": 1000, "blood_out_ml": 1000, "weight_kg": 60, "state": "closed"}
    for days in (30, 60, 90):
        ExchangeSession.objects.create(patient=person, on=TODAY - timedelta(days=days), units=4, **session)
    found = demand(unit, first=TODAY, weeks=13, now=timezone.localtime())
    week = date.toordinal(booking.on - timedelta(days=booking.on.weekday()))
    (row,) = [row for row in found.rows if row.group == "all" and row.week_start == week]
    units = person.suggestion.body["session"]["units"]
    assert row.booked == units
    assert row.p90 >= units


def expected_of(found, week):
    (row,) = [row for row in found.rows if row.group == "all" and row.week_start == week]
    return row.expected, row.booked


def test_somebody_new_is_counted_by_what_is_booked_for_them_and_named_where_nothing_is(unit):
    chair, by = make_open_unit(unit), unit.users.first()
    before = demand(unit, first=TODAY, weeks=13, now=timezone.localtime())
    assert before.left_out == ("SM-NEW",)
    booking = make_booked(chair, by=by, on=TODAY + timedelta(days=9))
    found = demand(unit, first=TODAY, weeks=13, now=timezone.localtime())
    week = date.toordinal(booking.on - timedelta(days=booking.on.weekday()))
    assert expected_of(found, week)[1] - expected_of(before, week)[1] == 5
    gone = [
        sum(row.expected for row in one.rows if row.group not in ("all", "not yet known")) for one in (before, found)
    ]
    assert gone[1] - gone[0] == pytest.approx(5)
    assert found.left_out == ("SM-NEW",)


def test_whose_session_is_done_today_is_not_needed_again_for_the_same_booking(unit):
    """Nobody has said that they came: the booking still stands, and its units were used."""
    chair, by = make_open_unit(unit), unit.users.first()
    person = make_booked(chair, by=by, on=TODAY).patient
    session = {"saline_in_ml": 0, "red_cells_in_ml": 1000, "blood_out_ml": 1000, "weight_kg": 60, "state": "closed"}
    for days in (30, 60, 90):
        ExchangeSession.objects.create(patient=person, on=TODAY - timedelta(days=days), units=4, **session)
    before = demand(unit, first=TODAY, weeks=13, now=timezone.localtime())
    ExchangeSession.objects.create(patient=person, on=TODAY, units=4, **session)
    after = demand(unit, first=TODAY, weeks=13, now=timezone.localtime())
    week = MONDAY.toordinal()
    assert expected_of(before, week)[1] - expected_of(after, week)[1] == 5
    assert expected_of(before, week)[0] - expected_of(after, week)[0] > 3.5


def test_visits_follow_an_interval_that_was_decided_anew_and_not_the_gaps_before_it(unit):
    """Decided today for everybody with sessions: twice as often as they came. Visits are twice as many then and take
    fewer units each, so that more than before and less than twice as many units are needed: a law."""
    people = Patient.objects.filter(exchange_sessions__isnull=False).distinct()
    before = demand(unit, first=TODAY, weeks=13, now=timezone.localtime())
    for patient in people:
        days = list(patient.exchange_sessions.order_by("on").values_list("on", flat=True))[-7:]
        usual = (days[-1] - days[0]).days / (len(days) - 1)
        goals = patient.goals.order_by("-since").first()
        make_goals(
            patient, since=TODAY, hbs_ceiling_pct=goals.hbs_ceiling_pct, usual_interval_days=max(round(usual / 2), 14)
        )
    after = demand(unit, first=TODAY, weeks=13, now=timezone.localtime())
    total = [sum(row.expected for row in one.rows if row.group == "all") for one in (before, after)]
    assert 1.1 * total[0] < total[1] < 2 * total[0]


# What is stored


def test_tonights_demand_replaces_that_of_the_same_day(unit):
    first, second = keep_demand(site=unit, at=NOW), keep_demand(site=unit, at=NOW)
    assert first.pk == second.pk
    assert second.as_of == TODAY
    assert [row["week_start"] for row in second.rows][:1] == [MONDAY.isoformat()]
    assert {row["group"] for row in second.rows} >= {"all"}


def test_the_look_back_sets_used_beside_foreseen_and_widens_the_next_ranges(unit):
    back = keep_look_back(site=unit, at=NOW)
    assert keep_look_back(site=unit, at=NOW + timedelta(days=3)).pk == back.pk
    week = back.rows[0]
    monday = date.fromisoformat(week["week_start"])
    done = ExchangeSession.objects.filter(on__range=(monday, monday + timedelta(days=6)))
    of_all = [row for row in back.rows if row["group"] == "all"]
    first = next(row for row in of_all if row["week_start"] == week["week_start"])
    assert first["used"] == sum(done.values_list("units", flat=True))
    assert {row["ahead"] for row in back.rows} == set(range(1, 14))
    assert all(date.fromisoformat(row["as_of"]) < date.fromisoformat(row["week_start"]) for row in back.rows)
    assert back.held_later <= back.weeks_later
    inside = sum(
        max(row["p50"] - back.stretch * max(row["p50"] - row["p10"], 0.5), 0) - 1e-9
        <= row["used"]
        <= row["p50"] + back.stretch * max(row["p90"] - row["p50"], 0.5) + 1e-9
        for row in of_all
    )
    assert inside / len(of_all) >= 0.79
    assert keep_demand(site=unit, at=NOW).stretch == back.stretch


def test_by_group_the_look_back_sums_to_all_and_counts_only_weeks_it_did_not_learn_from(unit):
    """Two people are B negative; sums over groups are those of all, and the newer half is judged by the older."""
    for patient in Patient.objects.filter(exchange_sessions__isnull=False).distinct().order_by("pk")[:2]:
        make_needs(patient, abo="B", rhd="-")
    back = keep_look_back(site=unit, at=NOW)
    for name in ("used", "expected"):
        sums, of_all = defaultdict(float), {}
        for row in back.rows:
            key = row["as_of"], row["week_start"]
            if row["group"] == "all":
                of_all[key] = row[name]
            else:
                sums[key] += row[name]
        assert sums == pytest.approx(of_all)
    track = foreseen(unit, timezone.localtime()).track
    assert [group.name for group in track.groups] == ["B \u2212", "group? D?", None]
    assert {group.weeks for group in track.groups} == {back.weeks_later}
    assert track.groups[-1].held == back.held_later
    assert sum(group.used for group in track.groups[:-1]) == pytest.approx(track.groups[-1].used)
    assert track.groups[0].used > 0
    assert all(group.low <= group.expected <= group.high for group in track.groups)


def test_units_of_a_group_that_nobody_foresaw_are_in_the_look_back(unit):
    """Somebody new with one session since: nothing foresees them, and their units count against the range."""
    new = make_patient(site=unit)
    make_needs(new, abo="AB")
    session = {"saline_in_ml": 0, "red_cells_in_ml": 1000, "blood_out_ml": 1000, "weight_kg": 60, "state": "closed"}
    on = TODAY - timedelta(days=70)
    ExchangeSession.objects.create(patient=new, on=on, units=4, **session)
    back = keep_look_back(site=unit, at=NOW)
    rows = [row for row in back.rows if row["group"] == "AB +" and row["used"]]
    assert {(row["week_start"], row["p90"], row["used"]) for row in rows} == {
        ((on - timedelta(days=on.weekday())).isoformat(), 0.0, 4)
    }


def test_records_that_do_not_reach_back_give_no_look_back(db):
    assert keep_look_back(site=make_site("heronsford"), at=NOW) is None
    assert DemandLookBack.objects.count() == 0


# The page


def test_the_page_shows_weeks_groups_and_how_past_ones_did(unit, coordinator_client):
    assert "No demand was reckoned yet" in coordinator_client.get("/blood/").content.decode()
    keep_look_back(site=unit, at=NOW)
    row = keep_demand(site=unit, at=NOW)
    said = coordinator_client.get("/blood/").content.decode()
    assert said.count("<tr", said.index('class="tt dm"')) >= 2
    assert "Looked back:" in said
    assert "The same units by what they must be beside ABO and D" in said
    assert '<th scope="row" class="n">no antigen to avoid</th>' in said
    assert "whether other units may stand in is decided by the blood bank" in said
    assert "The widening was learnt from these same weeks".lower() in said.lower()
    assert re.search(r'<tr class="all"><th scope="row">All</th><td class="r">[\d.]+</td>', said)
    middle = next(week["p50"] for week in row.rows if week["group"] == "all")
    assert f"<i>{middle:.0f}</i>" in said
    assert "the blood bank decides" in said
    table = coordinator_client.get("/blood/demand.csv").content.decode().splitlines()
    assert table[0] == "week_start,group,phenotype,p10,p50,p90,booked"
    assert len(table) == 1 + len(row.rows) + len(row.classes)


def test_yesterdays_demand_is_called_old(unit, coordinator_client):
    row = keep_demand(site=unit, at=NOW)
    DemandForecast.objects.filter(pk=row.pk).update(as_of=TODAY - timedelta(days=1))
    assert "bookings and results since are not in it" in coordinator_client.get("/blood/").content.decode()


def test_the_coordinator_has_it_reckoned_now_once(unit, coordinator_client):
    key = new_key()
    for _ in range(2):
        said = coordinator_client.post("/blood/foresee/", {"receipt": key}, follow=True).content.decode()
    assert "Thirteen weeks" in said
    assert DemandForecast.objects.count() == 1


def test_the_queries_of_demand_do_not_grow_with_the_people(unit):
    def asked() -> int:
        with CaptureQueriesContext(connection) as seen:
            demand(unit, first=TODAY, weeks=2, now=timezone.localtime())
        return len(seen)

    many = asked()
    others = Patient.objects.exclude(pk=Patient.objects.filter(exchange_sessions__isnull=False).first().pk)
    others.update(standing=Standing.PAUSED, standing_reason="abroad")
    assert asked() == many
