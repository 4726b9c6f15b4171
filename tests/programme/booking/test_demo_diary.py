"""The demo's diary: chairs, people booked, one moved, one who did not come, and some still to place."""

from collections import Counter
from datetime import date, datetime
from zoneinfo import ZoneInfo

import pytest
from django.core.exceptions import ValidationError

from programme.booking.demo_load import MISSED, load_diary
from programme.booking.models import Booking
from programme.booking.queries.chairs import displaced
from programme.booking.queries.contacts import read_contacts
from programme.booking.queries.diary import read_diary
from programme.core import trail
from programme.core.models import Site, TrailEntry
from programme.worklist.demo_load import SITE_CODE, load_demo

TODAY = date(2026, 6, 1)
AT = datetime(2026, 6, 1, 15, tzinfo=ZoneInfo("Europe/London"))


def test_the_diary_of_the_demo_shows_all_that_happens_in_one(
    tmp_path, settings, django_capture_on_commit_callbacks, db
):
    settings.VAR_DIR = tmp_path
    with django_capture_on_commit_callbacks(execute=True):
        load_demo(today=TODAY, at=AT, vendor="sqlite")
    site = Site.objects.get(code=SITE_CODE)
    load_diary(site=site, today=TODAY, at=AT)
    states = Counter(Booking.objects.values_list("state", flat=True))
    assert set(states) == {"booked", "confirmed", "came", "missed", "moved"}
    assert states["booked"] + states["confirmed"] >= 10
    assert len(site.chairs.all()) == 4
    assert displaced(site, TODAY) == ()
    assert len(read_diary(site, AT).everyone) >= 3
    page = read_contacts(site, AT)
    assert [(one.patient_ref, one.tries, one.is_escalated) for one in page.to_reach] == [(MISSED, 2, True)]
    assert len(page.waiting) == 1
    assert trail.faults(TrailEntry.objects.all()) == []
    with pytest.raises(ValidationError):  # a unit that has its chairs is not set up again
        load_diary(site=site, today=TODAY, at=AT)
