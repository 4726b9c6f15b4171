"""Chairs and days: what is kept, what is refused with what is allowed, and who then has no place."""

from datetime import date, time, timedelta

import pytest
from django.core.exceptions import ValidationError
from django.db import IntegrityError, transaction

from patients.models import Patient
from programme.booking.models import Chair, ClosedDay, OpeningHours, OtherUse, Slot, StaffLimit
from programme.booking.queries.chairs import displaced, holidays_ahead
from programme.booking.queries.free import site_calendar
from programme.booking.services import chairs
from programme.core import trail
from programme.core.models import EditedMeanwhile, Site, TrailEntry
from tests.factories import NOW, TODAY, make_booking, make_chair, make_open_week, make_patient

pytestmark = pytest.mark.django_db
MONDAY = date(2026, 6, 8)


def add(row, by):
    return chairs.add(row=row, actor=by, at=NOW)


def change(row, fields, by, reason="agreed with the ward"):
    return chairs.change(row=row, fields=fields, reason=reason, actor=by, at=NOW)


def refused(row, by):
    with pytest.raises(ValidationError) as caught:
        add(row, by)
    assert not type(row).objects.filter(pk=row.pk).exists()
    assert TrailEntry.objects.count() == 0
    return " ".join(caught.value.messages)


def test_a_unit_set_up_from_nothing_has_places(site, coordinator):
    chair = add(Chair(site=site, name="Chair 1", since=TODAY), coordinator)
    add(Slot(chair=chair, starts=time(9), ends=time(15), since=TODAY), coordinator)
    add(OpeningHours(site=site, weekday=0, opens=time(8), closes=time(18), since=TODAY), coordinator)
    free = site_calendar(site, TODAY, TODAY + timedelta(days=13)).places()
    assert [(place.on, place.chair_name, place.starts) for place in free] == [
        (TODAY, "Chair 1", time(9)), (MONDAY, "Chair 1", time(9)),
    ]  # fmt: skip
    entries = TrailEntry.objects.order_by("number")
    assert [(row.action, row.actor) for row in entries] == [("add to diary", coordinator)] * 3
    assert entries[0].after["name"] == "Chair 1"
    assert trail.faults(TrailEntry.objects.all()) == []


def test_starts_of_a_chair_are_numbered_and_never_share_a_number(site, coordinator):
    chair = make_chair(site, ends=time(12))
    second = add(Slot(chair=chair, starts=time(13), ends=time(17), since=TODAY), coordinator)
    assert second.number == 2


@pytest.mark.parametrize("other", [(time(8), time(10)), (time(15), time(18)), (time(10), time(11))])
def test_a_start_that_meets_another_of_the_chair_is_refused(site, coordinator, other):
    chair = make_chair(site)  # 09:00 to 16:00
    said = refused(Slot(chair=chair, starts=other[0], ends=other[1], since=TODAY), coordinator)
    assert said.startswith("Chair 1 has a start from 09:00 to 16:00 (from Mon 1 Jan 2024)")
    assert "end that one first" in said


def test_a_start_may_follow_one_that_has_ended(site, coordinator):
    chair = make_chair(site)
    old = chair.slots.get()
    old.until = MONDAY
    change(old, ["until"], coordinator)
    new = Slot(chair=chair, starts=time(10), ends=time(16), since=MONDAY + timedelta(days=1))
    assert add(new, coordinator).pk


def test_a_weekday_has_one_set_of_hours_at_a_time(site, coordinator):
    make_open_week(site, weekdays=[0])
    said = refused(OpeningHours(site=site, weekday=0, opens=time(9), closes=time(12), since=MONDAY), coordinator)
    assert said == "Monday has hours from 08:00 to 18:00 (from Mon 1 Jan 2024); end those first."


def test_a_closed_day_in_the_past_is_refused(site, coordinator):
    said = refused(ClosedDay(site=site, on=TODAY - timedelta(days=1), words="training"), coordinator)
    assert said == "Sun 31 May 2026 is in the past; allowed is from today, Mon 1 Jun 2026, on."


def test_a_second_entry_for_a_day_is_refused(site, coordinator):
    ClosedDay.objects.create(site=site, on=MONDAY, words="training")
    assert "has an entry already" in refused(ClosedDay(site=site, on=MONDAY, words="again"), coordinator)


def test_a_last_day_long_past_would_rewrite_what_was(site, coordinator):
    chair = make_chair(site)
    chair.until = TODAY - timedelta(days=2)
    with pytest.raises(ValidationError, match="the earliest last day is yesterday, Sun 31 May 2026"):
        change(chair, ["until"], coordinator)
    chair.refresh_from_db()
    assert chair.until is None


def test_a_change_needs_its_reason_and_the_version_it_was_opened_at(site, coordinator):
    chair = make_chair(site)
    first, second = Chair.objects.get(pk=chair.pk), Chair.objects.get(pk=chair.pk)
    with pytest.raises(ValidationError, match="Say why"):
        change(first, ["note"], coordinator, reason=" ")
    first.note = "by the window"
    change(first, ["note"], coordinator, reason="moved")
    second.note = "by the door"
    with pytest.raises(EditedMeanwhile):
        change(second, ["note"], coordinator)
    entry = TrailEntry.objects.get()
    assert (entry.before["note"], entry.after["note"], entry.why) == ("", "by the window", "moved")


def test_rows_of_another_unit_are_refused(other_site, coordinator):
    with pytest.raises(ValidationError, match="another unit"):
        add(Chair(site=other_site, name="Chair 1", since=TODAY), coordinator)


@pytest.fixture
def booked(site):
    make_open_week(site)
    chair = make_chair(site)
    return make_booking(make_patient("R1", site=site), chair, on=MONDAY)


def whys(site):
    return [one.why for one in displaced(site, TODAY)]


def test_nobody_is_displaced_while_the_diary_holds(booked, site):
    assert whys(site) == []


@pytest.mark.parametrize(
    ("standing", "why"),
    [
        ({"standing": "left", "left_because": "died"}, "they are no longer on the programme (left the programme since"),
        ({"standing": "paused", "standing_review_on": MONDAY}, "they are no longer on the programme (paused since"),
    ],
)
def test_the_place_of_somebody_who_left_or_is_paused_is_displaced(booked, site, standing, why):
    Patient.objects.filter(pk=booked.patient_id).update(standing_since=TODAY, standing_reason="x", **standing)
    (said,) = whys(site)
    assert said.startswith(why)
    assert said.endswith("since Mon 1 Jun 2026)")


@pytest.mark.parametrize(
    ("row", "why"),
    [
        (lambda site, chair: ClosedDay(site=site, on=MONDAY, words="training"), "the unit is closed (training)"),
        (
            lambda site, chair: ClosedDay(site=site, on=MONDAY, closes=time(13), words="meeting"),
            "the unit is open from 08:00 to 13:00",
        ),
        (
            lambda site, chair: OtherUse(chair=chair, since=MONDAY, until=MONDAY, words="iron infusions"),
            "the chair is used for something else: iron infusions",
        ),
        (
            lambda site, chair: OtherUse(
                chair=chair, since=MONDAY, until=MONDAY, starts=time(15), ends=time(17), words="iron infusions"
            ),
            "the chair is used for something else: 15:00 to 17:00, iron infusions",
        ),
        (
            lambda site, chair: StaffLimit(site=site, since=MONDAY, most=0),
            "1 exchange would run at once where staff can run 0",
        ),
    ],
)
def test_who_is_booked_where_the_diary_changes_is_named_and_stays_booked(booked, site, coordinator, row, why):
    add(row(site, booked.chair), coordinator)
    assert whys(site) == [why]
    booked.refresh_from_db()
    assert booked.state == "booked"


def test_another_use_after_the_booking_displaces_nobody(booked, site, coordinator):
    row = OtherUse(chair=booked.chair, since=MONDAY, starts=booked.ends, ends=time(18), words="iron infusions")
    add(row, coordinator)
    assert whys(site) == []


@pytest.mark.parametrize(("starts", "ends"), [(None, time(12)), (time(8), None), (time(12), time(12))])
def test_hours_of_another_use_are_both_given_in_order_or_neither(site, coordinator, starts, ends):
    """Refused with what is allowed, and by the database itself."""
    row = OtherUse(chair=make_chair(site), since=MONDAY, starts=starts, ends=ends, words="top-ups")
    assert "Give both hours, the end after the start, or neither for the whole day." in str(refused(row, coordinator))
    with pytest.raises(IntegrityError), transaction.atomic():
        row.save()


def test_a_chair_given_up_displaces_who_is_booked_later(booked, site, coordinator):
    booked.chair.until = TODAY
    change(booked.chair, ["until"], coordinator)
    assert whys(site) == ["the chair has no start at 09:00 that day"]


def test_bank_holidays_ahead_are_those_that_nobody_has_answered(site):
    # Banking and Financial Dealings Act 1971 (UK), schedule 1: the last Monday in August, in 2026 the 31st.
    assert date(2026, 8, 31) in [on for on, _ in holidays_ahead(site, TODAY)]
    ClosedDay.objects.create(site=site, on=date(2026, 8, 31), works=True, words="worked")
    assert date(2026, 8, 31) not in [on for on, _ in holidays_ahead(site, TODAY)]


def other_holidays(site, by, **given):
    asked = {"country": "GB", "region": "SCT", "version": site.version, "reason": "the unit moved north"} | given
    return chairs.change_holidays(site=site, **asked, actor=by, at=NOW)


def test_other_bank_holidays_close_other_days_and_every_plan_is_stale(site, coordinator):
    """2 January, or a weekday in its place, is a bank holiday in Scotland; Easter Monday is none.

    Banking and Financial Dealings Act 1971, schedule 1.
    """
    patient, second_of_january, easter_monday = make_patient(site=site), date(2027, 1, 4), date(2027, 3, 29)
    make_open_week(site)

    def is_open(on):
        return site_calendar(Site.objects.get(pk=site.pk), on, on).days[0].open

    assert is_open(second_of_january) and not is_open(easter_monday)
    row = other_holidays(site, coordinator)
    assert (row.country, row.region, row.version) == ("GB", "SCT", site.version + 1)
    assert not is_open(second_of_january) and is_open(easter_monday)
    before, patient = patient.data_version, Patient.objects.get(pk=patient.pk)
    assert patient.data_version == before + 1
    said = TrailEntry.objects.get()
    assert (said.action, said.before, said.after) == (
        "change bank holidays", {"country": "GB", "region": "ENG"}, {"country": "GB", "region": "SCT"}
    )  # fmt: skip
    assert said.why == "the unit moved north"
    with pytest.raises(EditedMeanwhile):
        other_holidays(site, coordinator, region="WLS")


@pytest.mark.parametrize(
    ("given", "words"),
    [
        ({"region": ""}, "bank holidays of GB differ by region; name one of ENG, NIR, SCT, WLS"),
        ({"region": "XX"}, "GB has no region 'XX'; allowed is ENG, NIR, SCT, WLS"),
        ({"country": "QQ"}, "bank holidays of 'QQ' are not known; allowed are the ISO 3166 codes"),
        ({"region": "eng"}, "These hold already"),
        ({"reason": " "}, "reason"),
    ],
)
def test_bank_holidays_that_are_not_known_are_refused_with_what_is_allowed(site, coordinator, given, words):
    with pytest.raises(ValidationError) as caught:
        other_holidays(site, coordinator, **given)
    assert words in str(caught.value)
    assert Site.objects.get(pk=site.pk).region == "ENG"
    assert TrailEntry.objects.count() == 0
