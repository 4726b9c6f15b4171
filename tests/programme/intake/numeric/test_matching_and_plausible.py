"""Whose result it is, and what does not look right about it."""

from __future__ import annotations

from datetime import UTC, date, datetime, timedelta

import pytest

from programme.intake.numeric import plausible
from programme.intake.numeric.codes import HBA, HBA2, HBC, HBF, HBS, Measured
from programme.intake.numeric.matching import Matched, Person, differing, match
from programme.intake.numeric.pairing import doubtful_session
from sessions.numeric.pairing import LooseResult, SessionTimes

BORN = date(1991, 2, 17)
PEOPLE = (Person(1, "SM-021", date(1988, 10, 3)), Person(2, "SM-012", BORN), Person(3, "SM-077", None))
NOON = datetime(2026, 6, 1, 12, tzinfo=UTC)
DAY = NOON.date()


@pytest.mark.parametrize(
    ("reference", "born", "trusted", "key"),
    [("SM-012", BORN, False, 2), ("SM-012", None, True, 2), ("SM-012", BORN, True, 2)],
)
def test_both_must_agree_unless_the_sender_is_trusted(reference, born, trusted, key):
    assert match(reference, born, PEOPLE, trusted=trusted) == Matched(key)


@pytest.mark.parametrize(
    ("reference", "born", "trusted", "reason", "near"),
    [
        ("SM-021", BORN, False, "two_people_fit", (1, 2)),
        ("SM-021", BORN, True, "two_people_fit", (1, 2)),
        ("SM-021", date(1988, 3, 10), False, "birth_date_differs", (1,)),
        ("SM-021", None, False, "no_birth_date", (1,)),
        ("SM-077", date(1960, 1, 1), False, "birth_date_differs", (3,)),
        ("sm-012", BORN, False, "reference_differs", (2,)),
        ("SM-O12", BORN, True, "reference_differs", (2,)),
        ("SM-999", date(1950, 1, 1), True, "unknown_person", ()),
    ],
)
def test_anything_less_waits_with_who_comes_near(reference, born, trusted, reason, near):
    people = [p for p in PEOPLE if p.reference.casefold() == reference.casefold() or (born and p.birth_date == born)]
    found = match(reference, born, people, trusted=trusted)
    assert (found.reason, found.near) == (reason, near)


def test_the_difference_is_named():
    assert differing(date(1988, 3, 10), date(1988, 10, 3)) == "day and month are swapped"
    assert differing(date(1989, 10, 3), date(1988, 10, 3)) == "the year differs"
    assert differing(date(1989, 10, 4), date(1988, 10, 3)) == "the day and the year differ"


def doubt(value, *, analyte=HBS.analyte, comparator="", taken=NOON, earlier=None, born=BORN):
    found = plausible.doubts_about(
        Measured(analyte, value, comparator), taken_at=taken, taken_on=taken.date(), received_at=NOON,
        birth_date=born, earlier=earlier,
    )  # fmt: skip
    return None if found is None else found.reason


def last(value, days=7, exchanged=False):
    return plausible.Earlier(value, DAY - timedelta(days=days), exchanged)


@pytest.mark.parametrize(
    ("value", "earlier", "reason"),
    [
        (3.0, last(31), "far_from_last"),  # the wrong person in the tube
        (3.0, last(31, exchanged=True), None),
        (26.0, last(31), None),
        (25.9, last(31), "far_from_last"),
        (50.0, last(31), None),  # 31 and two points a day, with the slack of two measurements
        (50.1, last(31), "far_from_last"),
        (31.0, None, None),
        (0.31, None, "share_not_percent"),
        (0.0, None, None),
    ],
)
def test_hbs_against_the_last(value, earlier, reason):
    assert doubt(value, earlier=earlier) == reason


def test_times_and_limits():
    assert doubt(31, taken=NOON + timedelta(minutes=11)) == "future"
    assert doubt(31, taken=NOON + timedelta(minutes=9)) is None
    assert doubt(31, taken=datetime(1990, 1, 1, tzinfo=UTC)) == "before_birth"
    assert doubt(5, comparator="<") == "comparator"


def test_hb_that_jumps_within_two_weeks():
    earlier = plausible.Earlier(95, DAY - timedelta(days=7), False)
    assert doubt(50, analyte="718-7", earlier=earlier) == "far_from_last"
    assert doubt(60, analyte="718-7", earlier=earlier) is None


@pytest.mark.parametrize(
    ("pct", "is_doubtful"),
    [
        ([(HBS, 30), (HBA, 65), (HBF, 2), (HBA2, 3)], False),
        ([(HBS, 30), (HBA, 63), (HBF, 2), (HBA2, 3)], False),  # 98
        ([(HBS, 30), (HBA, 62.9), (HBF, 2), (HBA2, 3)], True),
        ([(HBS, 30), (HBA, 67), (HBF, 2), (HBA2, 3)], False),  # 102
        ([(HBS, 30), (HBA, 67.1), (HBF, 2), (HBA2, 3)], True),
        ([(HBS, 60), (HBA, 50)], True),
        ([(HBS, 30), (HBA, 50)], False),  # others were not sent
        ([(HBS, 45), (HBC, 44), (HBF, 1)], False),
        ([(HBS, 30)], False),
    ],
)
def test_fractions_add_up_to_100_within_2(pct, is_doubtful):
    found = plausible.fractions_doubt({row.analyte: value for row, value in pct})
    assert (found is not None) == is_doubtful


def test_a_group_that_differs_is_a_doubt_and_an_unknown_one_is_none():
    assert plausible.group_doubt("O+", "A+").reason == "group_differs"
    assert plausible.group_doubt("O+", "O+") is None and plausible.group_doubt("O+", "") is None


@pytest.mark.parametrize(
    ("taken", "times", "asks"),
    [
        (NOON, (None, None), True),  # only the day of the session is known
        (None, (NOON, NOON + timedelta(hours=3)), True),
        (NOON + timedelta(hours=1), (NOON, NOON + timedelta(hours=3)), True),
        (NOON - timedelta(hours=1), (NOON, NOON + timedelta(hours=3)), False),
        (NOON + timedelta(hours=3), (NOON, NOON + timedelta(hours=3)), False),
    ],
)
def test_a_result_asks_where_times_do_not_say_before_or_after(taken, times, asks):
    session = SessionTimes(7, DAY, *times)
    found = doubtful_session(LooseResult(1, HBS.analyte, DAY, taken), [session])
    assert found == (session if asks else None)
