"""The blood pages: what they say, what they refuse and keep, their papers, their queries, and only of the own site."""

import csv
import io
import re
import subprocess
from datetime import date, time, timedelta
from pathlib import Path

import pytest
from django.db import connection
from django.test.utils import CaptureQueriesContext
from django.urls import reverse
from django.utils.html import strip_tags

from patients.models import CrossmatchSample
from programme.booking.models import Booking, BookingState
from programme.core.receipts import new_key
from programme.supply.models import BloodOrder, OrderState, SuppliedUnit
from programme.supply.queries.coming import weeks_of
from programme.supply.queries.orders import blood_page
from programme.supply.services.units import ArrivedLabel, give_unit, issue_unit, take_in
from programme.supply.tables import HEADER
from sessions.day.numeric.samples import holds_at
from sessions.models import State, UnitState
from tests.blood import (
    FOR,
    make_booked,
    make_booking,
    make_open_unit,
    make_order,
    make_sample,
    make_sent,
    moment,
    number_of,
    typed,
)
from tests.conftest import client_of
from tests.factories import (
    NOW,
    TODAY,
    make_antibody,
    make_exchange_session,
    make_other_transfusion,
    make_patient,
    make_planned_session,
    make_site_setting,
    make_suggestion,
    make_unit,
    make_user,
)

pytestmark = [pytest.mark.django_db, pytest.mark.usefixtures("frozen_day")]


@pytest.fixture
def chair(site):
    return make_open_unit(site)


def page_of(site, now=NOW):
    return blood_page(site, now)


def text_of(response):
    return response.content.decode()


def post(client, order, what, **data):
    order.refresh_from_db()
    body = {"receipt": new_key(), "version": order.version, **data}
    return client.post(reverse("supply:act", args=[order.number, what]), body)


def kinds(line):
    return [alarm.kind for alarm in line.alarms]


# All orders


def test_the_page_shows_orders_and_bookings_that_wait_for_one(coordinator_client, chair, coordinator):
    make_sent(chair, by=coordinator, family_name="Larkspur", given_name="Kofi")
    make_booked(chair, by=coordinator, on=date(2026, 6, 15), family_name="Zeidan", given_name="Hanan")
    said = text_of(coordinator_client.get("/blood/"))
    assert "Larkspur, Kofi" in said
    assert "Zeidan, Hanan" in said
    assert "to order" in said
    assert "Draft 1 order" in said
    assert "C− E− K−" in strip_tags(said)


def test_drafting_and_sending_from_the_page_are_done_once(coordinator_client, site, chair, coordinator):
    make_booked(chair, by=coordinator)
    key = new_key()
    for _ in range(2):
        coordinator_client.post("/blood/draft/", {"receipt": key})
    (order,) = BloodOrder.objects.all()
    sending = {"receipt": new_key(), "number": order.number}
    said = [text_of(coordinator_client.post("/blood/send/", sending, follow=True)) for _ in range(2)]
    order.refresh_from_db()
    assert order.state == OrderState.SENT
    assert order.events.filter(what="sent").count() == 1
    assert ["Orders marked as sent: 1." in words for words in said] == [True, False]


def test_an_order_that_says_stop_does_not_go_with_the_others(coordinator_client, site, chair, coordinator):
    booking = make_booked(chair, by=coordinator)
    coordinator_client.post("/blood/draft/", {"receipt": new_key()})
    assert len(blood_page(site, NOW).to_send) == 1
    make_antibody(booking.patient, "anti-S")
    page = blood_page(site, NOW)
    assert page.lines[0].mark == "stop"
    assert page.to_send == ()
    sent = {"receipt": new_key(), "number": page.lines[0].number}  # from a page that was opened before
    said = text_of(coordinator_client.post("/blood/send/", sent, follow=True))
    assert "needs changed since it was drafted (S− must be matched too; anti-S found since)" in said
    assert BloodOrder.objects.get().state == OrderState.DRAFTED
    post(coordinator_client, BloodOrder.objects.get(), "renew")
    post(coordinator_client, BloodOrder.objects.get(), "send", late_reason="antibody found; telephoned")
    assert BloodOrder.objects.get().state == OrderState.SENT


def test_a_booking_without_a_plan_is_named_with_the_reason(coordinator_client, site, chair, coordinator):
    make_booking(make_patient(site=site), chair, by=coordinator)
    response = coordinator_client.post("/blood/draft/", {"receipt": new_key()}, follow=True)
    assert "not drafted, there is no suggestion yet." in text_of(response)
    assert BloodOrder.objects.count() == 0


def test_without_anything_the_page_says_so(coordinator_client):
    assert "No order is open" in text_of(coordinator_client.get("/blood/"))


# What is loud


def test_an_order_in_line_with_everything_is_quiet(site, chair, coordinator):
    make_order(chair, by=coordinator)
    (line,) = page_of(site).lines
    assert (line.alarms, line.mark) == ((), "dash")


def test_a_plan_or_needs_changed_after_ordering_are_loud(site, chair, coordinator):
    order = make_sent(chair, by=coordinator)
    make_antibody(order.patient, "anti-Jk(b)")
    order.patient.suggestion.delete()
    make_suggestion(order.patient, next_date=FOR, body={"session": {"units": 6}})
    (line,) = page_of(site).lines
    assert kinds(line) == ["needs", "units"]
    assert line.alarms[0].words == ("Needs changed after ordering: Jk(b)− must be matched too; anti-Jk(b) found since.")
    assert line.alarms[1].words == "The plan is now 6 units; 5 are on the order."
    assert line.mark == "stop"


def test_a_booking_that_moved_or_fell_away_is_loud(site, chair, coordinator):
    order = make_sent(chair, by=coordinator)
    booking = order.booking
    booking.state, booking.ended_reason = BookingState.MOVED, "asked"
    booking.save()
    make_booking(order.patient, chair, by=coordinator, on=date(2026, 6, 19), moved_from=booking, starts=time(10))
    assert "The booking moved to Fri 19 Jun: move the order with it, or release." in [
        alarm.words for line in page_of(site).lines for alarm in line.alarms
    ]
    booking.state = BookingState.CANCELLED
    booking.save()
    assert kinds(page_of(site).lines[0]) == ["no_booking"]


def test_a_sample_that_does_not_hold_at_the_start_is_loud(site, chair, coordinator):
    """72 h by the clock before Friday 12 June 09:00 in London is Tuesday 9 June 09:00, 08:00 UTC."""
    order = make_sent(chair, by=coordinator)
    sample = make_sample(order.patient, moment(9, 7, 59))
    now = moment(10, 9)
    assert "sample" in kinds(page_of(site, now).lines[0])
    sample.taken_at = moment(9, 8)
    sample.save()
    (line,) = page_of(site, now).lines
    assert "sample" not in kinds(line)
    assert line.sample.holds
    assert line.sample.short_of_end  # at 14:00 it has run out: later units may not be started on it


def test_the_hours_for_a_sample_say_from_when_it_holds_to_the_booked_end(site, chair, coordinator, coordinator_client):
    """Start Friday 12 June 09:00, end 14:00, 72 h by the clock: from Tuesday 9 June 09:00, to the end from 14:00."""
    order = make_sent(chair, by=coordinator)
    sample = page_of(site, moment(5, 9)).lines[0].sample
    assert [sample.first, sample.to_end_from] == [moment(9, 8), moment(9, 13)]  # an hour later in London
    rule = sample.rule
    starts, ends = moment(12, 8), moment(12, 13)
    assert holds_at(sample.first, starts, rule)
    assert not holds_at(sample.first, starts + timedelta(minutes=1), rule)
    assert holds_at(sample.to_end_from, ends, rule)
    assert not holds_at(sample.to_end_from - timedelta(minutes=1), ends, rule)
    for page in (reverse("supply:order", args=[order.number]), reverse("supply:blood")):
        assert "from Tue 9 Jun 14:00 it holds to the end" in text_of(coordinator_client.get(page))
    later = page_of(site, moment(9, 13, 1)).lines[0].sample
    assert not later.window_falls_short


def test_hours_of_which_none_holds_to_the_booked_end_say_so(site, chair, coordinator, coordinator_client):
    """By hand: a sample holds 26 h, and is needed 20 h before the start of Friday 09:00, London time."""
    for name, value in (("sample_valid_hours", 26), ("crossmatch_hours", 20)):
        make_site_setting(site=site, name=name, value=value)
    make_sent(chair, by=coordinator)
    Booking.objects.update(starts=time(9), ends=time(14))
    sample = page_of(site, moment(5, 9)).lines[0].sample
    # From Thursday 07:00, opened at 08:00, to 13:00, twenty hours before Friday 09:00; to the end it would be 12:00
    assert (sample.first, sample.last, sample.to_end_from) == (moment(11, 7), moment(11, 12), moment(11, 11))
    Booking.objects.update(ends=time(17))  # to the end: Thursday 15:00, after the last hour
    short = page_of(site, moment(5, 9)).lines[0].sample
    assert (short.window_falls_short, short.to_end_from) == (True, None)
    assert "none of these hours holds to the booked end" in text_of(coordinator_client.get(reverse("supply:blood")))


def test_the_sample_of_a_second_booking_counts_the_red_cells_of_the_one_before(site, chair, coordinator):
    """No red cells for 120 days, so a sample holds 7 days for Wednesday 10 June; on 8 July, 28 days after those of 10
    June, it holds 72 h again: from Monday 6 July, since Sunday 5 at 09:00 is closed. One taken now is not for July."""
    patient = make_booked(chair, by=coordinator, on=date(2026, 6, 10)).patient
    make_exchange_session(patient, on=TODAY - timedelta(days=120))
    make_booking(patient, chair, by=coordinator, on=date(2026, 7, 8))
    make_sample(patient, moment(5, 8))
    june, july = page_of(site, moment(5, 9)).lines
    assert (june.sample.rule.hours, june.sample.holds) == (168, True)
    assert (july.sample.rule.hours, july.sample.rule.why) == (72, "red cells booked for 2026-06-10")
    assert (july.sample.holds, july.sample.first) == (None, moment(6, 7, month=7))


def test_a_sample_that_still_holds_is_good_for_the_exchange_of_the_day_after_too(site, chair, coordinator):
    """72 h by the clock to the start, whatever is given meanwhile (Milkins et al., Transfus Med 2013;23:3-35, as quoted
    where the rule is): the chair takes it, so the order asked for a second sample that nobody needs."""
    first = make_booked(chair, by=coordinator, on=date(2026, 6, 2))
    patient = first.patient
    for day in (3, 5):
        make_booking(patient, chair, by=coordinator, on=date(2026, 6, day))
    make_exchange_session(patient, on=date(2026, 5, 11))
    make_sample(patient, NOW - timedelta(hours=6))
    second, last = (line.sample for line in blood_page(site, NOW).lines[1:])
    assert (second.rule.hours, second.holds, second.taken_at) == (72, True, NOW - timedelta(hours=6))
    assert (last.holds, last.taken_at) == (None, None)


def test_where_no_sample_can_be_taken_any_more_it_is_loud(site, chair, coordinator):
    make_sent(chair, by=coordinator)
    last = moment(12, 5, 59)  # 06:59 in London: samples are taken from 8, and two hours before 9 is 7
    (line,) = page_of(site, last).lines
    assert [alarm.words for alarm in line.alarms if alarm.kind == "sample"] == [
        "No crossmatch sample can be taken in time at the usual hours."
    ]
    assert page_of(site, moment(11, 9)).samples_today == page_of(site, moment(11, 9)).lines


def test_what_most_orders_lack_is_one_sentence_and_what_has_not_come_stands_first(
    site, chair, coordinator, coordinator_client
):
    days = (date(2026, 6, 8), date(2026, 6, 9), date(2026, 6, 10), FOR)
    orders = [make_sent(chair, by=coordinator, on=on, at=moment(1, 8 + n)) for n, on in enumerate(days)]
    BloodOrder.objects.update(state="confirmed", confirmed_units=5)
    CrossmatchSample.objects.exclude(patient=orders[0].patient).delete()
    found = page_of(site, moment(8, 9))
    assert found.loud[0][1].kind == "not_come"
    assert "one_sample" not in [alarm.kind for _, alarm in found.loud]
    assert [one.split(" of 4 orders")[0] for one in found.shared] == ["For 3"]
    assert [line.mark for line in found.lines] == ["stop", "check", "check", "check"]
    said = text_of(coordinator_client.get(reverse("supply:blood")))
    assert said.count("no sample is recorded that found it") == 0
    assert "For 3 of 4 orders the group rests on fewer samples" in said
    own = text_of(coordinator_client.get(reverse("supply:order", args=[orders[1].number])))
    assert "no sample is recorded that found it" in own
    BloodOrder.objects.filter(pk__in=[one.pk for one in orders[2:]]).update(state="ended")
    assert page_of(site, moment(8, 9)).shared == ()  # one of two is not most of them


def test_not_sent_in_time_and_not_answered_are_loud(site, chair, coordinator):
    order = make_order(chair, by=coordinator)
    assert kinds(page_of(site, moment(8, 9)).lines[0]) == ["due"]
    assert kinds(page_of(site, moment(9, 9)).lines[0]) == ["late"]
    BloodOrder.objects.filter(pk=order.pk).update(state="sent")
    order.events.create(at=moment(2, 9), by=coordinator, what="sent")
    assert kinds(page_of(site, moment(3, 9)).lines[0]) == []
    assert page_of(site, moment(4, 9)).lines[0].alarms[0].words == "not confirmed, sent 2 days ago: telephone."


@pytest.mark.parametrize(
    ("session_on", "sent", "quiet", "loud"),
    [
        (date(2026, 6, 15), moment(11, 15), moment(11, 16), moment(12, 8)),  # Monday: the Friday before it
        (date(2026, 6, 17), moment(15, 15), moment(15, 16), moment(16, 8)),  # Wednesday: Tuesday
        # Tuesday 1 Sep after Monday 31 Aug, the Summer bank holiday of England (gov.uk/bank-holidays): Friday 28 Aug
        (date(2026, 9, 1), moment(27, 15, month=8), moment(27, 16, month=8), moment(28, 8, month=8)),
    ],
)
def test_blood_not_confirmed_is_loud_from_the_working_day_before(
    site, chair, coordinator, session_on, sent, quiet, loud
):
    order = make_order(chair, by=coordinator, on=session_on, at=sent - timedelta(days=7))
    BloodOrder.objects.filter(pk=order.pk).update(state="sent")
    order.events.create(at=sent, by=coordinator, what="sent")
    assert "answer" not in kinds(page_of(site, quiet).lines[0])
    assert "answer" in kinds(page_of(site, loud).lines[0])
    assert "answer" in kinds(page_of(site, loud + timedelta(days=1)).lines[0])
    BloodOrder.objects.filter(pk=order.pk).update(state="part", confirmed_units=1)
    found = [alarm.words for alarm in page_of(site, quiet).lines[0].alarms if alarm.kind == "answer"]
    assert found == ["4 of 5 not confirmed, sent today: telephone."]


# One order


def test_a_part_confirmation_with_what_was_substituted(coordinator_client, chair, coordinator):
    order = make_sent(chair, by=coordinator)
    response = post(coordinator_client, order, "answer", units=3, words="C− is short", substitution="")
    assert response.status_code == 302
    said = text_of(coordinator_client.get(response.url))
    assert "3 of 5 confirmed" in said
    assert "C− is short" in said


def test_a_refused_answer_keeps_what_was_typed(coordinator_client, chair, coordinator):
    order = make_sent(chair, by=coordinator)
    said = text_of(post(coordinator_client, order, "answer", units=9, words="so many", substitution="none"))
    assert "allowed is 0 to the 5 that were ordered" in said
    assert 'value="so many"' in said
    assert 'value="9"' in said
    said = text_of(post(coordinator_client, order, "answer", units="many"))
    assert "Units confirmed: Enter a whole number." in said
    order.refresh_from_db()
    assert order.confirmed_units == 0


def test_a_page_opened_before_somebody_elses_change_does_not_overwrite_it(coordinator_client, chair, coordinator):
    order = make_sent(chair, by=coordinator)
    stale = order.version
    post(coordinator_client, order, "answer", units=5)
    body = {"receipt": new_key(), "version": stale, "units": 2, "words": "x"}
    said = text_of(coordinator_client.post(reverse("supply:act", args=[order.number, "answer"]), body))
    assert "changed by someone else" in said
    order.refresh_from_db()
    assert order.confirmed_units == 5


def test_units_arrive_and_are_followed_from_the_page(coordinator_client, chair, coordinator):
    order = make_sent(chair, by=coordinator)
    numbers = f"{typed(1)}\n{typed(2)}"
    post(coordinator_client, order, "arrive", numbers=numbers, group="A+", negatives="C, E", hbs_negative="on")
    first, second = SuppliedUnit.objects.order_by("pk")
    said = text_of(coordinator_client.get(reverse("supply:order", args=[order.number])))
    assert "Not as asked: group A +, O + was asked for; not entered as negative: K" in said
    assert said.count("not confirmed") == 3
    there = reverse("supply:unit", args=[order.number, first.pk])
    body = {"receipt": new_key(), "version": first.version, "act": "discarded", "why": ""}
    assert "Say why" in text_of(coordinator_client.post(there, body))
    coordinator_client.post(there, {**body, "receipt": new_key(), "why": "bag torn"})
    first.refresh_from_db()
    assert (first.state, first.end_reason) == ("discarded", "bag torn")
    assert second.state == "arrived"


def test_an_answer_says_until_when_units_are_held_and_the_sheet_repeats_it(coordinator_client, chair, coordinator):
    order = make_sent(chair, by=coordinator)
    there = reverse("supply:order", args=[order.number])
    assert 'name="held_on" autocomplete="off" value="13 Jun 2026"' in text_of(coordinator_client.get(there))
    wrong = text_of(post(coordinator_client, order, "answer", units="5", held_on="", held_at="18:00"))
    assert "Held until, day: An hour alone does not say until when: give the day too." in wrong
    post(coordinator_client, order, "answer", units="5", held_on="2026-06-12", held_at="08:30")
    said = text_of(coordinator_client.get(there))
    assert "held until Fri 12 Jun 08:30 only, and the exchange starts on Fri 12 Jun 09:00" in said
    assert "Held for the person until Fri 12 Jun 08:30" in said
    post(coordinator_client, order, "answer", units="5", held_on="2026-06-14", held_at="")
    assert "only, and the exchange starts" not in text_of(coordinator_client.get(there))
    (row,) = csv.DictReader(io.StringIO(text_of(coordinator_client.get("/blood/order-sheet.csv")), newline=""))
    assert row["held_until"] == "2026-06-14T23:59+01:00"
    for page in ("/blood/", "/blood/coming/"):
        assert "held until Sun 14 Jun 23:59" in text_of(coordinator_client.get(page))


def test_a_unit_is_returned_from_the_page_with_its_times(coordinator_client, chair, coordinator):
    order = make_sent(chair, by=coordinator)
    (unit,) = take_in(order=order, version=order.version, labels=[ArrivedLabel(typed(1))], actor=coordinator, at=NOW)
    unit = issue_unit(unit=unit, version=unit.version, actor=coordinator, at=NOW - timedelta(minutes=40))
    there, shown = reverse("supply:unit", args=[order.number, unit.pk]), reverse("supply:order", args=[order.number])
    assert "not started: back in storage by 09:50, or not returned" in text_of(coordinator_client.get(shown))
    body = {"version": unit.version, "act": "returned", "why": "called off"}
    late = text_of(coordinator_client.post(there, {**body, "receipt": new_key()}))
    assert "Out of controlled storage from 09:20 to 10:00, 40 min; the limit here is 30 min" in late
    assert "discarded, unless the blood bank decides otherwise" in late
    coordinator_client.post(there, {**body, "receipt": new_key(), "back_at": "09:45"})
    unit.refresh_from_db()
    assert (unit.state, unit.return_decided) == ("returned", "")
    assert "(out of storage 09:20 to 09:45, 25 min)" in text_of(coordinator_client.get(shown))


def test_the_group_found_on_a_sample_is_entered_from_the_records(nurse_client, chair, coordinator):
    patient = make_sent(chair, by=coordinator).patient
    sample = make_sample(patient, NOW - timedelta(hours=3))
    there = reverse("bedside:group_found", args=[patient.patient_ref, sample.pk])
    assert there in text_of(nurse_client.get(reverse("worklist:records", args=[patient.patient_ref])))
    body = {"receipt": nurse_client.get(there).context["page"].forms[0]["receipt"].value()}
    assert "Give both ABO and D" in text_of(nurse_client.post(there, {**body, "abo": "O"}))
    assert nurse_client.post(there, {**body, "abo": "O", "rhd": "-"}).status_code == 302
    sample.refresh_from_db()
    assert (sample.abo, sample.rhd) == ("O", "-")
    said = text_of(nurse_client.get(reverse("worklist:records", args=[patient.patient_ref])))
    assert "O, D negative" in said
    other = make_sample(make_patient(), NOW)
    assert nurse_client.get(reverse("bedside:group_found", args=[patient.patient_ref, other.pk])).status_code == 404


def test_what_cannot_be_read_as_units_is_refused_with_the_field(coordinator_client, chair, coordinator):
    order = make_sent(chair, by=coordinator)
    wrong = {"numbers": typed(1), "negatives": "K+", "collected_on": "2026-06-02", "expires_on": "2026-06-01"}
    said = text_of(post(coordinator_client, order, "arrive", **wrong))
    assert "Negative for: K is entered as positive" in said
    assert "1 Jun 2026 is before the donation on 2 Jun 2026" in said
    assert SuppliedUnit.objects.count() == 0


def test_a_released_order_can_be_made_anew_once(coordinator_client, chair, coordinator):
    order = make_sent(chair, by=coordinator)
    assert "Order again" not in text_of(coordinator_client.get(reverse("supply:order", args=[order.number])))
    assert "is open for this booking already" in text_of(post(coordinator_client, order, "again"))
    post(coordinator_client, order, "release", why="plan was withdrawn")
    assert "Order again" in text_of(coordinator_client.get(reverse("supply:order", args=[order.number])))
    assert post(coordinator_client, order, "again").status_code == 302
    assert list(BloodOrder.objects.order_by("number").values_list("number", "state")) == [
        (1, OrderState.CANCELLED), (2, OrderState.DRAFTED),
    ]  # fmt: skip


def test_nothing_else_is_done_with_an_order(coordinator_client, chair, coordinator):
    order = make_sent(chair, by=coordinator)
    assert post(coordinator_client, order, "substitute").status_code == 404
    assert post(coordinator_client, order, "send").status_code == 200
    assert "only one that is drafted is sent" in text_of(post(coordinator_client, order, "send"))


# Access


def test_orders_of_another_site_are_as_unknown_as_none(elsewhere_client, other_site, chair, coordinator):
    order = make_sent(chair, by=coordinator)
    take_in(order=order, version=order.version, labels=[ArrivedLabel(typed(1))], actor=coordinator, at=NOW)
    assert elsewhere_client.get(reverse("supply:order", args=[order.number])).status_code == 404
    assert post(elsewhere_client, order, "release", why="x").status_code == 404
    assert elsewhere_client.get(reverse("supply:order_pdf", args=[order.number])).status_code == 404
    assert elsewhere_client.get(reverse("supply:person", args=[order.patient.patient_ref])).status_code == 404
    said = text_of(elsewhere_client.get(reverse("supply:trace"), {"number": number_of(1)}))
    assert "No unit of this donation is in the records of this unit." in said
    assert order.patient.family_name not in text_of(elsewhere_client.get("/blood/"))


# Papers


def test_the_order_sheet_says_all_a_blood_bank_needs(coordinator_client, chair, coordinator):
    order = make_sent(chair, by=coordinator, family_name="Larkspur", given_name="Kofi")
    make_antibody(order.patient, "anti-Fy(a)")
    for address in ("/blood/order-sheet.pdf", f"/blood/orders/{order.number}.pdf"):
        response = coordinator_client.get(address)
        assert response["Content-Type"] == "application/pdf"
        read = subprocess.run(["pdftotext", "-", "-"], input=response.content, capture_output=True, check=True)
        said = " ".join(read.stdout.decode().split())
        assert "Order 1: 5 units for 12 Jun 2026, 09:00" in said
        assert re.search(r"Larkspur, Kofi, \S+, born 14 Mar 1994", said)
        assert "O, D positive, C− E− K−, HbS-negative" in said
        assert "Needs changed after ordering: Fy(a)− must be matched too" in said
        assert "decided by the blood bank" in said
        assert "Group found on 2 samples recorded here, last 21 Feb 2026" in said
        assert "Antibodies elsewhere last asked for 2 May 2026" in said


def test_the_table_has_one_line_an_order_and_no_formula(coordinator_client, chair, coordinator):
    make_sent(chair, by=coordinator, family_name="=SUM(A1)", given_name="")
    text = coordinator_client.get("/blood/order-sheet.csv").content.decode()
    rows = list(csv.DictReader(io.StringIO(text, newline="")))
    assert tuple(rows[0]) == HEADER
    (row,) = rows
    assert row["name"].startswith("'=SUM(A1)")
    assert (row["abo"], row["rhd"], row["negative"], row["units"]) == ("O", "positive", "C E K", "5")
    assert row["for_at"] == "2026-06-12T09:00+01:00"
    assert row["order_by"] == "2026-06-08"
    assert row["birth_date"] == "1994-03-14"
    assert (row["group_samples"], row["antibodies_asked_elsewhere_on"], row["held_until"]) == ("2", "2026-05-02", "")
    window = [row[name] for name in ("sample_first", "sample_last", "sample_holds_to_end_from")]
    assert window == ["2026-06-09T09:00+01:00", "2026-06-11T16:00+01:00", "2026-06-09T14:00+01:00"]
    assert row["to_settle"] == ""


def test_the_table_says_of_an_order_what_no_longer_fits(coordinator_client, chair, coordinator):
    order = make_order(chair, by=coordinator)
    make_antibody(order.patient, "anti-Jk(b)")
    order.patient.suggestion.delete()
    make_suggestion(order.patient, next_date=FOR, body={"session": {"units": 8}})
    (row,) = csv.DictReader(io.StringIO(coordinator_client.get("/blood/order-sheet.csv").content.decode(), newline=""))
    assert row["units"] == "5"
    assert "Jk(b)− must be matched too" in row["to_settle"]
    assert "The plan is now 8 units; 5 are on the order." in row["to_settle"]


def test_the_columns_of_the_order_sheet_are_those_of_the_readme():
    readme = (Path(__file__).parents[3] / "README.md").read_text()
    assert re.search(rf"^    {','.join(HEADER)}$", readme, re.MULTILINE)


# What is coming, and looking back


def test_a_weeks_units_are_the_sum_of_its_groups(coordinator_client, site, chair, coordinator):
    for days in (0, 3, 5, 7):
        make_sent(chair, by=coordinator, on=FOR + timedelta(days=days))
    weeks = weeks_of(page_of(site).lines)
    assert [(week.monday, week.units, len(week.lines)) for week in weeks] == [
        (date(2026, 6, 8), 5, 1), (date(2026, 6, 15), 15, 3),
    ]  # fmt: skip
    assert all(week.units == sum(units for _, units in week.groups) for week in weeks)
    assert "15 units (15 O +), 0 confirmed" in text_of(coordinator_client.get("/blood/coming/"))


def test_all_recipients_of_one_donation_are_found(coordinator_client, site, chair, coordinator):
    """One donation can make two products: both recipients are found, whether an order or only a session says so."""
    order = make_sent(chair, by=coordinator, family_name="Larkspur", given_name="Kofi")
    (unit,) = take_in(
        order=order, version=order.version, labels=[ArrivedLabel(typed(1), product_code="E0336V00")],
        actor=coordinator, at=NOW,
    )  # fmt: skip
    unit = issue_unit(unit=unit, version=unit.version, actor=coordinator, at=moment(12, 9))
    give_unit(unit=unit, version=unit.version, actor=coordinator, at=moment(12, 9))
    other = make_patient(site=site, family_name="Zeidan", given_name="Hanan")
    exchange_session = make_planned_session(other, on=date(2026, 5, 4), state=State.CLOSED)
    make_unit(exchange_session, donation_number=number_of(1), product_code="E0336V0B", state=UnitState.GIVEN)
    nobody = make_patient(site=site, family_name="Nobody")
    waste = make_planned_session(nobody, on=date(2026, 5, 4), state=State.CLOSED)
    make_unit(waste, donation_number=number_of(1), product_code="E0336V0C", state=UnitState.DISCARDED, end_reason="x")
    for asked in (number_of(1), typed(1)):
        said = text_of(coordinator_client.get("/blood/trace/", {"number": asked}))
        assert "2 people were given blood of this donation" in said
        lede = said[said.index("2 people were") : said.index("</p>", said.index("2 people were"))]
        assert "Larkspur, Kofi" in lede
        assert "Zeidan, Hanan" in lede
        assert "Nobody" not in lede
    said = text_of(coordinator_client.get("/blood/trace/", {"number": "Z9990"}))
    assert "Not read:" in said


def test_all_donations_of_one_person_are_found(coordinator_client, site, chair, coordinator):
    order = make_sent(chair, by=coordinator)
    patient = order.patient
    old = make_planned_session(patient, on=date(2026, 5, 4), state=State.CLOSED)
    for place in (1, 2):
        make_unit(old, place=place, donation_number=number_of(10 + place), state=UnitState.GIVEN)
    take_in(order=order, version=order.version, labels=[ArrivedLabel(typed(1))], actor=coordinator, at=NOW)
    said = text_of(coordinator_client.get(reverse("supply:person", args=[patient.patient_ref])))
    assert [f"Z9990 26 {serial:06d}" in said for serial in (1, 11, 12, 13)] == [True, True, True, False]
    assert "Not all" not in said


def test_a_persons_donations_say_what_they_leave_out(coordinator_client, site, chair, coordinator):
    """Five units of which two have numbers, an older session without any, and a transfusion elsewhere."""
    patient = make_sent(chair, by=coordinator).patient
    for on, units in ((date(2026, 4, 6), 4), (date(2026, 5, 4), 5)):
        session = make_planned_session(patient, on=on, state=State.CLOSED, units=units)
    for place in (1, 2):
        make_unit(session, place=place, donation_number=number_of(10 + place), state=UnitState.GIVEN)
    make_unit(session, place=3, donation_number=number_of(13), state=UnitState.RETURNED, end_reason="not needed")
    make_other_transfusion(patient)
    said = text_of(coordinator_client.get(reverse("supply:person", args=[patient.patient_ref])))
    assert "Of 7 units in 2 sessions (6 Apr 2026 to 4 May 2026) no donation number is recorded here." in said
    assert "1 other transfusion is recorded without its donations." in said


# Queries


@pytest.mark.parametrize("address", ["/blood/", "/blood/coming/", "/blood/order-sheet.csv"])
def test_the_pages_of_all_orders_ask_a_fixed_number_of_queries(coordinator_client, chair, coordinator, address):
    counts = []
    for n in range(3):
        order = make_sent(chair, by=coordinator, on=FOR + timedelta(days=7 * n))
        take_in(order=order, version=order.version, labels=[ArrivedLabel(typed(n))], actor=coordinator, at=NOW)
        make_sent(chair, by=coordinator, on=FOR + timedelta(days=7 * n + 3))
        make_booked(chair, by=coordinator, on=FOR + timedelta(days=7 * n + 4))
        if n != 1:
            with CaptureQueriesContext(connection) as seen:
                assert coordinator_client.get(address).status_code == 200
            counts.append(len(seen))
    assert counts[0] == counts[1] <= 54


def test_an_order_and_the_tracing_ask_a_fixed_number_of_queries(coordinator_client, chair, coordinator):
    order = make_sent(chair, by=coordinator)
    addresses = (f"/blood/orders/{order.number}/", f"/blood/people/{order.patient.patient_ref}/")
    counts = {address: [] for address in addresses}
    for n in range(3):
        order.refresh_from_db()
        take_in(order=order, version=order.version, labels=[ArrivedLabel(typed(n))], actor=coordinator, at=NOW)
        if n != 1:
            for address in addresses:
                coordinator_client.get(address)  # the first look is written down; the next one is not
                with CaptureQueriesContext(connection) as seen:
                    assert coordinator_client.get(address).status_code == 200
                counts[address].append(len(seen))
    assert all(one == three for one, three in counts.values())


def test_every_open_order_has_a_booking_of_the_same_person_and_site(site, chair, coordinator):
    """Law over everything that can be done: drafted, sent, moved; no order is left without its booking."""
    for days in range(0, 5, 2):
        make_sent(chair, by=coordinator, on=date(2026, 6, 15) + timedelta(days=days))
    make_order(chair, by=make_user(role="nurse", site=site))
    for order in BloodOrder.objects.open():
        assert order.booking.patient_id == order.patient_id
        assert order.booking.chair.site_id == order.site_id == site.pk
        assert order.booking.state in (BookingState.BOOKED, BookingState.CONFIRMED)


def test_a_nurse_may_order_too(site, chair, nurse, coordinator):
    make_booked(chair, by=coordinator)
    assert client_of(nurse).post("/blood/draft/", {"receipt": new_key()}).status_code == 302
    assert BloodOrder.objects.count() == 1
