"""Which unit may be given to whom."""

import itertools

import pytest

from sessions.day.numeric.blood_match import (
    ASK,
    STOP,
    Needed,
    UnitBlood,
    antigen_named,
    antigens_of,
    differences,
    is_rare,
    must_be_negative,
    negatives_written,
    typed_antigens,
)

# Red cells that may be given across ABO: any text-book of transfusion, e.g. JPAC Handbook of Transfusion Medicine, 2.
COMPATIBLE = {("O", "O"), ("O", "A"), ("O", "B"), ("O", "AB"), ("A", "A"), ("A", "AB"), ("B", "B"), ("B", "AB"),
              ("AB", "AB")}  # fmt: skip
ALL_FIVE = "C+ c+ E+ e+ K+"  # nothing to be negative for
NEEDED = Needed("O", "+", own_type="C- E- K-", antigens_to_avoid="C, E, K", antibodies=("anti-Jk(b)",))
FITS = UnitBlood("O", "+", frozenset({"C", "E", "K", "Jkb"}), hbs_negative=True)


def states(unit, needed):
    return [(one.state, one.field) for one in differences(unit, needed)]


@pytest.mark.parametrize(("unit", "person"), list(itertools.product(("O", "A", "B", "AB"), repeat=2)))
def test_abo_of_red_cells_follows_the_table_of_the_trade(unit, person):
    found = states(UnitBlood(unit, "+", hbs_negative=True), Needed(person, "+", own_type=ALL_FIVE))
    if (unit, person) not in COMPATIBLE:
        assert found == [(STOP, "group")]
    elif unit != person:
        assert found == [(ASK, "group")]
    else:
        assert found == []


@pytest.mark.parametrize(("unit", "person", "refused"), [("+", "-", True), ("-", "-", False), ("-", "+", False)])
def test_d_positive_units_go_to_nobody_who_is_d_negative(unit, person, refused):
    assert bool(states(UnitBlood("O", unit, hbs_negative=True), Needed("O", person, own_type=ALL_FIVE))) is refused


@pytest.mark.parametrize("name", ["anti-D", "anti-CD", "Anti-C+D"])
def test_anti_d_refuses_d_positive_units_whatever_the_own_type(name):
    found = states(
        UnitBlood("O", "+", frozenset("C"), hbs_negative=True), Needed("O", "+", own_type=ALL_FIVE, antibodies=(name,))
    )
    assert found == [(STOP, "group")]


def test_a_unit_that_fits_in_everything_has_no_difference():
    assert differences(FITS, NEEDED) == ()


def test_every_antigen_that_is_not_stated_is_named_with_why():
    found = differences(UnitBlood("O", "+", frozenset({"C"}), hbs_negative=True), NEEDED)
    assert [one.state for one in found] == [STOP]
    assert "Jkb (anti-Jk(b) was found)" in found[0].words
    assert "E (units for this person must be)" in found[0].words
    assert "C (" not in found[0].words


def test_a_unit_that_is_positive_for_an_antigen_with_an_antibody_is_refused_by_name():
    unit = UnitBlood("O", "+", frozenset({"C", "E", "K"}), frozenset({"Jkb"}), hbs_negative=True)
    found = differences(unit, NEEDED)
    assert [one.words for one in found] == ["The unit is Jkb positive, and must be negative: anti-Jk(b) was found. "
                                            "Do not give."]  # fmt: skip


def test_rh_and_k_are_matched_by_the_own_type_even_where_nothing_is_to_be_avoided():
    """ASH 2020 (Chou et al., Blood Adv 2020;4:327-55), as quoted: Rh (C, E or C/c, E/e) and K for everybody."""
    assert set(must_be_negative(Needed("O", "+", own_type="C- c+ E\u2212 e+ K- Fy(a-b-) Jk(a-)"))) == {"C", "E", "K"}


@pytest.mark.parametrize(("stated", "refused"), [(True, False), (None, True), (False, True)])
def test_hbs_must_be_stated_negative_where_it_is_needed(stated, refused):
    unit = UnitBlood("O", "+", hbs_negative=stated)
    assert bool(differences(unit, Needed("O", "+", own_type=ALL_FIVE, hbs_negative=True))) is refused
    assert differences(unit, Needed("O", "+", own_type=ALL_FIVE, hbs_negative=False)) == ()


def test_a_person_without_a_recorded_group_gets_no_unit():
    assert states(FITS, Needed("", "+", own_type=ALL_FIVE))[0] == (STOP, "group")
    assert states(FITS, Needed("O", "", own_type=ALL_FIVE))[0] == (STOP, "group")


@pytest.mark.parametrize(
    ("name", "antigens"),
    [
        ("anti-Jk(b)", ("Jkb",)), ("Anti-JKB", ("Jkb",)), ("anti-jk (b)", ("Jkb",)), ("E", ("E",)), ("e", ("e",)),
        ("anti-c", ("c",)), ("anti-C", ("C",)), ("anti-c+E", ("c", "E")), ("anti-C, anti-K", ("C", "K")),
        ("anti-Vel", ("Vel",)), ("anti-Xyz", ("Xyz",)), ("warm autoantibody", ()), ("anti-HLA", ()),
        ("anti-CD", ("C", "D")), ("anti-C^w", ("Cw",)), ("anti-S and anti-s", ("S", "s")), ("anti-k", ("k",)),
    ],
)  # fmt: skip
def test_antibodies_are_understood_however_they_are_written(name, antigens):
    assert antigens_of(name) == antigens


def test_an_antibody_that_names_no_antigen_asks_for_the_laboratory():
    found = differences(
        UnitBlood("O", "+", hbs_negative=True), Needed("O", "+", own_type=ALL_FIVE, antibodies=("warm autoantibody",))
    )
    assert [one.state for one in found] == [ASK]
    assert "laboratory" in found[0].words


def test_a_label_is_read_with_and_without_signs():
    assert typed_antigens("C- E\u2212 K, Fy(a)+ jk(b)-") == (frozenset({"C", "E", "K", "Jkb"}), frozenset({"Fya"}))
    assert antigen_named("nonsense") is None
    assert negatives_written({"K", "c", "C"}) == "C, c, K"


def test_where_no_rh_and_k_type_is_recorded_the_match_is_asked_about():
    """Units match C, c, E, e and K (ASH 2020): with nothing recorded, a label can show no match."""
    any_unit = UnitBlood("O", "+", positive=frozenset(("C", "E", "K")), hbs_negative=True)
    (found,) = differences(any_unit, Needed("O", "+"))
    assert (found.state, "K type is not recorded" in found.words) == (ASK, True)
    assert differences(any_unit, Needed("O", "+", own_type=ALL_FIVE)) == ()


@pytest.mark.parametrize(
    ("antibody", "rare"), [("anti-U", True), ("anti-k", True), ("anti-K", False), ("anti-Jk(b)", False)]
)
def test_a_type_that_few_donors_have_is_rare(antibody, rare):
    assert is_rare(Needed("O", "+", antibodies=(antibody,))) == rare
