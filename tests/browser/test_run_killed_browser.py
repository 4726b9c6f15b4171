"""A real server in a process of its own, killed with signal 9 in the middle of entries and started again."""

import os
import signal
import socket
import subprocess
import sys
import time
import urllib.error
import urllib.request
from datetime import UTC, datetime
from pathlib import Path

import pytest
from django.conf import settings
from django.urls import reverse
from playwright.sync_api import expect

from sessions.day.models import Entry
from tests.conftest import ROOT, client_of, url_of_test_database
from tests.factories import make_patient, make_running, make_site, make_user

pytestmark = pytest.mark.django_db(transaction=True)
PATIENCE = 30_000  # ms
STEPS = [{"number": 1, "fluid": "saline", "units": [], "in_ml": 2000, "out_ml": 2000, "draws": [100] * 20}]


class Server:
    """The server that `make demo` runs, on this test's database; it can be killed and started again."""

    def __init__(self, log):
        with socket.socket() as free:
            free.bind(("127.0.0.1", 0))
            self.port = free.getsockname()[1]
        self.url, self.log, self.process = f"http://127.0.0.1:{self.port}", log, None

    def start(self):
        environment = {**os.environ, "DATABASE_URL": url_of_test_database(), "DEBUG": "True"}
        command = [sys.executable, "-m", "granian", "--interface", "wsgi", "--host", "127.0.0.1", "--no-ws"]
        command += ["--port", str(self.port), "--workers", "1", "--blocking-threads", "4", "programme.wsgi:application"]
        self.process = subprocess.Popen(
            command, cwd=ROOT, env=environment, stdout=self.log, stderr=subprocess.STDOUT, start_new_session=True
        )
        give_up = time.monotonic() + 2 * PATIENCE / 1000
        while time.monotonic() < give_up:
            try:
                urllib.request.urlopen(f"{self.url}/sign-in/", timeout=2)
                return
            except (urllib.error.URLError, OSError):
                time.sleep(0.1)
        raise RuntimeError(f"the server did not start:\n{Path(self.log.name).read_text()[-2000:]}")

    def kill(self):
        """Signal 9 to the server and every process it started, so that nothing is tidied up."""
        os.killpg(self.process.pid, signal.SIGKILL)
        self.process.wait()


@pytest.fixture
def server(transactional_db, tmp_path):
    with (tmp_path / "server.log").open("wb") as log:
        server = Server(log)
        server.start()
        yield server
        server.kill()


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
    tablet.goto(server.url + reverse("bedside:run", args=["R7", running.pk]), timeout=PATIENCE)
    enter = tablet.get_by_role("button", name="Enter", exact=True)
    for volume in range(101, 107):
        tablet.get_by_label("Out, this draw").fill(str(volume))
        enter.click()
        if volume == 104:  # with answers on their way
            server.kill()
    expect(tablet.locator("#queue")).to_contain_text("not yet saved", timeout=PATIENCE)
    before = set(acknowledged)
    kept_then = set(Entry.objects.filter(kind="moved").values_list("key", flat=True))
    assert before <= kept_then, "what was acknowledged had been written"
    server.start()
    expect(tablet.locator("#queue")).not_to_contain_text("not yet saved", timeout=PATIENCE)
    entries = list(Entry.objects.filter(exchange_session=running, kind="moved").order_by("number"))
    assert [entry.body["out_ml"] for entry in entries] == [101, 102, 103, 104, 105, 106]
    assert len({entry.key for entry in entries}) == 6
    assert kept_then <= {entry.key for entry in entries}
    context.close()
