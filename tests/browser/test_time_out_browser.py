"""The quick return at the bedside: a tablet that was left alone asks for the password, and loses no entry."""

import re
from importlib import import_module

import pytest
from django.conf import settings
from django.urls import reverse
from django.utils import timezone
from playwright.sync_api import expect

from programme.core import time_out
from sessions.day.models import Entry
from tests.browsing import nothing_is_kept_in_the_browser
from tests.factories import PASSWORD, make_patient, make_running, make_site, make_user


@pytest.fixture
def nurse(transactional_db):
    site = make_site(name="Saltmarsh Day Unit")
    return make_user(site=site, username="a.fenwick", full_name="A. Fenwick", with_password=True)


@pytest.fixture
def running(nurse):
    signed_by = make_user(site=nurse.site, role="consultant", full_name="R. Marsh")
    return make_running(make_patient("R7", site=nurse.site), by=signed_by, unit_state="running")


def left_alone(page):
    """Let the sign-in of this browser be so old that half an hour has gone by without an action."""
    key = next(one["value"] for one in page.context.cookies() if one["name"] == settings.SESSION_COOKIE_NAME)
    kept = import_module(settings.SESSION_ENGINE).SessionStore(key)
    now = timezone.now().timestamp()
    kept[time_out.TIMES] = {"since": now - 7200, "seen": now - 1800, "idle_s": 1800, "longest_s": 43200}
    kept.save()


def test_a_tablet_left_alone_asks_for_the_password_and_sends_what_was_entered_meanwhile(
    page_as, running, nurse, live_server, console_errors
):
    page = page_as(nurse)
    page.set_viewport_size({"width": 1024, "height": 768})
    page.goto(live_server.url + reverse("bedside:run", args=["R7", running.pk]))
    left_alone(page)
    expect(page.locator("#queue")).to_contain_text("Signed out")  # asking for news is no action
    page.get_by_role("button", name="Enter", exact=True).click()
    expect(page.locator("#queue")).to_contain_text("1 not yet saved")
    assert not Entry.objects.filter(exchange_session=running, kind="moved").exists()
    page.locator("#queue").get_by_role("link", name="Sign in again").click()
    expect(page.get_by_text("Signed out, as nothing was done here for a while")).to_be_visible()
    expect(page.get_by_label("Password")).to_be_focused()
    page.keyboard.type(PASSWORD)
    page.keyboard.press("Enter")
    expect(page).to_have_url(re.compile(r"/people/R7/day/\d+/run/$"))
    expect(page.locator("#queue")).to_have_text("")
    nothing_is_kept_in_the_browser(page)
    assert Entry.objects.filter(exchange_session=running, kind="moved").count() == 1
    # The browser asks when it likes whether the page's keeper is the newest; signed out, it is sent to sign in.
    console_errors[:] = [words for words in console_errors if "script resource is behind a redirect" not in words]
