"""Orders follow from bookings and plans, and from nothing else."""

from datetime import date, time, timedelta

import pytest
from django.core.exceptions import ValidationError

from patients.models import Antibody, BodyMeasure
from programme.booking.models import BookingState
from programme.core import trail
from programme.core.models import EditedMeanwhile, TrailEntry
from programme.core.settings_of_site import site_settings
from programme.supply.models import BloodOrder, OrderEvent, OrderState, SuppliedUnit
from programme.supply.numeric.needs import needs_from_dict
from programme.supply.queries.orders import blood_page
from programme.supply.queries.short import blood_of_bookings
from programme.supply.services.following import follow_booking
from programme.supply.services.orders import (
    answer_order,
    draft_order,
    draft_orders,
    release_order,
    renew_order,
    tell_order,
)
from programme.supply.services.sending import send_order, send_orders
from programme.supply.services.units import ArrivedLabel, take_in
from tests.blood import FOR, make_booked, make_booking, make_open_unit, make_order, make_sent, moment, typed
from tests.factories import (
    NOW,
    TODAY,
    make_antibody,
    make_forecast,
    make_patient,
    make_planned_session,
    make_prescription,
    make_site_setting,
    make_suggestion,
    make_unavailable_suggestion,
    suggestion_body,
    suggestion_options,
)

pytestmark = pytest.mark.django_db


@pytest.fixture
def chair(site):
    return make_open_unit(site)


def states(site):
    return {order.booking_id: order.state for order in BloodOrder.objects.filter(site=site)}


def notes(site, now):
    return blood_of_bookings(site, site_settings(site, now), now)


# Drafting


def test_every_booking_in_reach_gets_one_order_and_asking_again_changes_nothing(site, chair, coordinator):
    bookings = [make_booked(chair, by=coordinator, on=FOR + timedelta(days=7 * week)) for week in range(4)]
    made = draft_orders(site=site, actor=coordinator, at=NOW)
    assert [order.booking for order in made.orders] == bookings
    assert [order.number for order in made.orders] == [1, 2, 3, 4]
    before = list(BloodOrder.objects.values_list("pk", "version"))
    again = draft_orders(site=site, actor=coordinator, at=NOW + timedelta(hours=1))
    assert again.orders == again.left == ()
    assert list(BloodOrder.objects.values_list("pk", "version")) == before
    assert OrderEvent.objects.count() == 4


def test_an_order_says_what_the_person_needs_and_what_the_number_came_from(site, chair, coordinator):
    booking = make_booked(chair, by=coordinator)
    make_antibody(booking.patient, "anti-Jk(b)")
    (order,) = draft_orders(site=site, actor=coordinator, at=NOW).orders
    needs = needs_from_dict(order.needs)
    assert (needs.group, needs.match, needs.hbs_negative) == ("O +", "C− E− K− Jk(b)−", True)
    assert order.units == 5
    assert order.plan == {"units": 5, "data_version": booking.patient.data_version}
    assert order.for_at == moment(12, 8)  # nine by the clock of London in June
    # Ten working days for an antibody: two weeks before Friday 12 June is 29 May.
    assert order.order_by == date(2026, 5, 29)


WORKING = {
    "hb_before_g_l": 95.0,
    "hb_before_sd_g_l": 3.0,
    "blood_volume_ml": 4200.0,
    "mixing": 1.0,
    "mixing_rel_sd": 0.05,
}


def suggested_for(patient, on, **fields):
    """Five units for a day, with what is needed to reckon them for another; HbS 18 % after and 0.6 points a day."""
    patient.suggestion.delete()
    BodyMeasure.objects.create(patient=patient, on=date(2026, 5, 4), weight_kg=62.0, height_cm=168.0)
    make_forecast(patient)
    body = suggestion_body(patient, end_target_hbs_pct=25.0)
    made = {"next_date": on, "options": suggestion_options(working=WORKING), "body": body, **fields}
    return make_suggestion(patient, **made)


def test_units_are_those_of_the_booked_day_where_it_is_not_the_suggested_one(site, chair, coordinator):
    """HbS is 18 + 0.6 points a day after 4 May: 37 % on 5 June, 52 % on 30 June, and the end target is the same: so the
    later day asks for more."""
    near = make_booked(chair, by=coordinator, on=date(2026, 6, 5))
    later = make_booked(chair, by=coordinator, on=date(2026, 6, 30))
    for booking in (near, later):
        suggested_for(booking.patient, date(2026, 6, 4))
    planned = {row.starts.date(): row for row in blood_page(site, NOW).lines}
    draft_orders(site=site, actor=coordinator, at=NOW)
    plans = {order.booking_id: order.plan for order in BloodOrder.objects.all()}
    assert plans[near.pk]["hbs_before_pct"] == pytest.approx(18 + 0.6 * 32, abs=0.06)
    assert plans[later.pk]["hbs_before_pct"] == pytest.approx(18 + 0.6 * 57, abs=0.06)
    assert plans[later.pk]["units"] > plans[near.pk]["units"]
    assert plans[later.pk]["for_day"] == "2026-06-30"
    assert [alarm.kind for row in planned.values() for alarm in row.alarms] == []


def test_units_that_cannot_be_reckoned_for_the_booked_day_say_for_which_day_they_are(site, chair, coordinator):
    booking = make_booked(chair, by=coordinator, on=date(2026, 6, 30))
    booking.patient.suggestion.delete()
    make_suggestion(booking.patient, next_date=date(2026, 6, 3))
    words = "Units are reckoned for Wed 3 Jun, 27 days earlier: ask a prescriber how many Tue 30 Jun takes."
    assert [alarm.words for alarm in blood_page(site, NOW).lines[0].alarms] == [words]
    draft_orders(site=site, actor=coordinator, at=NOW)
    (alarm,) = blood_page(site, NOW).lines[0].alarms
    assert (alarm.level, alarm.words) == ("check", words)
    booking.patient.suggestion.delete()
    make_suggestion(booking.patient, next_date=date(2026, 6, 27))
    assert blood_page(site, NOW).lines[0].alarms == ()


def test_a_booking_after_the_next_one_keeps_the_suggested_units_for_a_session_lies_between(site, chair, coordinator):
    first = make_booked(chair, by=coordinator, on=date(2026, 6, 5))
    make_booking(first.patient, chair, by=coordinator, on=date(2026, 7, 3))
    suggested_for(first.patient, date(2026, 6, 5))
    lines = blood_page(site, NOW).lines
    assert [(line.units, line.alarms) for line in lines] == [(5, ()), (5, ())]


SERIES = [{"date": "2026-06-05", "units": 5}, {"date": "2026-06-08", "units": 2}, {"date": "2026-06-09", "units": 1}]


def test_a_further_session_of_a_series_is_ordered_for_as_it_was_foreseen(site, chair, coordinator):
    """Asked for like the first, the second day would have reserved five units of which two are given."""
    first = make_booked(chair, by=coordinator, on=date(2026, 6, 5))
    for on in (date(2026, 6, 9), date(2026, 7, 7)):  # the second a day later than foreseen; then the next exchange
        make_booking(first.patient, chair, by=coordinator, on=on)
    options = suggestion_options(working=WORKING, series=SERIES)
    suggested_for(first.patient, date(2026, 6, 5), options=options)
    assert [(line.units, line.alarms) for line in blood_page(site, NOW).lines] == [(5, ()), (2, ()), (5, ())]
    draft_orders(site=site, actor=coordinator, at=NOW)
    assert BloodOrder.objects.get(booking__on=date(2026, 6, 9)).plan["foreseen_for"] == "2026-06-08"


def test_once_the_first_is_signed_its_plan_says_what_the_second_takes(site, chair, coordinator, consultant):
    first = make_booked(chair, by=coordinator, on=TODAY)
    make_booking(first.patient, chair, by=coordinator, on=date(2026, 6, 3))
    options = suggestion_options(working=WORKING, series=[])
    suggested_for(first.patient, date(2026, 6, 15), options=options)
    session = make_planned_session(first.patient, on=TODAY, state="closed")
    series = [{"date": "2026-06-01", "units": 6}, {"date": "2026-06-02", "units": 3}]
    plan = make_prescription(session, signed_by=consultant, units=6, predicted={"series": series})
    second = blood_page(site, NOW).lines[-1]
    assert (second.starts.date(), second.units) == (date(2026, 6, 3), 3)
    session.state, session.ended_reason = "abandoned", "faint"
    session.save()
    assert blood_page(site, NOW).lines[-1].units == 5, "what was given up foresees nothing"
    assert plan.units == 6


def test_four_working_days_where_there_is_no_antibody(chair, coordinator):
    assert make_order(chair, by=coordinator).order_by == date(2026, 6, 8)


def test_a_signed_plan_of_that_day_goes_before_the_suggestion(site, chair, coordinator, consultant):
    booking = make_booked(chair, by=coordinator)
    make_prescription(make_planned_session(booking.patient, on=FOR), signed_by=consultant, units=3)
    (order,) = draft_orders(site=site, actor=coordinator, at=NOW).orders
    assert order.plan == {"units": 3, "prescription": 1}


def test_where_nothing_is_planned_nothing_is_drafted_and_it_says_why(site, chair, coordinator):
    without, locked = make_patient(site=site), make_patient(site=site)
    make_unavailable_suggestion(locked, reason="possible delayed haemolysis")
    for patient, days in ((without, 0), (locked, 3)):
        make_booking(patient, chair, by=coordinator, on=FOR + timedelta(days=days))
    found = draft_orders(site=site, actor=coordinator, at=NOW)
    assert found.orders == ()
    assert [why for _, why in found.left] == ["there is no suggestion yet.", "possible delayed haemolysis"]


def test_bookings_that_do_not_stand_or_lie_out_of_reach_get_none(site, chair, coordinator):
    away = {"state": BookingState.CANCELLED, "ended_reason": "closed"}
    patient = make_booked(chair, by=coordinator, on=NOW.date() + timedelta(days=43)).patient
    make_booking(patient, chair, by=coordinator, **away)
    make_booking(patient, chair, by=coordinator, on=NOW.date() - timedelta(days=1))
    assert draft_orders(site=site, actor=coordinator, at=NOW).orders == ()
    make_booking(patient, chair, by=coordinator, on=NOW.date() + timedelta(days=42))
    assert len(draft_orders(site=site, actor=coordinator, at=NOW).orders) == 1


# Sending and the answer


def test_an_order_is_sent_in_time_without_and_late_only_with_a_reason(chair, coordinator):
    order = make_order(chair, by=coordinator)
    late = moment(9, 9)
    with pytest.raises(ValidationError, match="was to be sent by 2026-06-08"):
        send_order(order=order, version=order.version, actor=coordinator, at=late)
    sent = send_order(
        order=order, version=order.version, actor=coordinator, at=late, late_reason="booked only today, telephoned"
    )
    assert (sent.state, sent.late_reason) == (OrderState.SENT, "booked only today, telephoned")


def test_an_order_after_its_time_is_refused_saying_what_is_allowed(chair, coordinator):
    order = make_order(chair, by=coordinator)
    with pytest.raises(ValidationError, match="which has passed: allowed is before that"):
        send_order(order=order, version=order.version, actor=coordinator, at=moment(12, 8), late_reason="x")
    order.refresh_from_db()
    assert order.state == OrderState.DRAFTED


def test_several_are_sent_together_or_none(site, chair, coordinator):
    first = make_order(chair, by=coordinator)
    late = make_order(chair, by=coordinator, on=date(2026, 6, 4))  # four working days before: Friday 29 May
    with pytest.raises(ValidationError, match="Say why it goes now"):
        send_orders(site=site, numbers=[first.number, late.number], actor=coordinator, at=NOW)
    assert set(states(site).values()) == {OrderState.DRAFTED}
    with pytest.raises(ValidationError, match="No order 99"):
        send_orders(site=site, numbers=[99], actor=coordinator, at=NOW)
    assert [one.state for one in send_orders(site=site, numbers=[first.number], actor=coordinator, at=NOW)] == ["sent"]


def test_a_draft_is_not_sent_before_it_is_what_the_plan_and_the_booking_ask_for(site, chair, coordinator):
    """Neither alone nor with others, also from a page that was opened before; renewed, it goes."""
    order = make_order(chair, by=coordinator)
    order.patient.suggestion.delete()
    make_suggestion(order.patient, next_date=FOR, body={"session": {"units": 8}})
    assert blood_page(site, NOW).to_send == ()
    for send in (
        lambda: send_orders(site=site, numbers=[order.number], actor=coordinator, at=NOW),
        lambda: send_order(order=order, version=order.version, actor=coordinator, at=NOW),
    ):
        with pytest.raises(ValidationError, match=r"the plan changed .* \(8 units now, 5 on the order\)"):
            send()
    renewed = renew_order(order=order, version=order.version, actor=coordinator, at=NOW)
    assert [line.number for line in blood_page(site, NOW).to_send] == [order.number]
    renewed.booking.starts = time(10)
    renewed.booking.save()
    assert blood_page(site, NOW).to_send == ()
    with pytest.raises(ValidationError, match=r"the start changed .* \(booked for 2026-06-12 10:00\)"):
        send_order(order=renewed, version=renewed.version, actor=coordinator, at=NOW)
    renewed = renew_order(order=renewed, version=renewed.version, actor=coordinator, at=NOW)
    (sent,) = send_orders(site=site, numbers=[order.number], actor=coordinator, at=NOW)
    assert (sent.units, sent.state) == (8, OrderState.SENT)


def test_a_draft_for_which_nothing_is_planned_now_goes_by_itself_only(site, chair, coordinator):
    order = make_order(chair, by=coordinator)
    order.patient.suggestion.delete()
    assert blood_page(site, NOW).to_send == ()
    with pytest.raises(ValidationError, match="no units are planned now: there is no suggestion yet"):
        send_orders(site=site, numbers=[order.number], actor=coordinator, at=NOW)
    assert send_order(order=order, version=order.version, actor=coordinator, at=NOW).state == OrderState.SENT


def test_the_day_to_send_a_draft_by_follows_lead_times_and_bank_holidays_of_now(site, chair, coordinator):
    """Friday 12 June less four working days is Monday 8, less five it is Friday 5: worked by hand."""
    order = make_order(chair, by=coordinator)
    (line,) = blood_page(site, NOW).lines
    assert line.order_by == order.order_by == date(2026, 6, 8)
    make_site_setting(site=site, name="lead_days", value=5)
    (line,) = blood_page(site, NOW).lines
    assert line.order_by == date(2026, 6, 5)
    with pytest.raises(ValidationError, match="was to be sent by 2026-06-05"):
        send_order(order=order, version=order.version, actor=coordinator, at=moment(8, 9))
    assert notes(site, moment(8, 9))[order.booking_id].words == "blood not sent in time"
    sent = send_order(order=order, version=order.version, actor=coordinator, at=moment(5, 9))
    assert (sent.order_by, sent.late_reason) == (date(2026, 6, 5), "")


@pytest.mark.parametrize(("units", "state"), [(0, OrderState.SENT), (3, OrderState.PART), (5, OrderState.CONFIRMED)])
def test_an_answer_in_whole_in_part_or_none(chair, coordinator, units, state):
    order = make_sent(chair, by=coordinator)
    found = answer_order(
        order=order, version=order.version, units=units, words="C- units are short this week", actor=coordinator,
        at=NOW, substitution="two C+ after talking to the haematologist",
    )  # fmt: skip
    assert (found.state, found.confirmed_units) == (state, units)
    assert found.substitution == "two C+ after talking to the haematologist"
    event = found.events.order_by("-pk").first()
    said = "C- units are short this week; instead: two C+ after talking to the haematologist"
    assert event.words == said + ("; held until 2026-06-13 23:59 by the setting here" if units else "")
    assert needs_from_dict(found.needs).match == "C− E− K−"  # what was asked stays as it was asked


def test_a_part_needs_words_and_more_than_ordered_is_refused(chair, coordinator):
    order = make_sent(chair, by=coordinator)
    with pytest.raises(ValidationError, match="Fewer than ordered"):
        answer_order(order=order, version=order.version, units=2, words=" ", actor=coordinator, at=NOW)
    with pytest.raises(ValidationError, match="allowed is 0 to the 5 that were ordered"):
        answer_order(order=order, version=order.version, units=6, words="x", actor=coordinator, at=NOW)


def test_a_drafted_order_cannot_be_answered_and_a_stale_page_cannot_overwrite(chair, coordinator):
    order = make_order(chair, by=coordinator)
    with pytest.raises(ValidationError, match="only one that is sent, confirmed in part, confirmed, arrived can be"):
        answer_order(order=order, version=order.version, units=5, words="", actor=coordinator, at=NOW)
    send_order(order=order, version=order.version, actor=coordinator, at=NOW)
    with pytest.raises(EditedMeanwhile):
        answer_order(order=order, version=order.version, units=5, words="", actor=coordinator, at=NOW)


# Plans, needs and bookings that change


def test_renewing_puts_the_order_in_line_with_the_plan_and_needs_of_today(chair, coordinator):
    order = make_sent(chair, by=coordinator)
    order = answer_order(order=order, version=order.version, units=5, words="", actor=coordinator, at=NOW)
    patient = order.patient
    patient.suggestion.delete()
    body = {"session": {"units": 6}}
    make_suggestion(patient, body=body)
    Antibody.objects.create(patient=patient, name="anti-Fy(a)")
    renewed = renew_order(order=order, version=order.version, actor=coordinator, at=NOW)
    assert (renewed.units, renewed.confirmed_units, renewed.state) == (6, 5, OrderState.PART)
    words = renewed.events.order_by("-pk").first().words
    assert words == "6 units instead of 5; Fy(a)− must be matched too; anti-Fy(a) found since"


def test_a_moved_booking_takes_its_order_along_and_no_second_one_is_drafted(site, chair, coordinator):
    order = make_sent(chair, by=coordinator)
    old = order.booking
    old.state, old.ended_reason = BookingState.MOVED, "asked for another day"
    old.save()
    new = make_booking(order.patient, chair, by=coordinator, on=date(2026, 6, 19), moved_from=old, starts=time(10))
    assert draft_orders(site=site, actor=coordinator, at=NOW).orders == ()
    words = follow_booking(old, new, coordinator, NOW)
    order.refresh_from_db()
    assert (order.booking, order.for_at, order.order_by) == (new, moment(19, 9), date(2026, 6, 15))
    assert (order.state, order.units) == (OrderState.SENT, 5)
    assert "tell the blood bank" in words
    assert draft_orders(site=site, actor=coordinator, at=NOW).orders == ()


def told(order, by, words="S. Marsh by telephone"):
    order.refresh_from_db()
    return tell_order(order=order, version=order.version, words=words, actor=by, at=NOW)


def test_what_changed_after_it_was_sent_stays_loud_until_the_blood_bank_was_told(site, chair, coordinator, nurse):
    """Renewed twice: both changes are to be told, and the answer to the old order no longer counts."""
    order = make_sent(chair, by=coordinator)
    order = answer_order(order=order, version=order.version, units=5, words="", actor=coordinator, at=NOW)
    assert blood_page(site, NOW).lines[0].mark_words == "Ready"
    for name in ("anti-Fy(a)", "anti-S"):
        Antibody.objects.create(patient=order.patient, name=name)
        order = renew_order(order=order, version=order.version, actor=coordinator, at=NOW)
    first, second = "Fy(a)− must be matched too; anti-Fy(a) found since", "S− must be matched too; anti-S found since"
    assert order.to_tell == f"{first}; {second}"
    assert notes(site, NOW)[order.booking_id].words == "blood bank not told"
    line = blood_page(site, NOW).lines[0]
    assert (line.mark_words, [alarm.kind for alarm in line.alarms]) == ("Stop", ["untold"])
    with pytest.raises(ValidationError, match="record first that the blood bank was told"):
        answer_order(order=order, version=order.version, units=5, words="", actor=coordinator, at=NOW)
    with pytest.raises(ValidationError, match="Say who was told"):
        told(order, nurse, " ")
    order = told(order, nurse)
    assert (order.state, order.confirmed_units, order.to_tell) == (OrderState.SENT, 0, "")
    event = order.events.order_by("-pk").first()
    assert (event.what, event.by) == ("told", nurse)
    assert event.words.startswith("S. Marsh by telephone; Fy(a)− must be matched too")
    assert blood_page(site, NOW).lines[0].mark_words == "Waiting"
    with pytest.raises(ValidationError, match="Nothing was changed since"):
        told(order, nurse)


def test_a_moved_booking_must_be_told_and_units_that_are_here_stay_here(site, chair, coordinator):
    order = make_sent(chair, by=coordinator)
    label = {"abo": "O", "rhd": "+", "negatives": "C E K", "hbs_negative": True}
    labels = [ArrivedLabel(typed(n), expires_on=date(2026, 6, 17), **label) for n in range(1, 6)]
    take_in(order=order, version=order.version, labels=labels, actor=coordinator, at=NOW)
    assert blood_page(site, NOW).lines[0].mark_words == "Ready"
    old = order.booking
    old.state, old.ended_reason = BookingState.MOVED, "asked for another day"
    old.save()
    new = make_booking(order.patient, chair, by=coordinator, on=date(2026, 6, 19), moved_from=old)
    assert "stays loud" in follow_booking(old, new, coordinator, NOW)
    line = blood_page(site, NOW).lines[0]
    assert [alarm.kind for alarm in line.alarms] == ["untold", "expired", "held", "other_day"]
    assert line.alarms[1].words.count("expires on Wed 17 Jun") == 5
    assert told(order, coordinator).state == OrderState.ARRIVED
    assert [alarm.kind for alarm in blood_page(site, NOW).lines[0].alarms] == ["expired", "held", "other_day"]
    assert notes(site, NOW)[new.pk].words == "blood will have expired"


def test_a_drafted_order_has_nobody_to_tell(chair, coordinator):
    order = make_order(chair, by=coordinator)
    Antibody.objects.create(patient=order.patient, name="anti-S")
    renewed = renew_order(order=order, version=order.version, actor=coordinator, at=NOW)
    assert (renewed.state, renewed.to_tell) == (OrderState.DRAFTED, "")


def test_units_that_no_longer_match_are_loud_wherever_the_order_is_read(site, chair, coordinator):
    """An antibody found after the units came in: nothing says ready, here or in the list."""
    order = make_sent(chair, by=coordinator)
    label = {"abo": "O", "rhd": "+", "negatives": "C E K", "hbs_negative": True, "expires_on": FOR}
    labels = [ArrivedLabel(typed(n), **label) for n in range(1, 6)]
    take_in(order=order, version=order.version, labels=labels, actor=coordinator, at=NOW)
    Antibody.objects.create(patient=order.patient, name="anti-Jk(a)")
    order.refresh_from_db()
    renew_order(order=order, version=order.version, actor=coordinator, at=NOW)
    told(order, coordinator)
    line = blood_page(site, NOW).lines[0]
    assert [(alarm.level, alarm.kind) for alarm in line.alarms] == [("check", "unstated")]
    assert "Jka" in line.alarms[0].words
    SuppliedUnit.objects.update(abo="A")
    line = blood_page(site, NOW).lines[0]
    assert (line.mark_words, line.alarms[0].kind) == ("Stop", "unlike")
    assert notes(site, NOW)[order.booking_id].words == "blood does not match"


def test_a_booking_whose_order_was_released_says_that_no_blood_is_ordered(site, chair, coordinator):
    order = make_sent(chair, by=coordinator)
    release_order(order=order, version=order.version, why="ill", actor=coordinator, at=NOW)
    (line,) = blood_page(site, NOW).lines
    assert (line.number, line.released, line.mark_words) == (None, order.number, "Stop")
    words = "No blood is ordered: order 1 was released (ill). Order again, or cancel the booking."
    assert line.alarms[0].words == words
    assert blood_page(site, NOW).to_draft == ()
    assert notes(site, NOW)[order.booking_id].words == "no blood ordered"
    draft_order(booking=order.booking, actor=coordinator, at=NOW)
    assert [line.released for line in blood_page(site, NOW).lines] == [None]
    assert notes(site, NOW)[order.booking_id].words == "blood drafted"


def test_a_cancelled_booking_releases_what_was_not_sent_and_leaves_the_rest_loud(chair, coordinator):
    drafted = make_order(chair, by=coordinator)
    sent = make_sent(chair, by=coordinator, on=date(2026, 6, 15))
    for order in (drafted, sent):
        order.booking.state, order.booking.ended_reason = BookingState.CANCELLED, "ill"
        order.booking.save()
    assert follow_booking(drafted.booking, None, coordinator, NOW) == "Order 1 was not sent yet and is released."
    assert "stays open: move or release it" in follow_booking(sent.booking, None, coordinator, NOW)
    drafted.refresh_from_db()
    sent.refresh_from_db()
    assert (drafted.state, sent.state) == (OrderState.CANCELLED, OrderState.SENT)
    with pytest.raises(ValidationError, match="does not stand any more"):
        renew_order(order=sent, version=sent.version, actor=coordinator, at=NOW)


def test_after_a_missed_visit_the_held_order_moves_to_the_next_booking_and_is_not_doubled(site, chair, coordinator):
    order = make_sent(chair, by=coordinator)
    order.booking.state = BookingState.MISSED
    order.booking.save()
    new = make_booking(order.patient, chair, by=coordinator, on=date(2026, 6, 19))
    assert draft_orders(site=site, actor=coordinator, at=NOW).orders == ()
    moved = renew_order(order=order, version=order.version, actor=coordinator, at=NOW)
    assert (moved.booking, moved.for_at, moved.units) == (new, moment(19, 8), 5)
    assert moved.events.order_by("-pk").first().what == "moved"
    assert draft_orders(site=site, actor=coordinator, at=NOW).orders == ()


def test_releasing_needs_a_reason_and_sends_units_in_the_fridge_back(site, chair, coordinator):
    order = make_sent(chair, by=coordinator)
    take_in(order=order, version=order.version, labels=[ArrivedLabel(typed(1))], actor=coordinator, at=NOW)
    order.refresh_from_db()
    with pytest.raises(ValidationError, match="Say why"):
        release_order(order=order, version=order.version, why=" ", actor=coordinator, at=NOW)
    released = release_order(order=order, version=order.version, why="not needed", actor=coordinator, at=NOW)
    unit = SuppliedUnit.objects.get()
    assert (released.state, unit.state, unit.end_reason) == ("cancelled", "returned", "not needed")
    assert draft_orders(site=site, actor=coordinator, at=NOW).orders == ()  # released on purpose


def test_every_step_is_in_the_trail_and_in_the_order_with_who_and_when(chair, coordinator, nurse):
    order = make_sent(chair, by=coordinator)
    answer_order(order=order, version=order.version, units=5, words="", actor=nurse, at=NOW)
    assert [(event.what, event.by) for event in order.events.order_by("pk")] == [
        ("drafted", coordinator), ("sent", coordinator), ("5 of 5 confirmed", nurse),
    ]  # fmt: skip
    entries = TrailEntry.objects.filter(patient_key=order.patient_id)
    assert [entry.action for entry in entries.order_by("number")] == [
        "blood order: drafted", "blood order: sent", "blood order: 5 of 5 confirmed",
    ]  # fmt: skip
    assert trail.faults(TrailEntry.objects.all()) == []
