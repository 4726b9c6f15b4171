"""A real server in a process of its own, killed with signal 9 in the middle of entries and started again."""

from datetime import UTC, datetime

import pytest
from django.conf import settings
from django.urls import reverse
from playwright.sync_api import expect

from sessions.day.models import Entry
from tests.conftest import client_of
from tests.factories import make_patient, make_running, make_site, make_user
from tests.faults.web import WebServer

pytestmark = pytest.mark.django_db(transaction=True)
STEPS = [{"number": 1, "fluid": "saline", "units": [], "in_ml": 2000, "out_ml": 2000, "draws": [100] * 20}]


@pytest.fixture
def server(transactional_db, tmp_path):
    with WebServer(tmp_path / "server.log", threads="4", DEBUG="True") as running:
        yield running


def test_a_killed_server_loses_nothing_it_had_acknowledged_and_doubles_nothing(page, browser, server):
    nurse = make_user(site=make_site())
    signed_by = make_user(site=nurse.site, role="consultant")
    running = make_running(make_patient("R7", site=nurse.site), by=signed_by, started_at=datetime.now(UTC), steps=STEPS)
    context = browser.new_context()
    cookie = client_of(nurse).cookies[settings.SESSION_COOKIE_NAME]
    context.add_cookies([{"name": cookie.key, "value": cookie.value, "url": server.url}])
    tablet = context.new_page()
    acknowledged = []

    def note(response):
        if response.url.endswith("/enter/") and response.status == 200:
            acknowledged.append(response.request.post_data_json["key"])

    tablet.on("response", note)
    tablet.goto(server.url + reverse("bedside:run", args=["R7", running.pk]))
    out = tablet.get_by_label("Out, this draw")
    for volume in range(101, 107):
        out.fill(str(volume))
        out.press("Enter")
        expect(out).not_to_have_value(str(volume))  # the page has taken it; the server may not have
        if volume == 104:  # with answers on their way
            server.kill()
    expect(tablet.locator("#queue")).to_contain_text("not yet saved")
    before = set(acknowledged)
    kept_then = set(Entry.objects.filter(kind="moved").values_list("key", flat=True))
    assert before <= kept_then, "what was acknowledged had been written"
    server.start()
    expect(tablet.locator("#queue")).not_to_contain_text("not yet saved")
    entries = list(Entry.objects.filter(exchange_session=running, kind="moved").order_by("number"))
    assert [entry.body["out_ml"] for entry in entries] == [101, 102, 103, 104, 105, 106]
    assert len({entry.key for entry in entries}) == 6
    assert kept_then <= {entry.key for entry in entries}
    context.close()
