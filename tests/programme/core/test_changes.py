"""Subscribers hear of a change once it is committed, and not of one that never was."""

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
