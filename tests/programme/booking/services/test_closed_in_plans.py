"""Nobody is suggested a day on which the diary has the unit closed."""

from datetime import date, timedelta

import pytest
from django.core.exceptions import ValidationError

from programme.booking.models import ClosedDay, OpeningHours
from programme.booking.services import chairs
from programme.core.models import Site
from programme.planning import services
from programme.planning.inputs import closed_days
from programme.planning.models import Suggestion
from tests.factories import NOW, TODAY, make_course, make_facts, make_open_week, make_patient

pytestmark = pytest.mark.django_db
SUMMER_BANK_HOLIDAY = date(2026, 8, 31)  # last Monday of August: Banking and Financial Dealings Act 1971, sch. 1


@pytest.fixture
def patient(site):
    """Somebody with a steady course, and what is suggested to them."""
    found = make_patient("SM-001", site=site)
    for done in make_course(found, last_on=date(2026, 5, 18), end_pct=12.0, pace_pct_per_day=0.5):
        make_facts(done, hbs_before_pct=26.0, hbs_after_pct=12.0)
    services.renew([found.pk], NOW)
    return found


def suggested() -> date:
    on = Suggestion.objects.get().next_date
    assert on is not None
    return on


def closed(site: Site, *days: date) -> list[bool]:
    found = closed_days(site, TODAY)
    return [day.toordinal() in found for day in days]


def test_a_unit_without_a_diary_is_closed_on_bank_holidays_only(site):
    ClosedDay.objects.create(site=site, on=date(2026, 6, 9), words="training day")  # no opening hours: no diary yet
    assert closed(site, SUMMER_BANK_HOLIDAY, date(2026, 6, 8), date(2026, 6, 9)) == [True, False, False]


def test_what_the_diary_says_goes_before_bank_holidays_and_reaches_to_its_last_open_day(site):
    make_open_week(site, weekdays=(0, 1, 2, 3))
    ClosedDay.objects.create(site=site, on=SUMMER_BANK_HOLIDAY, works=True, words="worked")
    ClosedDay.objects.create(site=site, on=date(2026, 6, 9), words="training day")
    ClosedDay.objects.create(site=site, on=date(2026, 6, 10), closes="13:00", words="meeting")
    friday, days = date(2026, 6, 12), (SUMMER_BANK_HOLIDAY, date(2026, 6, 9), date(2026, 6, 10))
    assert closed(site, *days, friday) == [False, True, False, True]
    OpeningHours.objects.filter(site=site).update(until=date(2026, 6, 9))
    assert closed(site, date(2026, 6, 4), date(2026, 6, 5)) == [False, True]  # the last open day is Monday 8 June
    assert closed(site, *days, friday) == [True, False, False, False]


def test_a_day_that_closes_lets_another_be_suggested_at_once(
    site, patient, coordinator, django_capture_on_commit_callbacks
):
    make_open_week(site)
    was = suggested()
    row = ClosedDay(site=site, on=was, words="training day")
    with django_capture_on_commit_callbacks(execute=True):
        row = chairs.add(row=row, actor=coordinator, at=NOW)
    assert (was.weekday(), suggested()) == (0, was - timedelta(days=3))  # the Friday before the Monday
    row.works, moved = True, suggested()
    with django_capture_on_commit_callbacks(execute=True):
        row = chairs.change(row=row, fields=["works"], reason="no training", actor=coordinator, at=NOW)
    assert suggested() == moved  # nobody loses a day that is open; the next replan finds the better one
    services.renew([patient.pk], NOW)
    assert suggested() == was


def test_weekdays_that_close_let_another_be_suggested_at_once(
    site, patient, coordinator, django_capture_on_commit_callbacks
):
    make_open_week(site)
    was = suggested()
    hours = OpeningHours.objects.get(site=site, weekday=was.weekday())
    hours.until = TODAY
    with django_capture_on_commit_callbacks(execute=True):
        chairs.change(row=hours, fields=["until"], reason="no nurse", actor=coordinator, at=NOW)
    assert suggested().weekday() != was.weekday()


def test_where_the_diary_refuses_nobody_is_reckoned_anew(
    site, patient, coordinator, django_capture_on_commit_callbacks
):
    make_open_week(site)
    with django_capture_on_commit_callbacks(execute=True) as hooks, pytest.raises(ValidationError):
        chairs.add(row=ClosedDay(site=site, on=TODAY - timedelta(days=1), words="late"), actor=coordinator, at=NOW)
    assert hooks == []
