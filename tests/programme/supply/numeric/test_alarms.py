"""What of an order is loud, and how."""

import inspect
import re
from dataclasses import replace
from datetime import UTC, date, datetime, timedelta

import pytest

from programme.supply.numeric import alarms as numeric_alarms
from programme.supply.numeric.alarms import KINDS, OF_RECORDS, OrderFacts, alarms
from programme.supply.numeric.groups import GroupSamples
from programme.supply.numeric.needs import OrderNeeds, order_needs, unclear_antibodies
from programme.supply.numeric.unfit import Unfit
from programme.supply.queries import orders
from sessions.day.numeric.blood_match import Needed

NEEDS = OrderNeeds("O", "+", ("C", "E", "K"), (), hbs_negative=True)
START = datetime(2026, 6, 12, 8, tzinfo=UTC)
NOW = datetime(2026, 6, 5, 9, tzinfo=UTC)
FIRST = datetime(2026, 1, 5, 9, tzinfo=UTC)
ONE, TWO = GroupSamples((FIRST,)), GroupSamples((FIRST, NOW))
OTHER = GroupSamples((FIRST,), ((NOW, "A +"),))
HELD = {"state": "confirmed", "confirmed": 5}
FACTS = OrderFacts(
    state="sent", units=5, confirmed=0, here=0, units_now=5, for_at=START, starts=START, standing=True, needs=NEEDS,
    needs_now=NEEDS, order_by=date(2026, 6, 8), answer_by=date(2026, 6, 11), sent_on=date(2026, 6, 5),
    sample_holds=None, can_sample=True,
)  # fmt: skip


def loud(**changed):
    found = alarms(replace(FACTS, **changed), today=NOW.date(), now=NOW, answer_days=2)
    return [(alarm.level, alarm.kind) for alarm in found]


def test_an_order_that_is_not_answered_says_when_it_was_sent():
    soon = {"starts": NOW + timedelta(hours=20), "for_at": NOW + timedelta(hours=20), "answer_by": NOW.date()}
    for sent_on, words in ((NOW.date(), "today"), (date(2026, 6, 4), "1 day ago"), (date(2026, 6, 3), "2 days ago")):
        found = alarms(replace(FACTS, sent_on=sent_on, **soon), today=NOW.date(), now=NOW, answer_days=2)
        assert f"not confirmed, sent {words}: telephone." in [alarm.words for alarm in found]


def test_what_is_not_recorded_is_said_and_not_guessed():
    needs = order_needs(Needed("", ""))
    assert needs.group == "group? D?"
    assert needs.words().startswith("group not recorded, D type not recorded")
    assert loud(needs=needs, needs_now=needs) == [("stop", "group")]
    assert unclear_antibodies(replace(NEEDS, antibodies=("autoantibody", "anti-K"))) == ("autoantibody",)


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
        ({"group_samples_needed": 2}, [("check", "one_sample")]),
        ({"group_samples_needed": 2, "group": ONE}, [("check", "one_sample")]),
        ({"group_samples_needed": 2, "group": ONE, "can_sample": False}, [("stop", "sample"), ("check", "one_sample")]),
        ({"group_samples_needed": 2, "group": TWO}, []),
        ({"group_samples_needed": 1, "group": ONE}, []),
        ({"group_samples_needed": 1, "group": OTHER}, [("stop", "group_differs")]),
        ({"group_samples_needed": 0, "group": ONE}, []),
        ({"elsewhere_days": 365}, [("check", "elsewhere")]),
        ({"elsewhere_days": 365, "elsewhere_on": date(2025, 6, 5)}, []),
        ({"elsewhere_days": 365, "elsewhere_on": date(2025, 6, 4)}, [("check", "elsewhere")]),
        ({"elsewhere_days": 0, "elsewhere_on": date(2015, 6, 4)}, []),
        ({**HELD, "held_until": START}, []),
        ({**HELD, "held_until": START - timedelta(minutes=1)}, [("stop", "held")]),
        ({**HELD, "held_until": START - timedelta(minutes=1), "confirmed": 0, "state": "sent"}, []),
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


def test_from_the_working_day_before_the_session_an_answer_is_pressing_however_new_the_order():
    assert loud(answer_by=NOW.date() + timedelta(days=1)) == []
    assert loud(answer_by=NOW.date()) == [("check", "answer")]
    assert loud(answer_by=NOW.date() - timedelta(days=3)) == [("check", "answer")]
    assert loud(state="confirmed", confirmed=5, answer_by=NOW.date()) == []


def test_an_answer_in_part_is_loud_at_once_and_says_what_is_not_confirmed():
    part = {"state": "part", "confirmed": 3, "sent_on": NOW.date()}
    assert loud(**part) == [("check", "answer")]
    assert words(**part) == ["2 of 5 not confirmed, sent today: telephone."]


def words(now=NOW, **changed):
    return [alarm.words for alarm in alarms(replace(FACTS, **changed), today=now.date(), now=now, answer_days=2)]


def test_a_group_found_on_one_sample_asks_for_a_second_one_and_is_a_stop_once_none_can_be_had():
    """BCSH guideline (Milkins et al., Transfus Med 2013;23:3-35), recommendation 12, as quoted: a second sample
    confirms the group of somebody not transfused there before."""
    asked = {"group_samples_needed": 2, "group": ONE}
    assert words(**asked) == [
        "Group O + rests on one sample, of 5 Jan 2026: take a second, independent one before units of this group are "
        "issued."
    ]
    late = alarms(
        replace(FACTS, **asked, can_sample=False), today=START.date(), now=START - timedelta(hours=1), answer_days=9
    )
    assert ("stop", "one_sample") in [(alarm.level, alarm.kind) for alarm in late]
    assert words(group_samples_needed=2, group=OTHER) == [
        "The sample of Fri 5 Jun was A +, recorded is O +: no unit of either group before the blood bank has found out "
        "which is right."
    ]


def test_units_that_are_not_kept_until_the_booked_start_are_a_stop_and_later_a_question():
    until = START - timedelta(hours=9)
    assert words(**HELD, held_until=until) == [
        "The units are held until Thu 11 Jun 23:00 only, and the exchange starts on Fri 12 Jun 08:00: ask the blood "
        "bank to keep them, and record until when."
    ]
    here = {"state": "arrived", "here": 2, "given": 3, "held_until": START + timedelta(hours=16)}
    later = START + timedelta(days=2)
    assert words(now=later, **here) == [
        "2 units here, held until Sat 13 Jun 00:00, which has passed: ask the blood bank."
    ]


def test_antibodies_known_elsewhere_are_asked_for_again_after_the_sites_days():
    assert words(elsewhere_days=365) == [
        "Antibodies known elsewhere: never asked for, as far as is recorded: ask other hospitals and registers, and "
        "record the day."
    ]
    assert words(elsewhere_days=365, elsewhere_on=date(2025, 6, 4)) == [
        "Antibodies known elsewhere: last asked for on 4 Jun 2025, 366 days ago: ask other hospitals and registers, "
        "and record the day."
    ]


def test_blood_that_has_not_come_goes_before_what_a_record_lacks():
    asked = {"group_samples_needed": 2, "elsewhere_days": 365, "can_sample": False, "state": "confirmed"}
    found = alarms(replace(FACTS, **asked, to_tell="for 09:00"), today=START.date(), now=START, answer_days=2)
    assert [alarm.kind for alarm in found] == ["not_come", "untold", "sample", "one_sample", "elsewhere"]
    assert found[3].level == "stop"  # and still after the others


def test_every_kind_of_alarm_has_its_place():
    assert len({*KINDS, *OF_RECORDS}) == len(KINDS) + len(OF_RECORDS)
    source = inspect.getsource(numeric_alarms) + inspect.getsource(orders)
    named = set(re.findall(r'Alarm\((?:STOP|CHECK|NOTE|level), "(\w+)"', source))
    assert len(named) > 15
    assert named <= {*KINDS, *OF_RECORDS}
