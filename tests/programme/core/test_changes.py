"""Subscribers hear of a change once it is committed, and not of one that never was."""

from datetime import timedelta

import pytest
from django.db import transaction

from programme.core import changes
from tests import factories

pytestmark = pytest.mark.django_db(transaction=True)


@pytest.fixture
def heard(monkeypatch):
    said = []
    monkeypatch.setattr(changes, "_subscribers", [])
    changes.subscribe(listener := lambda keys, at: said.append((keys, at)))
    changes.subscribe(listener)
    return said


def test_a_change_is_heard_once_on_commit(heard):
    with transaction.atomic():
        changes.announce(7, 8, at=factories.NOW)
        assert heard == []
    assert heard == [((7, 8), factories.NOW)]


def test_a_change_rolled_back_is_not_heard(heard):
    def roll_back():
        with transaction.atomic():
            changes.announce(7, at=factories.NOW)
            raise ZeroDivisionError

    with pytest.raises(ZeroDivisionError):
        roll_back()
    assert heard == []


def test_a_batch_is_heard_at_its_end_of_each_person_once(heard):
    later = factories.NOW + timedelta(minutes=1)
    with changes.heard_together():
        for at in (factories.NOW, later):
            with transaction.atomic():
                changes.announce(7, 8, at=at)
        assert heard == []
    assert heard == [((7, 8), later)]
    with transaction.atomic():
        changes.announce(9, at=later)
    assert heard[1:] == [((9,), later)]


def test_what_a_batch_committed_before_a_fault_is_heard_and_what_it_rolled_back_is_not(heard):
    def break_off():
        with changes.heard_together():
            with transaction.atomic():
                changes.announce(7, at=factories.NOW)
            with transaction.atomic():
                changes.announce(8, at=factories.NOW)
                raise ZeroDivisionError

    with pytest.raises(ZeroDivisionError):
        break_off()
    assert heard == [((7,), factories.NOW)]


def test_a_subscriber_that_fails_after_a_batch_breaks_nothing_off(heard, caplog):
    changes.subscribe(lambda keys, at: 1 / 0)
    with changes.heard_together(), transaction.atomic():
        changes.announce(7, at=factories.NOW)
    assert heard == [((7,), factories.NOW)] and "a subscriber failed" in caplog.text


def test_an_empty_batch_is_not_heard_of(heard):
    with changes.heard_together():
        pass
    assert heard == []


@pytest.mark.django_db(transaction=True)
def test_a_subscriber_that_fails_after_a_change_takes_nothing_back_and_is_logged(site, monkeypatch, caplog):
    """As where the database is gone between the commit and the new forecast: what was written stands."""

    def fail(keys, at):
        raise RuntimeError("gone")

    monkeypatch.setattr(changes, "_subscribers", [fail])
    patient = factories.make_patient(site=site)
    with transaction.atomic():
        patient.given_name = "Kept"
        patient.save()
        changes.announce(patient.pk, at=factories.NOW)
    assert type(patient).objects.get().given_name == "Kept"
    assert "gone" in caplog.text
