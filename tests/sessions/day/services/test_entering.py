"""Entries are kept once, numbered in order, and refused with every fault at once."""

from datetime import timedelta

import pytest
from django.core.exceptions import ValidationError

from programme.core.models import TrailEntry, User
from sessions.day.models import Entry
from sessions.day.services.entering import add_entry
from sessions.models import ExchangeSession
from tests.factories import NOW, TODAY, make_exchange_session, make_patient, make_user

pytestmark = pytest.mark.django_db

DRAW = {"step": 1, "in_ml": 0, "out_ml": 130}


@pytest.fixture
def running() -> ExchangeSession:
    return make_exchange_session(make_patient(), on=TODAY, state="running", origin="here")


@pytest.fixture
def nurse(running: ExchangeSession) -> User:
    return make_user(site=running.patient.site)


def test_the_same_key_sent_twice_makes_one_entry(running: ExchangeSession, nurse: User) -> None:
    said = {"exchange_session": running, "key": "k1", "kind": "moved", "body": DRAW, "actor": nurse}
    first = add_entry(**said, at=NOW)
    second = add_entry(**said, at=NOW + timedelta(minutes=4), waited_s=240)
    assert first.pk == second.pk
    assert Entry.objects.count() == 1
    assert TrailEntry.objects.filter(action="enter moved").count() == 1


def test_an_entry_that_waited_in_the_browser_happened_when_it_was_made(running: ExchangeSession, nurse: User) -> None:
    entry = add_entry(exchange_session=running, key="k1", kind="moved", body=DRAW, actor=nurse, at=NOW, waited_s=90)
    assert entry.happened_at == NOW - timedelta(seconds=90)
    assert (entry.received_at, entry.waited) == (NOW, True)


def test_entries_are_numbered_in_the_order_in_which_they_arrive(running: ExchangeSession, nurse: User) -> None:
    for key in ("a", "b", "c"):
        add_entry(exchange_session=running, key=key, kind="moved", body=DRAW, actor=nurse, at=NOW)
    assert list(Entry.objects.values_list("key", "number")) == [("a", 1), ("b", 2), ("c", 3)]


def test_all_faults_of_an_entry_come_at_once_and_nothing_is_kept(running: ExchangeSession, nurse: User) -> None:
    body = {"step": 0, "in_ml": float("nan"), "out_ml": 5000}
    with pytest.raises(ValidationError) as refused:
        add_entry(exchange_session=running, key="k", kind="moved", body=body, actor=nurse, at=NOW)
    said = " ".join(refused.value.messages)
    assert "step: 0 is not allowed" in said
    assert "In: nan is no number" in said
    assert "Out: 5000 is not possible; allowed is 0 to 1500 mL" in said
    assert not Entry.objects.exists()


@pytest.mark.parametrize("state", ["planned", "authorised", "finished", "closed"])
def test_volumes_are_entered_only_while_the_session_runs(state: str) -> None:
    other = make_exchange_session(make_patient(), on=TODAY, state=state, origin="here")
    nurse = make_user(site=other.patient.site)
    with pytest.raises(ValidationError, match=f"This session is {state}"):
        add_entry(exchange_session=other, key="k", kind="moved", body=DRAW, actor=nurse, at=NOW)


def test_a_key_of_another_person_is_refused(running: ExchangeSession, nurse: User) -> None:
    add_entry(exchange_session=running, key="k", kind="moved", body=DRAW, actor=nurse, at=NOW)
    other = make_user(site=running.patient.site, username="second.nurse")
    with pytest.raises(ValidationError, match="already used"):
        add_entry(exchange_session=running, key="k", kind="moved", body=DRAW, actor=other, at=NOW)


def test_putting_a_time_right_needs_a_reason(running: ExchangeSession, nurse: User) -> None:
    add_entry(exchange_session=running, key="k", kind="moved", body=DRAW, actor=nurse, at=NOW)
    body = {"number": 1, "happened_at": (NOW - timedelta(minutes=20)).isoformat()}
    said = {"exchange_session": running, "key": "t", "kind": "time", "body": body, "actor": nurse, "at": NOW}
    with pytest.raises(ValidationError, match="Say why"):
        add_entry(**said)
    assert add_entry(**said, why="entered after the bag was changed").number == 2
