"""A double Enter, a resent request or two at once make one row."""

import pytest
from django.db import IntegrityError, transaction

from programme.core import receipts
from programme.core.models import Receipt, Site
from tests import factories
from tests.at_once import at_once

pytestmark = pytest.mark.django_db


def add_site(code="made"):
    return f"/site/{Site.objects.create(code=code, name='Made once').pk}/"


def once(actor, *, key="k" * 32, action="add site", do=add_site):
    return receipts.once(key=key, actor=actor, at=factories.NOW, action=action, do=do)


def test_a_second_arrival_finds_what_the_first_did(nurse):
    first = once(nurse)
    assert once(nurse) == first
    assert Site.objects.filter(code="made").count() == 1


def test_a_new_key_does_it_again(nurse):
    keys = {receipts.new_key() for _ in range(20)}
    assert len(keys) == 20
    outcomes = {once(nurse, key=key, do=lambda key=key: add_site(key[:20])) for key in keys}
    assert len(outcomes) == 20


def test_another_actor_is_refused(nurse, consultant):
    once(nurse)
    with pytest.raises(receipts.BadReceipt, match="already used for something else"):
        once(consultant)
    assert Site.objects.filter(code="made").count() == 1


def test_another_action_is_refused(nurse):
    once(nurse)
    with pytest.raises(receipts.BadReceipt, match="already used for something else"):
        once(nurse, action="add user")


@pytest.mark.parametrize("key", ["", "k" * 65])
def test_a_key_that_was_never_given_out_is_refused(nurse, key):
    with pytest.raises(receipts.BadReceipt, match="lost its one-time key"):
        once(nurse, key=key)
    assert Receipt.objects.count() == 0


def test_what_fails_leaves_the_key_unused(nurse):
    def fail():
        add_site()
        raise ValueError("refused")

    with pytest.raises(ValueError, match="refused"):
        once(nurse, do=fail)
    assert not Site.objects.filter(code="made").exists()
    assert once(nurse).startswith("/site/")


def test_a_constraint_broken_by_the_change_itself_is_not_taken_for_a_second_arrival(nurse):
    with pytest.raises(IntegrityError):
        once(nurse, do=lambda: add_site(nurse.site.code))
    assert Receipt.objects.count() == 0


@pytest.mark.django_db(transaction=True)
def test_two_requests_at_the_same_moment_make_one_row(nurse):
    """Real threads with their own connections: the second waits for the first and finds its outcome."""
    outcomes, _ = at_once(once, [[nurse]] * 4)
    assert len(outcomes) == 4
    assert len(set(outcomes)) == 1
    assert Site.objects.filter(code="made").count() == 1


def test_a_receipt_inside_a_transaction_that_is_rolled_back_is_gone(nurse):
    def roll_back():
        with transaction.atomic():
            once(nurse)
            raise ZeroDivisionError

    with pytest.raises(ZeroDivisionError):
        roll_back()
    assert Receipt.objects.count() == 0
