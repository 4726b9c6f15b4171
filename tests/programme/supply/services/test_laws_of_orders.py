"""Laws of orders and units that hold after any sequence of what coordinators do, by the services on the database."""

from __future__ import annotations

from collections import defaultdict
from datetime import UTC, datetime, time, timedelta

import pytest
from django.core.exceptions import ValidationError
from django.db import transaction
from hypothesis import Phase, example, given, settings
from hypothesis import strategies as st

from programme.booking.models import STANDING, Booking, BookingState
from programme.booking.numeric.reasons import Reasons
from programme.booking.services import booking as booking_service
from programme.booking.services import moves
from programme.core import trail
from programme.core.models import TrailEntry
from programme.supply.models import BloodOrder, OrderState, SuppliedUnit
from programme.supply.queries.orders import blood_page
from programme.supply.services import chair, orders, sending, units
from sessions.models import DonationUnit, UnitState
from tests.blood import make_open_unit, typed
from tests.factories import (
    NOW,
    make_chair,
    make_needs,
    make_patient,
    make_planned_session,
    make_suggestion,
    make_unit,
)

pytestmark = pytest.mark.django_db

PEOPLE, DAYS, NUMBERS = 3, 4, 4
ACTS = (
    "book", "confirm", "move", "cancel", "missed", "came", "draft", "send", "answer", "arrive", "issue", "give",
    "put_away", "renew", "release", "again", "at_chair", "next_day",
)  # fmt: skip
STEPS = st.tuples(st.sampled_from(ACTS), st.integers(0, PEOPLE - 1), st.integers(0, 7))
START = (
    ("book", 0, 0), ("book", 1, 1), ("book", 2, 2), ("draft", 0, 0), ("send", 0, 0), ("send", 1, 0), ("answer", 1, 3),
    ("arrive", 1, 1),
)  # fmt: skip
"""Each case begins with three people booked: ordered and sent, one unit in the fridge, and drafted only."""


# Cases are not made smaller when one fails: that would take minutes.


class Undo(Exception):
    """Takes back what one case wrote."""


class Week:
    """A unit with three people, two chairs and four units of blood; each step does one thing or is refused."""

    def __init__(self, site, chairs, people, actor) -> None:
        self.site, self.chairs, self.people, self.actor, self.at = site, chairs, people, actor, NOW
        self.done: defaultdict[str, int] = defaultdict(int)

    def step(self, act: str, who: int, what: int) -> None:
        """Do it; what is refused must leave nothing behind, which the laws show."""
        try:
            with transaction.atomic():
                if getattr(self, f"do_{act}")(self.people[who], what) is not False:
                    self.done[act] += 1
        except ValidationError:
            self.done[f"{act} refused"] += 1

    @property
    def signed(self):
        return {"actor": self.actor, "at": self.at}

    def booking(self, patient, what, states=STANDING):
        found = list(Booking.objects.filter(patient=patient, state__in=states).order_by("on", "pk"))
        return found[what % len(found)] if found else None

    def order(self, patient, what):
        found = list(BloodOrder.objects.filter(patient=patient).order_by("pk"))
        return found[-1 - what % min(len(found), 2)] if found else None

    def place(self, what):
        on = (self.at + timedelta(days=1 + what % DAYS)).date()
        return {
            "chair_pk": self.chairs[what % 2].pk,
            "on": on,
            "slot": 1,
            "reasons": Reasons("asked for", far_late_known=True, second="asked for"),
        }

    def wait_for(self, booking):
        """It is the evening of the booked day, if it was not yet."""
        if booking is not None:
            self.at = max(self.at, datetime.combine(booking.on, time(19), tzinfo=UTC))

    def do_next_day(self, patient, what):
        self.at += timedelta(days=1)

    def do_book(self, patient, what):
        booking_service.book(patient=patient, **self.place(what), **self.signed)

    def do_confirm(self, patient, what):
        row = self.booking(patient, what)
        return (row and booking_service.confirm(booking=row, version=row.version, **self.signed)) or bool(row)

    def do_move(self, patient, what):
        row = self.booking(patient, what)
        why = {"ended_by": "person", "reason": "asked"}
        return bool(row) and moves.move(booking=row, version=row.version, **self.place(what), **why, **self.signed)

    def do_cancel(self, patient, what):
        row, why = self.booking(patient, what), {"ended_by": "unit", "reason": "closed"}
        return bool(row) and moves.cancel(booking=row, version=row.version, **why, **self.signed)

    def do_missed(self, patient, what):
        row = self.booking(patient, what, (*STANDING, BookingState.CAME))
        self.wait_for(row)
        return bool(row) and moves.did_not_come(booking=row, version=row.version, reason="not here", **self.signed)

    def do_came(self, patient, what):
        row = self.booking(patient, what, (*STANDING, BookingState.MISSED))
        self.wait_for(row)
        return bool(row) and moves.came(booking=row, version=row.version, **self.signed)

    def do_draft(self, patient, what):
        orders.draft_orders(site=self.site, **self.signed)

    def do_again(self, patient, what):
        row = self.booking(patient, what, BookingState.values)
        return bool(row) and orders.draft_order(booking=row, **self.signed)

    def do_send(self, patient, what):
        row = self.order(patient, what)
        return bool(row) and sending.send_order(order=row, version=row.version, late_reason="asked", **self.signed)

    def do_answer(self, patient, what):
        row = self.order(patient, what)
        said = {"units": what % 6, "words": "short"}
        return bool(row) and orders.answer_order(order=row, version=row.version, **said, **self.signed)

    def do_renew(self, patient, what):
        row = self.order(patient, what)
        return bool(row) and orders.renew_order(order=row, version=row.version, **self.signed)

    def do_release(self, patient, what):
        row = self.order(patient, what)
        return bool(row) and orders.release_order(order=row, version=row.version, why="not needed", **self.signed)

    def do_arrive(self, patient, what):
        row = self.order(patient, what)
        label = units.ArrivedLabel(typed(what % NUMBERS))
        return bool(row) and units.take_in(order=row, version=row.version, labels=[label], **self.signed)

    def unit(self, patient):
        return SuppliedUnit.objects.filter(order__patient=patient).select_related("order").order_by("pk").last()

    def do_issue(self, patient, what):
        row = self.unit(patient)
        return bool(row) and units.issue_unit(unit=row, version=row.version, **self.signed)

    def do_give(self, patient, what):
        row = self.unit(patient)
        return bool(row) and units.give_unit(unit=row, version=row.version, **self.signed)

    def do_put_away(self, patient, what):
        row, state = self.unit(patient), ("returned", "discarded")[what % 2]
        return bool(row) and units.put_away_unit(unit=row, version=row.version, state=state, why="x", **self.signed)

    def do_at_chair(self, patient, what):
        """A unit that came in for this person is recorded at their session, further on each time, and taken over."""
        row = self.unit(patient)
        if row is None or row.state not in ("arrived", "issued"):
            return False
        used = DonationUnit.objects.filter(exchange_session__patient=patient, donation_number=row.donation_number)
        if not used.exists():
            held = make_planned_session(patient, on=self.at.date(), state="running")
            make_unit(held, donation_number=row.donation_number, state=UnitState.AT_CHAIR)
        else:
            used.update(state=UnitState.GIVEN if what % 2 else UnitState.RUNNING, ended_at=self.at)
        chair.follow_bedside((patient.pk,), self.at)
        return True


def hold_the_laws(week: Week) -> None:
    """Judge the whole database anew."""
    local = week.at.astimezone()
    loud = {
        line.number: {alarm.kind: alarm.words for alarm in line.alarms if alarm.level == "stop"}
        for line in blood_page(week.site, local).lines
    }
    for order in BloodOrder.objects.select_related("booking__chair"):
        kept = order.supplied_units.filter(state__in=["arrived", "issued"]).count()
        if order.state in (OrderState.ENDED, OrderState.CANCELLED):
            assert kept == 0, f"order {order.number} is {order.state} with {kept} units that have no end"
            continue
        assert order.booking.patient_id == order.patient_id
        assert order.booking.chair.site_id == order.site_id
        assert order.booking.state != BookingState.MOVED, f"order {order.number} was left behind by its booking"
        if order.booking.state not in (*STANDING, BookingState.CAME):
            words = loud[order.number].get("no_booking", "")
            assert "release" in words, f"order {order.number} has no booking and nothing says so"
            assert (f"{kept} unit{'s' * (kept != 1)} here" if kept else "the order") in words
    tied: defaultdict[str, set[int]] = defaultdict(set)
    away = [SuppliedUnit.State.RETURNED, SuppliedUnit.State.DISCARDED]
    for unit in SuppliedUnit.objects.exclude(state__in=away).select_related("order"):
        tied[unit.donation_number] |= {unit.order.patient_id, unit.given_to_id or unit.order.patient_id}
    for used in DonationUnit.objects.exclude(state__in=[UnitState.RETURNED, UnitState.DISCARDED]):
        tied[used.donation_number].add(used.exchange_session.patient_id)
    assert all(len(people) == 1 for people in tied.values()), f"one unit, several people: {dict(tied)}"


@pytest.fixture
def week(site, coordinator) -> Week:
    chairs = [make_open_unit(site), make_chair(site)]
    people = [make_patient(f"R{n}", site=site) for n in range(PEOPLE)]
    for patient in people:
        make_needs(patient)
        make_suggestion(patient, options={"earliest_date": NOW.date().isoformat()})
    return Week(site, chairs, people, coordinator)


def try_steps(week: Week, steps) -> None:
    week.at = NOW
    try:
        with transaction.atomic():
            for step in START:
                week.step(*step)
            for step in steps:
                week.step(*step)
                hold_the_laws(week)
            assert trail.faults(TrailEntry.objects.all()) == []
            raise Undo
    except Undo:
        pass


def test_every_open_order_has_a_booking_and_no_unit_has_two_people_whatever_is_done(week) -> None:
    @settings(max_examples=4, phases=[Phase.explicit, Phase.generate])
    @example([("move", 1, 3), ("cancel", 1, 0), ("release", 1, 0)])
    @example([("missed", 1, 0), ("book", 1, 1), ("renew", 1, 0), ("arrive", 0, 1), ("release", 1, 0)])
    @given(st.lists(STEPS, min_size=8, max_size=8))
    def hold(steps):
        try_steps(week, steps)

    hold()
    assert min(week.done[act] for act in ("move", "cancel", "missed", "release", "renew", "arrive")) > 0, week.done


@pytest.mark.soak
def test_the_same_over_long_weeks(week) -> None:
    @settings(max_examples=150, phases=[Phase.generate])
    @given(st.lists(STEPS, min_size=10, max_size=50))
    def hold(steps):
        try_steps(week, steps)

    hold()
    assert min(week.done[act] for act in ACTS) > 0, week.done
