"""Every unit that comes in is followed to its end, and to one end only."""

from dataclasses import replace
from datetime import date, timedelta

import pytest
from django.core.exceptions import ValidationError
from django.db import IntegrityError, transaction
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from patients.services import finish_change
from programme.core import changes
from programme.core.models import TrailEntry
from programme.supply.models import OrderState, SuppliedUnit
from programme.supply.numeric.orders import tally
from programme.supply.services.chair import follow_bedside
from programme.supply.services.units import (
    ArrivedLabel,
    give_unit,
    issue_unit,
    put_away_unit,
    take_in,
)
from sessions.day.numeric.donation_number import spaced
from sessions.day.services.units import Label, add_unit
from sessions.models import DonationUnit, State, UnitState
from tests.blood import FOR, make_booked, make_open_unit, make_sent, moment, number_of, typed
from tests.factories import NOW, TODAY, make_entry, make_needs, make_patient, make_planned_session, make_unit, make_user

pytestmark = pytest.mark.django_db

MORNING = moment(12, 6)
DONE = moment(12, 13)
State_ = SuppliedUnit.State


@pytest.fixture
def chair(site):
    return make_open_unit(site)


@pytest.fixture
def order(chair, coordinator):
    return make_sent(chair, by=coordinator)


def arrive(order, by, *serials, at=MORNING, **label):
    order.refresh_from_db()
    labels = [ArrivedLabel(typed(serial), **label) for serial in serials]
    return take_in(order=order, version=order.version, labels=labels, actor=by, at=at)


def at_the_chair(patient, serial, state=UnitState.GIVEN, **fields):
    exchange_session = patient.exchange_sessions.filter(on=FOR).first() or make_planned_session(
        patient, on=FOR, state=State.RUNNING, started_at=moment(12, 8)
    )
    place = exchange_session.donation_units.count() + 1
    return make_unit(exchange_session, place=place, donation_number=number_of(serial), state=state, **fields)


def hand_over(unit, by, at=DONE):
    """Issued to the chair and given, by hand."""
    unit = issue_unit(unit=unit, version=unit.version, actor=by, at=at)
    return give_unit(unit=unit, version=unit.version, actor=by, at=at)


def state_of(unit):
    unit.refresh_from_db()
    return unit.state


# Arriving


def test_units_arrive_with_their_numbers_and_confirm_what_was_not_confirmed(order, nurse):
    units = arrive(order, nurse, 1, 2, abo="O", rhd="+", negatives="K- C- E-", hbs_negative=True)
    order.refresh_from_db()
    assert [unit.donation_number for unit in units] == [number_of(1), number_of(2)]
    assert units[0].antigens_negative == "C, E, K"
    assert (order.state, order.confirmed_units) == (OrderState.ARRIVED, 2)


@pytest.mark.parametrize(
    ("label", "words"),
    [
        (ArrivedLabel(number_of(1)), "check character is missing"),
        (ArrivedLabel(typed(1)[:-1] + ("A" if typed(1)[-1] != "A" else "B")), "do not belong together"),
        (ArrivedLabel(typed(1), expires_on=date(2026, 6, 11)), "before the session of 2026-06-12"),
    ],
)
def test_a_number_that_cannot_be_or_a_unit_that_expires_first_is_refused_whole(order, nurse, label, words):
    with pytest.raises(ValidationError, match=words):
        take_in(order=order, version=order.version, labels=[ArrivedLabel(typed(9)), label], actor=nurse, at=MORNING)
    assert SuppliedUnit.objects.count() == 0


def test_more_than_ordered_or_the_same_unit_twice_is_refused(order, nurse):
    arrive(order, nurse, 1, 2, 3)
    with pytest.raises(ValidationError, match="allowed are 2"):
        arrive(order, nurse, 4, 5, 6)
    with pytest.raises(ValidationError, match="has arrived already, for order 1"):
        arrive(order, nurse, 4, 1)
    with pytest.raises(ValidationError, match=f"{spaced(number_of(4))} is entered twice: each unit once"):
        arrive(order, nurse, 4, 5, 4)  # nothing of it is here yet; also told before the count of five
    with pytest.raises(ValidationError, match="has arrived already"):
        arrive(order, nurse, 1, product_code="E0336V00")  # entered once with and once without its product code
    assert SuppliedUnit.objects.count() == 3


def test_the_database_itself_refuses_the_same_unit_twice(order, nurse):
    (unit,) = arrive(order, nurse, 1)
    with pytest.raises(IntegrityError), transaction.atomic():
        SuppliedUnit.objects.create(order=order, donation_number=unit.donation_number, arrived_at=NOW)


def test_a_unit_recorded_at_another_persons_session_is_refused(chair, order, nurse):
    other = make_booked(chair, by=nurse, on=date(2026, 6, 15)).patient
    at_the_chair(other, 1)
    with pytest.raises(ValidationError, match=r"another person.s session .given.: one unit is for one person"):
        arrive(order, nurse, 1)


# At the chair: tied by the donation number


def test_what_is_done_at_the_chair_is_taken_over_by_the_donation_number(order, nurse):
    given, waiting, dropped, back = arrive(order, nurse, 1, 2, 3, 4)
    at_the_chair(order.patient, 1, started_at=moment(12, 9), ended_at=moment(12, 10))
    at_the_chair(order.patient, 2, UnitState.CHECKED)
    at_the_chair(order.patient, 3, UnitState.DISCARDED, end_reason="out 36 min")
    at_the_chair(order.patient, 4, UnitState.RETURNED, end_reason="not needed")
    follow_bedside((order.patient_id,), DONE)
    assert [state_of(unit) for unit in (given, waiting, dropped, back)] == ["given", "issued", "discarded", "returned"]
    assert (given.given_to, given.ended_at) == (order.patient, moment(12, 10))
    assert dropped.end_reason == "out 36 min"


def test_who_did_it_at_the_chair_stands_with_the_order(order, nurse):
    """The newest entry about the unit says who; nobody is known of a unit that was only brought."""
    arrive(order, nurse, 1, 2)
    second = make_user(username="second", full_name="T. Reyes")
    used = at_the_chair(order.patient, 1, started_at=moment(12, 9), ended_at=moment(12, 10))
    for kind, by in (("unit_started", nurse), ("unit_ended", second)):
        make_entry(used.exchange_session, kind, {"unit": 1, "donation_number": number_of(1)}, by=by)
    at_the_chair(order.patient, 2, UnitState.AT_CHAIR)
    follow_bedside((order.patient_id,), DONE)
    said = {event.words[:13]: event.by for event in order.events.filter(what__in=["given", "at the chair"])}
    assert said == {number_of(1): second, number_of(2): None}


def test_every_committed_change_about_a_person_brings_their_units_up_to_date(
    order, nurse, django_capture_on_commit_callbacks
):
    (unit,) = arrive(order, nurse, 1)
    at_the_chair(order.patient, 1)
    assert follow_bedside in changes._subscribers
    with django_capture_on_commit_callbacks(execute=True), transaction.atomic():
        finish_change(order.patient, [], actor=nurse, at=DONE)
    assert state_of(unit) == "given"


def test_taking_over_twice_writes_once(order, nurse):
    (unit,) = arrive(order, nurse, 1)
    at_the_chair(order.patient, 1)
    for _ in range(2):
        follow_bedside((order.patient_id,), DONE)
    assert order.events.filter(what="given").count() == 1
    assert state_of(unit) == "given"


def test_a_unit_recorded_as_arrived_only_afterwards_is_given_at_once(order, nurse):
    at_the_chair(order.patient, 1, started_at=moment(12, 9), ended_at=moment(12, 10))
    (unit,) = arrive(order, nurse, 1, at=DONE)
    assert state_of(unit) == "given"
    assert unit.ended_at == DONE  # never before it arrived


def test_an_end_taken_back_at_the_chair_opens_the_unit_and_the_order_again(order, nurse):
    (unit,) = arrive(order, nurse, 1)
    used = at_the_chair(order.patient, 1)
    follow_bedside((order.patient_id,), DONE)
    order.refresh_from_db()
    assert (state_of(unit), order.state) == ("given", OrderState.ENDED)
    DonationUnit.objects.filter(pk=used.pk).update(state=UnitState.RUNNING)
    follow_bedside((order.patient_id,), DONE)
    order.refresh_from_db()
    assert (state_of(unit), unit.given_to, order.state) == ("issued", None, OrderState.ARRIVED)


def test_a_unit_given_to_somebody_else_says_to_whom(chair, order, nurse):
    (unit,) = arrive(order, nurse, 1)
    other = make_booked(chair, by=nurse, on=date(2026, 6, 15)).patient
    at_the_chair(other, 1)
    follow_bedside((other.pk,), DONE)
    assert state_of(unit) == "given"
    assert unit.given_to == other
    words = [*order.events.values_list("words", flat=True), *TrailEntry.objects.values_list("why", flat=True)]
    assert f"{unit.donation_number}: to somebody else" in words
    assert not [one for one in words if other.patient_ref in one]  # they stay with whose order it was


# By hand


def test_by_hand_a_unit_is_issued_and_given_once(order, nurse):
    (unit,) = arrive(order, nurse, 1)
    unit = issue_unit(unit=unit, version=unit.version, actor=nurse, at=DONE)
    unit = give_unit(unit=unit, version=unit.version, actor=nurse, at=DONE)
    assert (unit.state, unit.given_to) == (State_.GIVEN, order.patient)
    with pytest.raises(ValidationError, match="a unit has one end"):
        give_unit(unit=unit, version=unit.version, actor=nurse, at=DONE)
    with pytest.raises(ValidationError, match="a unit has one end"):
        put_away_unit(unit=unit, version=unit.version, state="returned", why="x", actor=nurse, at=DONE)


def test_a_unit_is_never_given_to_two_people(chair, order, nurse):
    (unit,) = arrive(order, nurse, 1)
    other = make_booked(chair, by=nurse, on=date(2026, 6, 15)).patient
    at_the_chair(other, 1, UnitState.RUNNING)
    with pytest.raises(ValidationError, match="one unit is given to one person"):
        hand_over(unit, nurse)


def test_an_expired_unit_is_not_issued(order, nurse):
    (unit,) = arrive(order, nurse, 1, expires_on=FOR)
    with pytest.raises(ValidationError, match="expired on 2026-06-12: discard it"):
        issue_unit(unit=unit, version=unit.version, actor=nurse, at=moment(13, 8))


def test_a_unit_is_given_from_the_day_of_its_session_on_and_only_once_it_was_issued(order, nurse):
    (unit,) = arrive(order, nurse, 1, expires_on=FOR)
    with pytest.raises(ValidationError, match="only one that was issued to the chair is given"):
        give_unit(unit=unit, version=unit.version, actor=nurse, at=DONE)
    unit = issue_unit(unit=unit, version=unit.version, actor=nurse, at=moment(11, 20))
    with pytest.raises(ValidationError, match="is for 2026-06-12: it can be given from that day on"):
        give_unit(unit=unit, version=unit.version, actor=nurse, at=moment(11, 20))
    assert state_of(unit) == "issued"
    give_unit(unit=unit, version=unit.version, actor=nurse, at=moment(11, 23, 30))  # half past midnight in summer time
    assert state_of(unit) == "given"


def test_a_unit_that_had_expired_by_its_session_is_not_given(order, nurse):
    (unit,) = arrive(order, nurse, 1, expires_on=FOR)
    unit = issue_unit(unit=unit, version=unit.version, actor=nurse, at=MORNING)
    SuppliedUnit.objects.filter(pk=unit.pk).update(expires_on=FOR - timedelta(days=1))
    with pytest.raises(ValidationError, match="expired on 2026-06-11, before the session of 2026-06-12: discard it"):
        give_unit(unit=unit, version=unit.version, actor=nurse, at=DONE)
    assert state_of(unit) == "issued"


def test_putting_away_needs_a_reason_and_not_what_is_at_the_chair(order, nurse):
    (unit,) = arrive(order, nurse, 1)
    with pytest.raises(ValidationError, match="Say why"):
        put_away_unit(unit=unit, version=unit.version, state="discarded", why="", actor=nurse, at=DONE)
    with pytest.raises(ValidationError, match="returned or discarded"):
        put_away_unit(unit=unit, version=unit.version, state="given", why="x", actor=nurse, at=DONE)
    at_the_chair(order.patient, 1, UnitState.RUNNING)
    with pytest.raises(ValidationError, match="put it away there"):
        put_away_unit(unit=unit, version=unit.version, state="discarded", why="x", actor=nurse, at=DONE)


def test_the_order_ends_with_its_last_unit_and_not_before_its_session(order, nurse):
    first, second = arrive(order, nurse, 1, 2)
    put_away_unit(unit=first, version=first.version, state="returned", why="x", actor=nurse, at=MORNING)
    order.refresh_from_db()
    assert order.state == OrderState.ARRIVED
    hand_over(second, nurse)
    order.refresh_from_db()
    assert order.state == OrderState.ENDED


@settings(max_examples=12, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(ends=st.lists(st.sampled_from(["given", "returned", "discarded", "open"]), min_size=1, max_size=5))
def test_units_that_came_in_are_always_the_sum_of_where_they_are(site, chair, coordinator, ends):
    """Law: came in = in the fridge + issued + given + returned + discarded, after any ends."""
    with transaction.atomic():
        order = make_sent(chair, by=coordinator)
        for serial, end in enumerate(ends, start=1):
            (unit,) = arrive(order, coordinator, serial)
            if end == "given":
                hand_over(unit, coordinator)
            elif end != "open":
                put_away_unit(unit=unit, version=unit.version, state=end, why="x", actor=coordinator, at=DONE)
            if order.supplied_units.exclude(state__in=["given", "returned", "discarded"]).count() == 0:
                break
        found = tally(order.supplied_units.values_list("state", flat=True))
        assert found.came == order.supplied_units.count()
        assert found.came == found.here + found.issued + found.given + found.returned + found.discarded
        order.refresh_from_db()
        assert (order.state == OrderState.ENDED) == (found.here + found.issued == 0)
        transaction.set_rollback(True)


def test_a_later_life_of_a_returned_number_is_another_row(order, nurse):
    (unit,) = arrive(order, nurse, 1)
    put_away_unit(unit=unit, version=unit.version, state="returned", why="x", actor=nurse, at=MORNING)
    (again,) = arrive(order, nurse, 1, at=MORNING + timedelta(minutes=5))
    at_the_chair(order.patient, 1)
    follow_bedside((order.patient_id,), DONE)
    assert (state_of(unit), state_of(again)) == ("returned", "given")


@pytest.mark.parametrize(
    ("end", "words"), [("given", "was given to another person, by order 1"), ("discarded", "was discarded, by order 1")]
)
def test_the_chair_refuses_a_unit_that_had_its_end_elsewhere(chair, order, nurse, end, words):
    (unit,) = arrive(order, nurse, 1)
    if end == "given":
        hand_over(unit, nurse)
    else:
        put_away_unit(unit=unit, version=unit.version, state=end, why="out of the fridge 5 h", actor=nurse, at=NOW)
    other = make_patient(site=chair.site)
    make_needs(other)
    there = make_planned_session(other, on=TODAY, state=State.AUTHORISED)
    label = Label(
        number_of(1), "O", "+", date(2026, 6, 30), hbs_negative=True, negative=frozenset({"C", "E", "K"})
    )  # fmt: skip
    with pytest.raises(ValidationError, match=words):
        add_unit(exchange_session=there, label=label, out_of_storage_at=None, actor=nurse, at=NOW)
    follow_bedside((other.pk, order.patient_id), DONE)
    unit.refresh_from_db()
    assert (unit.state, unit.given_to_id) == (end, order.patient_id if end == "given" else None)


def test_a_discarded_unit_does_not_arrive_again(order, nurse):
    (unit,) = arrive(order, nurse, 1)
    put_away_unit(unit=unit, version=unit.version, state="discarded", why="clot", actor=nurse, at=MORNING)
    with pytest.raises(ValidationError, match="was discarded, for order 1"):
        arrive(order, nurse, 1, at=MORNING + timedelta(minutes=5))


def test_the_chair_refuses_a_unit_that_came_in_for_another_person(chair, order, nurse):
    """Until it is back at the blood bank; then it may come in for somebody else."""
    (unit,) = take_in(
        order=order, version=order.version, labels=[ArrivedLabel(typed(1), product_code="E0336V00")],
        actor=nurse, at=NOW,
    )  # fmt: skip
    other, own = make_patient(site=chair.site), order.patient
    label = Label(
        number_of(1), "O", "+", date(2026, 6, 30), product_code="E0336V00", hbs_negative=True,
        negative=frozenset({"C", "E", "K"}),
    )  # fmt: skip
    make_needs(other)
    there = make_planned_session(other, on=TODAY, state=State.AUTHORISED)
    brought = {"exchange_session": there, "label": label, "out_of_storage_at": None, "actor": nurse, "at": NOW}
    with pytest.raises(ValidationError) as refused:
        add_unit(**brought)
    assert refused.value.message_dict == {
        "number": [
            "Z9990 26 000001 came in for another person's order, 1. Do not give; allowed are units that came in for "
            "this person, or for no order."
        ]
    }
    assert not DonationUnit.objects.exists()
    assert add_unit(**{**brought, "label": replace(label, product_code="E0336V0B")}).place == 1, "another product"
    here = make_planned_session(own, on=TODAY, state=State.AUTHORISED)
    assert add_unit(**{**brought, "exchange_session": here}).place == 1, "their own"
    DonationUnit.objects.all().delete()
    unit.refresh_from_db()
    put_away_unit(unit=unit, version=unit.version, state="returned", why="not needed", actor=nurse, at=NOW)
    assert add_unit(**brought).place == 1, "nobody's any more"
