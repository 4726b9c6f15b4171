"""What an order asks for, what differs from it, and what of that is loud."""

from dataclasses import replace
from datetime import UTC, date, datetime, timedelta

import pytest
from hypothesis import given
from hypothesis import strategies as st

from programme.supply.numeric.orders import (
    MOVES,
    OrderFacts,
    OrderNeeds,
    alarms,
    changed_needs,
    needs_from_dict,
    needs_to_dict,
    order_needs,
    printed_negative,
    state_after_answer,
    tally,
    unclear_antibodies,
    unit_differences,
)
from programme.supply.numeric.unfit import Unfit
from sessions.day.numeric.blood_match import Needed, UnitBlood

NEEDS = OrderNeeds("O", "+", ("C", "E", "K"), (), hbs_negative=True)
START = datetime(2026, 6, 12, 8, tzinfo=UTC)
NOW = datetime(2026, 6, 5, 9, tzinfo=UTC)
FACTS = OrderFacts(
    state="sent", units=5, confirmed=0, here=0, units_now=5, for_at=START, starts=START, standing=True, needs=NEEDS,
    needs_now=NEEDS, order_by=date(2026, 6, 8), sent_on=date(2026, 6, 5), sample_holds=None, can_sample=True,
)  # fmt: skip


def loud(**changed):
    found = alarms(replace(FACTS, **changed), today=NOW.date(), now=NOW, answer_days=2)
    return [(alarm.level, alarm.kind) for alarm in found]


def test_an_order_that_is_not_answered_says_when_it_was_sent():
    soon = {"starts": NOW + timedelta(hours=20), "for_at": NOW + timedelta(hours=20)}
    for sent_on, words in ((NOW.date(), "today"), (date(2026, 6, 4), "1 day ago"), (date(2026, 6, 3), "2 days ago")):
        found = alarms(replace(FACTS, sent_on=sent_on, **soon), today=NOW.date(), now=NOW, answer_days=2)
        assert f"not confirmed, sent {words}: telephone." in [alarm.words for alarm in found]


def test_units_are_matched_for_rh_and_k_and_for_every_antibody_ever_found():
    """ASH 2020 (Chou et al., Blood Adv 2020;4:327-55) and UK practice, as quoted: Rh and K, and negative for every
    antibody ever found; HbS-negative."""
    needed = Needed("O", "+", own_type="C- c+ E- e+ K-", antibodies=("anti-Jk(b)", "anti-c+E"))
    needs = order_needs(needed, other="irradiated", freshest_days=14)
    assert needs.negative == ("C", "c", "E", "K", "Jkb")
    assert needs.match == "C− c− E− K− Jk(b)−"
    assert needs.words() == (
        "O, D positive, C− c− E− K− Jk(b)−, HbS-negative, not older than 14 days if there is a choice. "
        "Antibodies ever found: anti-Jk(b), anti-c+E. Also: irradiated."
    )


def test_what_is_not_recorded_is_said_and_not_guessed():
    needs = order_needs(Needed("", ""))
    assert needs.group == "group? D?"
    assert needs.words().startswith("group not recorded, D type not recorded")
    assert loud(needs=needs, needs_now=needs) == [("stop", "group")]
    assert unclear_antibodies(replace(NEEDS, antibodies=("autoantibody", "anti-K"))) == ("autoantibody",)


@pytest.mark.parametrize(
    ("name", "printed"), [("C", "C−"), ("Jkb", "Jk(b)−"), ("Fya", "Fy(a)−"), ("U", "U−"), ("Jk3", "Jk3−")]
)
def test_antigens_are_printed_as_the_trade_prints_them(name, printed):
    assert printed_negative(name) == printed


def test_needs_come_back_from_storage_as_they_were():
    needs = replace(NEEDS, antibodies=("anti-K",), other="washed", freshest_days=10)
    assert needs_from_dict(needs_to_dict(needs)) == needs


def test_each_change_of_needs_is_named():
    now = OrderNeeds("A", "-", ("C", "K", "Fya"), ("anti-Fy(a)",), hbs_negative=False, other="washed")
    assert changed_needs(NEEDS, now) == (
        "group O + was ordered, A − is recorded now",
        "Fy(a)− must be matched too",
        "E− was ordered and is no longer asked for",
        "anti-Fy(a) found since",
        "HbS-negative is no longer asked for",
        "other needs are now: washed",
    )
    assert changed_needs(now, now) == ()


def test_a_unit_is_compared_with_what_was_asked_and_not_judged():
    fits = UnitBlood("O", "+", frozenset({"C", "E", "K"}), hbs_negative=True)
    assert unit_differences(fits, NEEDS, age_days=40) == ()
    other = UnitBlood("O", "-", frozenset({"C"}), frozenset({"K"}), hbs_negative=None)
    assert unit_differences(other, replace(NEEDS, freshest_days=14), age_days=15) == (
        "group O −, O + was asked for",
        "K positive, asked for negative",
        "not entered as negative: E",
        "HbS-negative not entered",
        "15 days old, not over 14 was asked for",
    )
    assert unit_differences(fits, replace(NEEDS, freshest_days=14), age_days=14) == ()


def test_an_order_in_line_with_everything_is_quiet():
    assert loud() == []


@pytest.mark.parametrize(
    ("changed", "expected"),
    [
        ({"units_now": 6}, [("check", "units")]),
        ({"units_now": None, "no_plan": "locked."}, [("check", "units")]),
        ({"needs_now": replace(NEEDS, negative=("C", "E", "K", "Fya"))}, [("stop", "needs")]),
        ({"starts": START.replace(hour=9)}, [("check", "time")]),
        ({"standing": False, "booking_words": "The booking is cancelled"}, [("stop", "no_booking")]),
        ({"standing": False, "moved_to": date(2026, 6, 15)}, [("stop", "moved")]),
        ({"sample_holds": False}, [("stop", "sample")]),
        ({"sample_holds": False, "standing": False}, [("stop", "no_booking")]),
        ({"can_sample": False}, [("stop", "sample")]),
        ({"can_sample": False, "sample_holds": True}, []),
        ({"given_elsewhere": 1}, [("stop", "given_elsewhere")]),
        ({"sent_on": date(2026, 6, 3)}, [("check", "answer")]),
        ({"sent_on": date(2026, 6, 4)}, []),
        ({"state": "confirmed", "sent_on": date(2026, 6, 1)}, []),
        ({"state": "arrived", "here": 5}, []),
        ({"state": "arrived", "here": 3, "given": 2}, []),
        ({"state": "arrived", "here": 1}, [("check", "missing")]),
        ({"state": "arrived", "here": 0, "given": 1}, [("check", "missing")]),
        ({"state": "drafted"}, []),
        ({"state": "drafted", "order_by": date(2026, 6, 5)}, [("check", "due")]),
        ({"state": "drafted", "order_by": date(2026, 6, 4)}, [("stop", "late")]),
        ({"units_now": 6, "sample_holds": False}, [("stop", "sample"), ("check", "units")]),
        ({"state": "confirmed", "confirmed": 5, "to_tell": "for 2026-06-15 09:00"}, [("stop", "untold")]),
        ({"state": "arrived", "here": 5, "unfit": Unfit(refused=("G1: wrong group.",))}, [("stop", "unlike")]),
        ({"state": "arrived", "here": 5, "unfit": Unfit(expired=("G1 expires on Thu 4 Jun",))}, [("stop", "expired")]),
        ({"state": "arrived", "here": 5, "unfit": Unfit(unstated=("G1: K",))}, [("check", "unstated")]),
    ],
)
def test_what_is_loud_and_how(changed, expected):
    assert loud(**changed) == expected


@pytest.mark.parametrize(
    ("state", "before", "after"),
    [
        ("confirmed", [("check", "not_come")], [("stop", "not_come")]),
        ("sent", [("check", "answer")], [("stop", "not_come"), ("check", "answer")]),
        ("arrived", [("check", "missing")], [("check", "missing")]),
    ],
)
def test_blood_that_has_not_come_is_loud_on_the_day_and_a_stop_after_the_start(state, before, after):
    starts = FACTS.starts
    seen = replace(FACTS, state=state, confirmed=5 if state != "sent" else 0, here=1 if state == "arrived" else 0)

    def at(now):
        found = alarms(seen, today=now.date(), now=now, answer_days=2)
        return [(alarm.level, alarm.kind) for alarm in found]

    assert at(starts - timedelta(minutes=1)) == before
    assert at(starts) == after
    assert at(starts + timedelta(days=2)) == after
    assert ("check", "not_come") not in at(starts - timedelta(days=1))
    words = [one.words for one in alarms(seen, today=starts.date(), now=starts, answer_days=2)]
    assert state == "arrived" or any("5 of 5 have not come: call the blood bank now" in one for one in words)
    given = replace(seen, given=5 - seen.here)
    assert "not_come" not in [one.kind for one in alarms(given, today=starts.date(), now=starts, answer_days=2)]


def test_the_day_before_the_session_an_answer_is_pressing_however_new_the_order():
    near = datetime(2026, 6, 6, 8, tzinfo=UTC)
    assert loud(for_at=near, starts=near) == [("check", "answer")]


@given(confirmed=st.integers(0, 20), units=st.integers(1, 20))
def test_an_answer_is_whole_in_part_or_none(confirmed, units):
    state = state_after_answer(confirmed, units)
    assert state == ("sent" if confirmed == 0 else "confirmed" if confirmed >= units else "part")


def test_what_has_ended_can_be_moved_no_more():
    assert all({"ended", "cancelled"}.isdisjoint(states) for states in MOVES.values())


@given(states=st.lists(st.sampled_from(["arrived", "issued", "given", "returned", "discarded"])))
def test_a_tally_counts_every_unit_once(states):
    found = tally(states)
    assert found.came == len(states) == found.here + found.issued + found.given + found.returned + found.discarded
