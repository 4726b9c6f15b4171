"""Entries are kept once, numbered in order, and refused with every fault at once."""

from datetime import timedelta

import pytest
from django.core.exceptions import ValidationError

from programme.core import trail
from programme.core.models import TrailEntry, User
from sessions.day.models import Entry
from sessions.day.numeric.standing import ended_now
from sessions.day.queries import tally_of
from sessions.day.services.entering import add_entry
from sessions.models import ExchangeSession
from sessions.numeric.exchange import Start
from tests.factories import (
    NOW,
    TODAY,
    make_entry,
    make_exchange_session,
    make_patient,
    make_prescription,
    make_user,
)

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


def test_a_volume_that_waited_stands_before_what_was_given_after_it(running: ExchangeSession, nurse: User) -> None:
    """By hand, Hb 94 at 4 L, HbS 30 %: 800 mL of saline and two units of 258 mL, 194 g/L, each for as much blood.

    Saline first: Hb 94·e^−0.2 = 77.0, then 194 − 117.04·e^−0.129 = 91.1, own 67.6, HbS 30·67.6/91.2 = 22.3 %. Units
    first: 194 − 100·e^−0.129 = 106.1, own 82.6, HbS 23.4 %, and Hb 106.1·e^−0.2 = 86.9.
    """
    make_prescription(running, signed_by=nurse, hbs_pct=30.0)
    for number, minute in ((1, 30), (2, 45)):
        at = NOW - timedelta(minutes=60 - minute)
        cells = {"step": 2, "in_ml": 258, "out_ml": 258, "fluid": "red_cells", "cells_hb_g_l": 194.0, "unit": number}
        make_entry(running, "moved", cells, by=nurse, happened_at=at, received_at=at)
    saline = {"step": 1, "in_ml": 400, "out_ml": 400, "fluid": "saline"}
    given = {"exchange_session": running, "kind": "moved", "body": saline, "actor": nurse, "at": NOW}
    add_entry(**given, key="first", waited_s=55 * 60)
    add_entry(**given, key="second", waited_s=45 * 60)
    state = tally_of(running)
    assert [one.number for one in state.moved] == [3, 4, 1, 2]
    ended = ended_now(Start(4000.0, 94.0, 30.0), state.as_steps(), hb_sd_g_l=0.0, hbs_sd_pct=0.0)
    assert ended is not None
    assert (round(ended.hb.value, 1), round(ended.hbs.value, 1)) == (91.1, 22.3)
    add_entry(**given, key="third", waited_s=20)
    assert [one.number for one in tally_of(running).moved] == [3, 4, 1, 2, 5]


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


# Automated: volumes are the machine's


@pytest.fixture
def automated(running: ExchangeSession) -> ExchangeSession:
    ExchangeSession.objects.filter(pk=running.pk).update(method="automated")
    return ExchangeSession.objects.get(pk=running.pk)


@pytest.mark.parametrize(("kind", "body"), [("moved", DRAW), ("step_done", {"step": 1})])
@pytest.mark.parametrize("waited_s", [0, 300])
def test_an_automated_session_takes_no_single_volume_and_no_step(
    automated: ExchangeSession, nurse: User, kind: str, body: dict[str, int], waited_s: int
) -> None:
    said = {"exchange_session": automated, "key": "k", "kind": kind, "body": body, "actor": nurse}
    with pytest.raises(ValidationError, match="This session is automated: single volumes and steps are not entered"):
        add_entry(**said, at=NOW, waited_s=waited_s)
    assert not Entry.objects.exists()


def test_nor_does_it_where_only_its_plan_says_that_it_is_automated(nurse: User, running: ExchangeSession) -> None:
    ExchangeSession.objects.filter(pk=running.pk).update(method="")
    make_prescription(running, signed_by=nurse, method="automated")
    with pytest.raises(ValidationError, match="This session is automated"):
        add_entry(exchange_session=running, key="k", kind="moved", body=DRAW, actor=nurse, at=NOW)


def test_a_volume_sent_late_to_an_automated_session_that_ended_is_refused_too(
    automated: ExchangeSession, nurse: User
) -> None:
    ExchangeSession.objects.filter(pk=automated.pk).update(state="abandoned", ended_reason="fever")
    change = trail.Change(
        site_key=automated.patient.site_id, patient_key=automated.patient_id, action="abandon session",
        row_kind="session", row_key=automated.pk,
    )  # fmt: skip
    trail.write([change], actor=nurse, at=NOW)
    said = {"exchange_session": automated, "actor": nurse, "at": NOW + timedelta(minutes=2), "waited_s": 300}
    with pytest.raises(ValidationError, match="This session is automated"):
        add_entry(**said, key="late", kind="moved", body=DRAW)
    assert add_entry(**said, key="note", kind="note", body={"words": "seen late"}).number == 1


def test_undo_and_both_of_an_automated_session_name_what_is_there(automated: ExchangeSession, nurse: User) -> None:
    said = {"exchange_session": automated, "actor": nurse, "at": NOW}
    add_entry(**said, key="n", kind="note", body={"words": "alarm, settled"})
    with pytest.raises(ValidationError, match="Two different volume entries are named"):
        add_entry(**said, key="b", kind="both", body={"numbers": [1, 1]})
    assert add_entry(**said, key="u", kind="undo", body={"number": 1}).number == 2
    with pytest.raises(ValidationError, match="Entry 1 was undone already"):
        add_entry(**said, key="v", kind="undo", body={"number": 1})


def test_a_step_is_ended_only_in_the_plan_that_was_seen(running: ExchangeSession, nurse: User) -> None:
    make_prescription(running, signed_by=nurse)
    make_entry(running, "plan", {"number": 2}, by=make_user(site=running.patient.site, username="another"))
    said = {"exchange_session": running, "kind": "step_done", "actor": nurse, "at": NOW}
    with pytest.raises(ValidationError) as refused:
        add_entry(**said, key="k1", body={"step": 1}, seen=0)
    assert "The plan was changed after this was entered" in " ".join(refused.value.messages)
    with pytest.raises(ValidationError) as refused:
        add_entry(**said, key="k2", body={"step": 9}, seen=1)
    assert refused.value.messages == ["Step 9 is not in the plan in force."]
    assert add_entry(**said, key="k3", body={"step": 1}, seen=1).number == 2
