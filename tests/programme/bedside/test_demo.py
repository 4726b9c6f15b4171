"""The demo as it is loaded: its stories, its day, its diary and its blood. It is loaded once for all tests here."""

from collections import Counter
from datetime import date, datetime, timedelta
from zoneinfo import ZoneInfo

import pytest
from django.core.exceptions import ValidationError
from django.db import transaction
from django.test import TestCase, override_settings

from patients.models import Patient
from programme.bedside.demo_load import (
    BY_MACHINE,
    FINISHED,
    FINISHED_BY_MACHINE,
    RUNNING,
    RUNNING_BY_MACHINE,
    SIGNED,
    WAITING,
    load_day,
)
from programme.booking.demo_load import MISSED, load_diary
from programme.booking.models import Booking, Occupied
from programme.booking.queries.chairs import displaced
from programme.booking.queries.contacts import read_contacts
from programme.booking.queries.diary import read_diary
from programme.core import trail
from programme.core.models import Site, TrailEntry, User
from programme.planning.models import Suggestion
from programme.supply.demo_load import load_blood
from programme.supply.models import BloodOrder, SuppliedUnit
from programme.supply.queries.foreseen import foreseen
from programme.supply.queries.orders import blood_page
from programme.worklist.demo_load import SITE_CODE, load_demo
from sessions.day.models import Entry, Prescription
from sessions.models import BacktestRun, DonationUnit, ExchangeSession, StoredForecast

pytestmark = pytest.mark.either_database
ZONE = ZoneInfo("Europe/London")
TODAY = date(2026, 6, 1)
LOADED_AT = datetime(2026, 6, 1, 6, tzinfo=ZONE)
AT = datetime(2026, 6, 1, 15, tzinfo=ZONE)


@pytest.fixture(scope="module")
def loaded_once(tmp_path_factory, django_db_setup, django_db_blocker):
    """The demo in one transaction around all tests of this file; each of them takes its own changes back."""
    with (
        django_db_blocker.unblock(),
        override_settings(VAR_DIR=tmp_path_factory.mktemp("demo")),
        transaction.atomic(),
    ):
        with TestCase.captureOnCommitCallbacks(execute=True):
            said = load_demo(today=TODAY, at=LOADED_AT, vendor="sqlite")
        yield said
        transaction.set_rollback(True)


@pytest.fixture
def loaded(loaded_once, db):
    return loaded_once


@pytest.fixture
def site(loaded):
    return Site.objects.get(code=SITE_CODE)


# The people


def test_the_stories_end_as_they_should(loaded):
    said = {row.patient.patient_ref: row for row in Suggestion.objects.select_related("patient")}
    assert said["SM-039"].reason.startswith("Possible haemolysis")
    assert said["SM-045"].reason.startswith("Pregnancy")
    assert said["SM-049"].reason.startswith("Something unknown was transfused elsewhere")
    assert said["SM-056"].reason.startswith("No session of the last")
    assert said["SM-053"].status == "ok"
    assert any("Few gaps" in words for words in said["SM-053"].body["warnings"])
    assert StoredForecast.objects.get(patient__patient_ref="SM-042").flag["now"] > 0
    assert Patient.objects.get(patient_ref="SM-048").goals.order_by("-since")[0].hbs_ceiling_pct == 50
    run = BacktestRun.objects.get()  # for the page Review; nobody has accepted anything
    assert run.form_chosen == ""
    assert run.result["n_forecasts"] >= 300
    methods = {row.options["working"]["method"] for row in said.values() if row.status == "ok"}
    assert methods == {"two_arm", "one_arm"}
    unavailable = [ref for ref, row in said.items() if row.status != "ok"]
    assert sorted(unavailable) == ["SM-039", "SM-045", "SM-049", "SM-056"]
    # The reaction is locked by figures and not only by the sign that was noted.
    rows = StoredForecast.objects.get(patient__patient_ref="SM-039").locked["rows"]
    figures = [row for row in rows if "found" in row]
    assert len(figures) == 2
    assert all(row["found"] < row["lowest"] < row["expected"] for row in figures)


def test_a_second_load_changes_nothing_and_the_four_sign_ins_work(loaded, client):
    before = (ExchangeSession.objects.count(), TrailEntry.objects.count(), loaded.sign_ins.read_text())
    again = load_demo(today=TODAY + timedelta(days=3), at=LOADED_AT + timedelta(days=3), vendor="sqlite")
    assert not again.is_new
    assert (ExchangeSession.objects.count(), TrailEntry.objects.count(), loaded.sign_ins.read_text()) == before
    # Readable by their owner only.
    assert loaded.sign_ins.stat().st_mode & 0o077 == 0
    lines = loaded.sign_ins.read_text().splitlines()
    assert len(lines) == 4
    for line in lines:
        *_, username, password = line.split()
        assert client.login(username=username, password=password)
    assert User.objects.filter(is_demo=True).count() == 4


# The day


def states() -> dict[str, str]:
    rows = ExchangeSession.objects.filter(origin="here", on=TODAY)
    return dict(rows.values_list("patient__patient_ref", "state"))


def states_of_units(patient_ref: str) -> list[str]:
    rows = DonationUnit.objects.filter(exchange_session__on=TODAY, exchange_session__patient__patient_ref=patient_ref)
    return list(rows.order_by("place").values_list("state", flat=True))


def test_six_people_stand_where_the_day_has_brought_them(site):
    with transaction.atomic():  # loaded in the night there has been no morning: plans only
        load_day(site=site, today=TODAY, at=datetime(2026, 6, 1, 2, 30, tzinfo=ZONE))
        night = states()
        transaction.set_rollback(True)
    assert set(night.values()) <= {"planned", "authorised"}
    load_day(site=site, today=TODAY, at=AT)
    assert states() == {
        WAITING: "planned", SIGNED: "authorised", RUNNING: "running", FINISHED: "finished",
        RUNNING_BY_MACHINE: "running", FINISHED_BY_MACHINE: "finished",
    }  # fmt: skip
    assert Prescription.objects.get(exchange_session__patient__patient_ref=WAITING).authorised_at is None
    assert not Entry.objects.filter(received_at__gt=AT).exists(), "entered before it has happened"
    running = ExchangeSession.objects.get(patient__patient_ref=RUNNING, on=TODAY)
    given = list(
        DonationUnit.objects.filter(exchange_session=running).order_by("place").values_list("state", flat=True)
    )
    assert set(given) == {"given", "checked"}
    finished = ExchangeSession.objects.get(patient__patient_ref=FINISHED, on=TODAY)
    assert finished.red_cells_in_ml == pytest.approx(258.0 * finished.units, abs=2)
    assert finished.ended_at < AT
    after = {link.result.analyte for link in finished.result_links.filter(position="after")}
    assert after == {"718-7", "4625-0"}
    asked = Entry.objects.filter(exchange_session=finished, kind="note").values_list("body__words", flat=True)
    assert "Observations" not in " ".join(asked)
    assert "Volume of a unit" not in " ".join(asked)
    assert trail.faults(TrailEntry.objects.filter(patient_key=finished.patient_id)) == []
    # By machine: one unit hangs, totals only at the end, as many units as were started; and so it was in the past.
    assert set(states_of_units(FINISHED_BY_MACHINE)) == {"given"}
    half = states_of_units(RUNNING_BY_MACHINE)
    assert half.count("running") == 1
    assert half == sorted(half, key=["given", "running", "checked"].index)
    ended = ExchangeSession.objects.get(patient__patient_ref=FINISHED_BY_MACHINE, on=TODAY)
    assert (ended.method, ended.saline_in_ml, ended.red_cells_in_ml) == ("automated", 0.0, 258.0 * ended.units)
    assert Entry.objects.filter(exchange_session__on=TODAY, kind="totals").count() == 1
    past = ExchangeSession.objects.filter(patient__patient_ref__in=BY_MACHINE, on__lt=TODAY)
    assert set(past.values_list("method", flat=True)) == {"automated"}


# The diary and the blood


def test_the_diary_of_the_demo_shows_all_that_happens_in_one(site):
    load_diary(site=site, today=TODAY, at=AT)
    states = Counter(Booking.objects.values_list("state", flat=True))
    assert set(states) == {"booked", "confirmed", "came", "missed", "moved"}
    assert states["booked"] + states["confirmed"] >= 10
    assert len(site.chairs.all()) == 6
    assert displaced(site, TODAY) == ()
    holding = Booking.objects.filter(state__in=["booked", "confirmed", "came"])
    assert set(Occupied.objects.values_list("booking", flat=True)) == set(holding.values_list("pk", flat=True))
    assert len(read_diary(site, AT).everyone) >= 3
    page = read_contacts(site, AT)
    assert [(one.patient_ref, one.tries, one.is_escalated) for one in page.to_reach] == [(MISSED, 2, True)]
    assert len(page.waiting) == 1
    assert trail.faults(TrailEntry.objects.all()) == []
    with pytest.raises(ValidationError):  # a unit that has its chairs is not set up again
        load_diary(site=site, today=TODAY, at=AT)


def test_the_demo_has_orders_in_every_state_and_units_at_the_chair(site):
    load_day(site=site, today=TODAY, at=AT)
    load_diary(site=site, today=TODAY, at=AT)
    load_blood(site=site, today=TODAY, at=AT)
    for order in BloodOrder.objects.select_related("booking"):
        assert order.booking.patient_id == order.patient_id
    states = set(BloodOrder.objects.values_list("state", flat=True))
    assert {"drafted", "sent", "part", "confirmed"} <= states
    given = SuppliedUnit.objects.filter(state="given")
    of_today = given.filter(order__booking__on=TODAY)
    given_to = set(of_today.values_list("given_to__patient_ref", flat=True))
    assert given_to == {ref for ref in (RUNNING, FINISHED, *BY_MACHINE) if "given" in states_of_units(ref)}
    assert given_to >= {RUNNING, FINISHED, FINISHED_BY_MACHINE}
    assert all(unit.given_to_id == unit.order.patient_id for unit in given.select_related("order"))
    before = SuppliedUnit.objects.filter(order__booking__on__lt=TODAY)
    assert set(before.values_list("state", flat=True)) == {"given", "returned", "discarded"}
    assert set(before.values_list("order__state", flat=True)) == {"ended"}
    demand = foreseen(site, AT)
    assert demand.as_of == TODAY
    assert demand.track is not None
    page = blood_page(site, AT)
    assert page.lines
    assert page.loud
    assert trail.faults(TrailEntry.objects.all()) == []
