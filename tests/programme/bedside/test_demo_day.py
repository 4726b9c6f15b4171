"""The demo's own day: four people, each where the story says, written as the pages would."""

from datetime import date, datetime
from zoneinfo import ZoneInfo

import pytest
from django.core.management import call_command
from django.db import connection, transaction

from programme.bedside.demo_load import FINISHED, RUNNING, SIGNED, WAITING, load_day
from programme.core import trail
from programme.core.models import Site, TrailEntry
from programme.worklist.demo_load import SITE_CODE, load_demo
from sessions.day.models import Prescription
from sessions.models import DonationUnit, ExchangeSession

TODAY = date(2026, 6, 1)
ZONE = ZoneInfo("Europe/London")


def states() -> dict[str, str]:
    rows = ExchangeSession.objects.filter(origin="here", on=TODAY)
    return dict(rows.values_list("patient__patient_ref", "state"))


def test_four_people_stand_where_the_day_has_brought_them(tmp_path, settings, django_capture_on_commit_callbacks, db):
    settings.VAR_DIR = tmp_path
    with django_capture_on_commit_callbacks(execute=True):
        load_demo(today=TODAY, at=datetime(2026, 6, 1, 6, tzinfo=ZONE), vendor="sqlite")
    site = Site.objects.get(code=SITE_CODE)
    with transaction.atomic():  # loaded in the night there has been no morning: plans only
        load_day(site=site, today=TODAY, at=datetime(2026, 6, 1, 2, 30, tzinfo=ZONE))
        night = states()
        transaction.set_rollback(True)
    assert set(night.values()) <= {"planned", "authorised"}
    load_day(site=site, today=TODAY, at=datetime(2026, 6, 1, 15, tzinfo=ZONE))
    assert states() == {WAITING: "planned", SIGNED: "authorised", RUNNING: "running", FINISHED: "finished"}
    assert Prescription.objects.get(exchange_session__patient__patient_ref=WAITING).authorised_at is None
    running = ExchangeSession.objects.get(patient__patient_ref=RUNNING, on=TODAY)
    given = list(
        DonationUnit.objects.filter(exchange_session=running).order_by("place").values_list("state", flat=True)
    )
    assert set(given) == {"given", "checked"}
    finished = ExchangeSession.objects.get(patient__patient_ref=FINISHED, on=TODAY)
    assert finished.red_cells_in_ml == pytest.approx(258.0 * finished.units, abs=2)
    assert finished.ended_at < datetime(2026, 6, 1, 15, tzinfo=ZONE)
    after = {link.result.analyte for link in finished.result_links.filter(position="after")}
    assert after == {"718-7", "4625-0"}
    assert trail.faults(TrailEntry.objects.filter(patient_key=finished.patient_id)) == []


@pytest.mark.skipif(connection.vendor != "sqlite", reason="the demo is refused elsewhere")
def test_the_command_leaves_a_loaded_unit_alone(tmp_path, settings, db, monkeypatch):
    asked = []
    monkeypatch.setattr("programme.bedside.management.commands.load_demo.load_day", lambda **said: asked.append(said))
    settings.VAR_DIR = tmp_path
    Site.objects.create(code=SITE_CODE, name="Saltmarsh Day Unit")
    call_command("load_demo")
    assert asked == []  # it is there already
