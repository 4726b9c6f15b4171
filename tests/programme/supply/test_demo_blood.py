"""The demo's blood: every order has its booking, and today's units are where the chair has them."""

from datetime import date, datetime
from zoneinfo import ZoneInfo

from programme.bedside.demo_load import FINISHED, RUNNING, load_day
from programme.booking.demo_load import load_diary
from programme.core import trail
from programme.core.models import Site, TrailEntry
from programme.supply.demo_load import load_blood
from programme.supply.models import BloodOrder, SuppliedUnit
from programme.supply.queries.foreseen import foreseen
from programme.supply.queries.orders import blood_page
from programme.worklist.demo_load import SITE_CODE, load_demo

TODAY = date(2026, 6, 1)
ZONE = ZoneInfo("Europe/London")


def test_the_demo_has_orders_in_every_state_and_units_at_the_chair(
    tmp_path, settings, django_capture_on_commit_callbacks, db
):
    settings.VAR_DIR = tmp_path
    with django_capture_on_commit_callbacks(execute=True):
        load_demo(today=TODAY, at=datetime(2026, 6, 1, 6, tzinfo=ZONE), vendor="sqlite")
    site, at = Site.objects.get(code=SITE_CODE), datetime(2026, 6, 1, 15, tzinfo=ZONE)
    load_day(site=site, today=TODAY, at=at)
    load_diary(site=site, today=TODAY, at=at)
    load_blood(site=site, today=TODAY, at=at)
    for order in BloodOrder.objects.select_related("booking"):
        assert order.booking.patient_id == order.patient_id
    states = set(BloodOrder.objects.values_list("state", flat=True))
    assert {"drafted", "sent", "part", "confirmed"} <= states
    given = SuppliedUnit.objects.filter(state="given")
    assert set(given.values_list("given_to__patient_ref", flat=True)) == {RUNNING, FINISHED}
    assert all(unit.given_to_id == unit.order.patient_id for unit in given.select_related("order"))
    demand = foreseen(site, at)
    assert demand.as_of == TODAY
    assert demand.track is not None
    page = blood_page(site, at)
    assert page.lines
    assert page.loud
    assert trail.faults(TrailEntry.objects.all()) == []
