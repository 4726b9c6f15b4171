"""What the blood bank lives by: a group on two samples, units kept until a time, a return within the cold chain."""

from datetime import timedelta

import pytest
from django.core.exceptions import ValidationError

from patients.models import CheckDone, CrossmatchSample
from patients.services import record_group_found, withdraw_sample
from programme.booking.models import BookingState
from programme.core.models import SiteSetting, TrailEntry
from programme.supply.models import SuppliedUnit
from programme.supply.queries.order import order_page
from programme.supply.queries.orders import blood_page
from programme.supply.services.chair import follow_bedside
from programme.supply.services.orders import answer_order, renew_order, tell_order
from programme.supply.services.units import ArrivedLabel, issue_unit, put_away_unit, take_in
from tests.blood import FOR, make_booking, make_open_unit, make_sample, make_sent, moment, number_of, typed
from tests.factories import NOW, TODAY, make_planned_session, make_unit

pytestmark = pytest.mark.django_db
MORNING = moment(12, 7)


@pytest.fixture
def chair(site):
    return make_open_unit(site)


@pytest.fixture
def order(chair, coordinator):
    return make_sent(chair, by=coordinator)


def line_of(order, now=NOW):
    (line,) = blood_page(order.site, now).lines
    return line


def loud(order, now=NOW):
    return {alarm.kind: alarm.words for alarm in line_of(order, now).alarms}


def answered(order, by, at=NOW, **more):
    order.refresh_from_db()
    return answer_order(order=order, version=order.version, units=5, words="", actor=by, at=at, **more)


def came(order, by, *serials, at=MORNING):
    order.refresh_from_db()
    labels = [ArrivedLabel(typed(serial)) for serial in serials]
    return take_in(order=order, version=order.version, labels=labels, actor=by, at=at)


# The group


def test_an_order_says_that_its_group_rests_on_one_sample_until_a_second_found_the_same(order, nurse):
    CrossmatchSample.objects.order_by("taken_at").first().delete()
    assert "rests on one sample, of 21 Feb 2026" in loud(order)["one_sample"]
    second = make_sample(order.patient, NOW - timedelta(hours=2))
    assert "one_sample" in loud(order), "a sample of which no group is known confirms none"
    record_group_found(sample=second, abo="O", rhd="+", actor=nurse, at=NOW)
    assert "one_sample" not in loud(order)
    entry = TrailEntry.objects.get(action="record group found")
    assert (entry.before["abo"], entry.after["abo"], entry.after["rhd"]) == ("", "O", "+")
    withdraw_sample(sample=second, why="wrong tube", actor=nurse, at=NOW)
    assert "one_sample" in loud(order)


def test_a_sample_that_found_another_group_stops_the_order(order, nurse):
    sample = make_sample(order.patient, NOW - timedelta(hours=2))
    record_group_found(sample=sample, abo="A", rhd="+", actor=nurse, at=NOW)
    assert loud(order)["group_differs"].startswith("The sample of Mon 1 Jun was A +, recorded is O +")
    assert line_of(order).mark == "stop"


def test_where_one_sample_is_enough_nothing_is_said(order):
    CrossmatchSample.objects.order_by("taken_at").first().delete()
    SiteSetting.objects.create(
        site=order.site, name="group_samples_needed", value=1, since=NOW - timedelta(days=1), reason="electronic"
    )
    assert "one_sample" not in loud(order)


def test_a_group_found_is_whole_and_corrected_only_with_a_reason(order, nurse):
    sample = make_sample(order.patient, NOW - timedelta(hours=2))
    given = {"sample": sample, "actor": nurse, "at": NOW}
    with pytest.raises(ValidationError, match="both ABO and D"):
        record_group_found(**given, abo="O", rhd="")
    record_group_found(**given, abo="O", rhd="-")
    with pytest.raises(ValidationError, match="recorded for this sample already"):
        record_group_found(**given, abo="O", rhd="-")
    with pytest.raises(ValidationError, match="Say why"):
        record_group_found(**given, abo="O", rhd="+")
    assert record_group_found(**given, abo="O", rhd="+", why="read wrongly").rhd == "+"
    withdraw_sample(sample=sample, why="wrong tube", actor=nurse, at=NOW)
    with pytest.raises(ValidationError, match="was withdrawn"):
        record_group_found(**given, abo="O", rhd="-", why="x")


# Antibodies known elsewhere


def test_the_day_on_which_others_were_asked_for_antibodies_is_said_and_loud_where_old_or_never(order):
    assert line_of(order).elsewhere_on == TODAY - timedelta(days=30)
    assert "elsewhere" not in loud(order)
    CheckDone.objects.update(on=TODAY - timedelta(days=366))
    assert "366 days ago" in loud(order)["elsewhere"]
    CheckDone.objects.update(withdrawn_at=NOW, withdrawn_reason="another person")
    assert "never asked for" in loud(order)["elsewhere"]
    SiteSetting.objects.create(
        site=order.site,
        name="check_antibodies_elsewhere_days",
        value=0,
        since=NOW - timedelta(days=1),
        reason="one hospital",
    )
    assert "elsewhere" not in loud(order)


# Units are kept until


def test_units_are_kept_as_the_blood_bank_said_else_as_the_setting_has_it(order, coordinator):
    """Planned for Friday 12 June: to the end of the day after, 22:59 UTC in summer."""
    row = answered(order, coordinator)
    assert row.held_until == moment(13, 22, 59)
    assert row.events.order_by("-pk").first().words == "held until 2026-06-13 23:59 by the setting here"
    row = answered(order, coordinator, held_until=moment(12, 18))
    assert row.held_until == moment(12, 18)
    came(row, coordinator, 1)
    row.refresh_from_db()
    assert row.held_until == moment(12, 18), "what was said before stays where an arrival says nothing new"


def test_a_time_that_has_passed_is_refused(order, coordinator):
    with pytest.raises(ValidationError, match=r"2026-06-01 09:59 has passed: allowed is from now on"):
        answered(order, coordinator, held_until=NOW - timedelta(minutes=1))


def test_a_booking_that_moved_beyond_the_time_of_its_units_is_loud_until_they_are_kept_longer(
    order, chair, coordinator
):
    row = answered(order, coordinator)
    assert "held" not in loud(row)
    later = FOR + timedelta(days=3)
    make_booking(order.patient, chair, by=coordinator, on=later, moved_from=order.booking)
    order.booking.state, order.booking.ended_reason = BookingState.MOVED, "asked for another day"
    order.booking.save()
    row.refresh_from_db()
    row = renew_order(order=row, version=row.version, actor=coordinator, at=NOW)
    assert loud(row)["held"].startswith(
        "The units are held until Sat 13 Jun 23:59 only, and the exchange starts on Mon"
    )
    row = tell_order(order=row, version=row.version, words="telephoned", actor=coordinator, at=NOW)
    assert order_page(row, NOW).hold_until == moment(16, 22, 59), "the form proposes the day after the new one"
    assert "held" not in loud(answered(row, coordinator))


# Back in storage


def test_an_issued_unit_is_returned_within_the_limit_only_or_as_the_blood_bank_decides(order, nurse):
    first, second, third = came(order, nurse, 1, 2, 3)
    out = moment(12, 9)
    first, second = (issue_unit(unit=unit, version=unit.version, actor=nurse, at=out) for unit in (first, second))
    given = {"state": "returned", "why": "not needed", "actor": nurse}
    half_past = out + timedelta(minutes=30)
    put_away_unit(unit=first, version=first.version, at=out + timedelta(hours=2), back_at=half_past, **given)
    with pytest.raises(ValidationError) as refused:
        put_away_unit(unit=second, version=second.version, at=out + timedelta(minutes=47), **given)
    (words,) = refused.value.message_dict["decided"]
    assert "Out of controlled storage from 10:00 to 10:47, 47 min; the limit here is 30 min" in words
    assert "is discarded, unless the blood bank decides otherwise" in words
    assert SuppliedUnit.objects.get(pk=second.pk).state == "issued"
    second = put_away_unit(
        unit=second, version=second.version, at=out + timedelta(minutes=47), decided="Dr Ives", **given
    )
    assert (second.back_at, second.return_decided) == (out + timedelta(minutes=47), "Dr Ives")
    entry = TrailEntry.objects.filter(action="blood unit: returned").order_by("pk").last()
    assert entry.after["return_decided"] == "Dr Ives"
    assert "out of storage from 10:00 to 10:47, as decided by Dr Ives" in order.events.order_by("pk").last().words
    put_away_unit(unit=third, version=third.version, at=out, **given)  # it never left the fridge
    assert SuppliedUnit.objects.get(pk=third.pk).back_at is None


@pytest.mark.parametrize("minutes", [-1, 31])
def test_back_before_it_left_or_in_the_future_is_refused(order, nurse, minutes):
    (unit,) = came(order, nurse, 1)
    unit = issue_unit(unit=unit, version=unit.version, actor=nurse, at=moment(12, 9))
    with pytest.raises(ValidationError, match=r"allowed is 12 Jun 10:00 to now"):
        put_away_unit(
            unit=unit, version=unit.version, state="returned", why="x", actor=nurse, at=moment(12, 9, 30),
            back_at=moment(12, 9) + timedelta(minutes=minutes),
        )  # fmt: skip


def test_a_unit_at_the_chair_says_by_when_it_must_be_back(order, nurse):
    (unit,) = came(order, nurse, 1)
    issue_unit(unit=unit, version=unit.version, actor=nurse, at=moment(12, 9))
    (shown,) = order_page(order, moment(12, 9, 5)).units
    assert f"{shown.back_by.astimezone(NOW.tzinfo):%H:%M}" == "09:30"


def test_a_return_at_the_chair_brings_its_times_along(order, nurse):
    came(order, nurse, 1)
    exchange_session = make_planned_session(order.patient, on=FOR, state="running", started_at=moment(12, 8))
    make_unit(
        exchange_session, place=20, donation_number=number_of(1), state="returned", end_reason="not needed",
        out_of_storage_at=moment(12, 9), back_in_storage_at=moment(12, 9, 47), return_decided="Dr Ives",
    )  # fmt: skip
    follow_bedside((order.patient_id,), moment(12, 10))
    (shown,) = order_page(order, moment(12, 10)).units
    assert shown.state == "returned"
    assert shown.out_words == "out of storage 09:00 to 09:47, 47 min; taken back as decided by Dr Ives"
