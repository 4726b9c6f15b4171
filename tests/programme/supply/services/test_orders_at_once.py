"""Two coordinators at the same moment, over real connections, on both databases: one order a booking, one unit once."""

import pytest

from programme.core import trail
from programme.core.models import TrailEntry
from programme.supply.models import BloodOrder, OrderEvent, SuppliedUnit
from programme.supply.services.orders import answer_order, draft_orders
from programme.supply.services.units import ArrivedLabel, take_in
from tests.at_once import at_once
from tests.blood import FOR, make_booked, make_open_unit, make_sent, typed
from tests.factories import NOW, make_site, make_user

pytestmark = pytest.mark.django_db(transaction=True)


@pytest.fixture
def chair(transactional_db):
    return make_open_unit(make_site(name="Saltmarsh Day Unit"))


@pytest.fixture
def users(chair):
    return [make_user(role="coordinator", site=chair.site, username=f"coordinator.{n}") for n in range(3)]


def all_at_once(users, do):
    """Let each user do it in a thread of their own; return what was refused."""
    _, told = at_once(do, [[user] for user in users])
    return [" ".join(words) for words in told]


def test_three_who_draft_at_once_make_one_order_a_booking(chair, users):
    for days in range(3):
        make_booked(chair, by=users[0], on=FOR.replace(day=15 + days))
    refused = all_at_once(users, lambda user: draft_orders(site=chair.site, actor=user, at=NOW))
    assert refused == []
    assert sorted(BloodOrder.objects.values_list("number", flat=True)) == [1, 2, 3]
    assert OrderEvent.objects.count() == 3
    assert trail.faults(TrailEntry.objects.all()) == []


def test_of_three_answers_given_at_once_one_counts_and_the_others_are_told(chair, users):
    order = make_sent(chair, by=users[0])

    def answer(user):
        units = users.index(user) + 1
        answer_order(order=order, version=order.version, units=units, words="x", actor=user, at=NOW)

    refused = all_at_once(users, answer)
    assert len(refused) == 2
    assert all("changed by someone else" in words for words in refused)
    order.refresh_from_db()
    assert order.events.filter(what=f"{order.confirmed_units} of 5 confirmed").count() == 1


def test_one_unit_that_arrives_for_two_orders_at_once_is_taken_in_once(chair, users):
    orders = [make_sent(chair, by=users[0], on=FOR.replace(day=15 + days)) for days in range(3)]

    def arrive(user):
        order = orders[users.index(user)]
        take_in(order=order, version=order.version, labels=[ArrivedLabel(typed(1))], actor=user, at=NOW)

    refused = all_at_once(users, arrive)
    assert len(refused) == 2
    assert all("arrived already" in words for words in refused)
    assert SuppliedUnit.objects.count() == 1
