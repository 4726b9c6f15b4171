"""What an order asks for, in words and beside what is needed now or what a unit is."""

from dataclasses import replace

import pytest

from programme.supply.numeric.needs import (
    OrderNeeds,
    changed_needs,
    needs_from_dict,
    needs_to_dict,
    order_needs,
    phenotype_of,
    printed_negative,
    unit_differences,
)
from sessions.day.numeric.blood_match import Needed, UnitBlood

NEEDS = OrderNeeds("O", "+", ("C", "E", "K"), (), hbs_negative=True)


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


@pytest.mark.parametrize(
    ("changed", "words"),
    [
        ({}, "C− E− K−"),
        ({"antibodies": ("anti-E",)}, "C− E− K−"),
        ({"negative": ("C", "E", "K", "Jkb"), "antibodies": ("anti-Jk(b)",)}, "C− E− K− Jk(b)−"),
        ({"negative": ()}, "no antigen to avoid"),
        ({"antibodies": ("autoantibody",)}, "C− E− K−, autoantibody"),
        ({"hbs_negative": False}, "C− E− K−, HbS not asked"),
    ],
)
def test_a_phenotype_is_what_units_must_lack_as_the_trade_prints_it(changed, words):
    assert phenotype_of(replace(NEEDS, **changed)) == words
