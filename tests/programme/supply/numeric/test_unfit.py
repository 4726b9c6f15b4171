"""Units that came in, held against the person and the day, as the chair will hold them."""

from dataclasses import replace
from datetime import date

import pytest
from hypothesis import given
from hypothesis import strategies as st

from programme.supply.numeric.unfit import Unfit, UnitHere, unfit
from sessions.day.numeric.blood_match import STOP, Needed, UnitBlood, differences

DAY = date(2026, 6, 12)
NEEDED = Needed("A", "-", own_type="C- E- K-", antibodies=("anti-Jk(b)",))
FITS = UnitBlood("A", "-", frozenset({"C", "E", "K", "Jkb"}), hbs_negative=True)
UNIT = UnitHere("G1", FITS, DAY)


def found(unit, needed=NEEDED):
    return unfit([unit], needed, DAY)


def test_a_unit_that_fits_and_lasts_the_day_is_quiet():
    assert found(UNIT) == Unfit()


@pytest.mark.parametrize(
    ("changed", "words"),
    [
        ({"abo": "B"}, "the unit is B, allowed is A or O"),
        ({"rhd": "+"}, "the unit is D positive, the person is D negative"),
        ({"negative": frozenset({"C", "E", "K"}), "positive": frozenset({"Jkb"})}, "anti-Jk(b) was found"),
        ({"hbs_negative": False}, "from a donor with HbS"),
    ],
)
def test_what_the_chair_would_refuse_is_said_with_its_number(changed, words):
    (said,) = found(replace(UNIT, blood=replace(FITS, **changed))).refused
    assert said.startswith("G1: ")
    assert words in said
    assert "Do not give" not in said


def test_another_group_that_may_be_given_is_no_refusal():
    assert found(replace(UNIT, blood=replace(FITS, abo="O"))) == Unfit()


@pytest.mark.parametrize(("expires", "early"), [(date(2026, 6, 11), True), (DAY, False), (date(2026, 6, 30), False)])
def test_a_unit_must_last_to_the_day_of_the_session(expires, early):
    assert found(replace(UNIT, expires_on=expires)).expired == (("G1 expires on Thu 11 Jun",) if early else ())


def test_what_was_not_entered_is_named_and_does_not_hide_what_was():
    bare = UnitHere("G2", UnitBlood("", ""), None)
    assert found(bare) == Unfit(unstated=("G2: group, Jkb, C, E, K, HbS, day of expiry",))
    wrong = replace(bare, blood=UnitBlood("B", ""))
    assert found(wrong).refused and found(wrong).unstated


def test_that_the_persons_own_group_is_missing_is_not_said_of_each_unit():
    assert found(UNIT, replace(NEEDED, abo="", rhd="")).refused == ()


@given(
    abo=st.sampled_from(["O", "A", "B", "AB"]), rhd=st.sampled_from("+-"),
    negative=st.frozensets(st.sampled_from(["C", "E", "K", "Jkb"])), hbs=st.sampled_from([True, False, None]),
)  # fmt: skip
def test_quiet_here_is_never_refused_at_the_chair(abo, rhd, negative, hbs):
    """Law: what nothing is said against here has no refusal by the rules of the chair, and the other way round."""
    blood = UnitBlood(abo, rhd, negative, hbs_negative=hbs)
    refused = any(one.state == STOP for one in differences(blood, NEEDED))
    assert (found(replace(UNIT, blood=blood)) != Unfit()) == refused
