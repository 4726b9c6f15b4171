"""Blood volume against published equations and tables, and against jumps."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from numpy.testing import assert_allclose, assert_array_equal

from sessions.numeric.volume import blood_volume_ml, lemmens_ml, ml_per_kg_by_age, nadler_ml, volume_rule

AGES = st.one_of(st.floats(0.0, 30.0), st.integers(0, 30).map(float), st.just(np.nan))
WEIGHTS = st.floats(3.0, 120.0)
HEIGHTS = st.floats(60.0, 200.0)
DAY_YEARS = 1.0 / 365.25


@pytest.mark.parametrize(
    ("female", "height_cm", "weight_kg", "litres"),
    [
        (False, 175, 70, 4.823755),
        (True, 165, 60, 3.767746),
        (False, 180, 80, 5.31906),
        (True, 160, 50, 3.29589),
        (True, 170, 70, 4.24842),
        (False, 175, 122.5, 6.51373),
    ],
)
def test_nadler(female, height_cm, weight_kg, litres):
    """Nadler SB, Hidalgo JU, Bloch T. Surgery 1962;51:224-32 (independent computation from its equations)."""
    volume = nadler_ml(female=female, height_cm=height_cm, weight_kg=weight_kg)
    assert volume == pytest.approx(1000.0 * litres, abs=0.005)
    assert blood_volume_ml(female=female, height_cm=height_cm, weight_kg=weight_kg, age_years=35) == volume


@pytest.mark.parametrize(("weight_kg", "millilitres"), [(70.0, 4807.0), (122.5, 6359.0)])
def test_lemmens(weight_kg, millilitres):
    """70/√(BMI/22): Lemmens HJM, Bernstein DP, Brodsky JB. Obes Surg 2006;16:773-6, second-hand (independent
    computation)."""
    assert lemmens_ml(height_cm=175.0, weight_kg=weight_kg) == pytest.approx(millilitres, abs=0.5)
    by_setting = blood_volume_ml(female=False, height_cm=175.0, weight_kg=weight_kg, age_years=40.0, formula="lemmens")
    assert by_setting == pytest.approx(millilitres, abs=0.5)


@pytest.mark.parametrize(
    ("age_years", "low", "high"),
    [(0.0, 80, 90), (0.5, 70, 80), (1.0, 70, 80), (2.0, 70, 75), (11.0, 70, 75), (18.0, 65, 70), (60.0, 65, 70)],
)
def test_millilitres_per_kg_lie_in_the_published_ranges(age_years, low, high):
    """University of Iowa protocols, 'Maximum allowable blood loss': term 80–90, infant 70–80, child 70–75,
    adult 65–70."""
    assert low <= ml_per_kg_by_age(age_years=age_years) <= high


def test_obese_child_lies_in_the_published_range():
    """Obese child 60–65 mL/kg, same table; the adult figure does not follow the child's."""
    assert 60.0 <= ml_per_kg_by_age(age_years=9.0, bmi=30.0) <= 65.0
    assert ml_per_kg_by_age(age_years=9.0, bmi=16.0) == ml_per_kg_by_age(age_years=9.0)
    assert ml_per_kg_by_age(age_years=30.0, bmi=45.0) == ml_per_kg_by_age(age_years=30.0)


@given(female=st.booleans(), age=AGES, weight=WEIGHTS, height=st.one_of(HEIGHTS, st.just(np.nan)))
def test_nothing_jumps_from_one_day_to_the_next(female, age, weight, height):
    """Under 3 % even when the child grows 0.2 % heavier overnight, at birthdays and anywhere else."""
    days = age + DAY_YEARS * np.array([-1.0, 0.0, 1.0])
    for formula in ("nadler", "lemmens", "fixed"):
        volume = blood_volume_ml(
            female=female,
            height_cm=height,
            weight_kg=weight * np.array([0.998, 1.0, 1.002]),
            age_years=np.maximum(days, 0.0),
            formula=formula,
        )
        assert (np.abs(np.diff(np.log(volume))) < 0.03).all()


@given(age=st.floats(2.0, 18.0), bmi=st.floats(15.0, 40.0))
def test_no_child_becomes_obese_overnight(age, bmi):
    """The cut-off moves with age; a child whose body mass index lies on it must not lose a tenth of its
    volume in a day."""
    weight = bmi * 1.1**2
    volume = blood_volume_ml(
        female=True,
        height_cm=110.0,
        weight_kg=weight * np.array([1.0, 1.0, 1.002]),
        age_years=age + DAY_YEARS * np.array([0, 1, 1]),
    )
    assert (np.abs(np.diff(np.log(volume))) < 0.01).all()


@given(female=st.booleans(), age=AGES, height=HEIGHTS, border=st.sampled_from([30.0, 40.0]))
def test_nothing_jumps_on_the_scales(female, age, height, border):
    either_side = border + np.array([-1e-6, 1e-6])
    volume = blood_volume_ml(female=female, height_cm=height, weight_kg=either_side, age_years=age)
    assert_allclose(volume[0], volume[1], rtol=1e-5)


def test_the_way_from_30_to_40_kg_is_straight():
    figures = {"female": True, "height_cm": 140.0, "age_years": 10.0}
    by_age = blood_volume_ml(**{**figures, "height_cm": np.nan}, weight_kg=34.0)
    volume = blood_volume_ml(**figures, weight_kg=34.0)
    formula = nadler_ml(female=True, height_cm=140.0, weight_kg=34.0)
    assert volume == pytest.approx(0.6 * by_age + 0.4 * formula)
    assert blood_volume_ml(**figures, weight_kg=30.0) == pytest.approx(30.0 * 72.5)
    assert blood_volume_ml(**figures, weight_kg=40.0) == nadler_ml(female=True, height_cm=140.0, weight_kg=40.0)


@given(n=st.integers(1, 20), seed=st.integers(0, 99))
def test_many_people_at_once_are_the_same_as_one_by_one(n, seed):
    rng = np.random.default_rng(seed)
    female, height = rng.random(n) < 0.5, np.where(rng.random(n) < 0.2, np.nan, rng.uniform(80, 190, n))
    weight, age = rng.uniform(10, 100, n), np.where(rng.random(n) < 0.2, np.nan, rng.uniform(1, 60, n))
    together = blood_volume_ml(female=female, height_cm=height, weight_kg=weight, age_years=age)
    alone = [
        blood_volume_ml(female=f, height_cm=h, weight_kg=w, age_years=a)
        for f, h, w, a in zip(female, height, weight, age, strict=True)
    ]
    assert_allclose(together, alone, rtol=1e-15)


def test_missing_figures():
    volume = blood_volume_ml(
        female=True, height_cm=[np.nan, 165.0, 165.0], weight_kg=[60.0, 60.0, np.nan], age_years=[np.nan, np.nan, 30.0]
    )
    assert_array_equal(np.isnan(volume), [False, False, True])
    assert volume[0] == 60.0 * 67.5
    assert volume[1] == pytest.approx(3767.746, abs=0.001)


def test_fixed_figure_needs_no_height():
    figures = {"female": True, "height_cm": np.nan, "weight_kg": 60.0, "age_years": 30.0, "formula": "fixed"}
    assert blood_volume_ml(**figures) == 4200.0
    assert blood_volume_ml(**figures, fixed_ml_per_kg=65.0) == 3900.0


@pytest.mark.parametrize(
    ("change", "words"),
    [
        ({"height_cm": 1.65}, "height_cm must be 30 to 250, but holds 1.65"),
        ({"weight_kg": -60.0}, "weight_kg must be 0.5 to 400, but holds -60"),
        ({"weight_kg": np.inf}, "weight_kg must be 0.5 to 400, but holds inf"),
        ({"age_years": 150.0}, "age_years must be 0 to 120, but holds 150"),
        ({"formula": "unread"}, "formula must be 'nadler', 'lemmens' or 'fixed', not 'unread'"),
    ],
)
def test_impossible_figures_are_refused_by_name(change, words):
    with pytest.raises(ValueError, match=words):
        blood_volume_ml(**{"female": True, "height_cm": 165.0, "weight_kg": 60.0, "age_years": 30.0, **change})


@pytest.mark.parametrize(
    ("figures", "words"),
    [
        ((True, 165.0, 60.0, 30.0, "nadler"), "Nadler 1962 for a woman"),
        ((False, 175.0, 70.0, np.nan, "lemmens"), "Lemmens 2006 (second-hand)"),
        ((True, np.nan, 60.0, np.nan, "nadler"), "mL/kg for adults (no birth date), because no height is recorded"),
        ((True, 120.0, 22.0, 7.0, "nadler"), "mL/kg by age, as for anyone up to 30 kg"),
        (
            (True, 140.0, 34.0, 10.0, "nadler"),
            "between mL/kg by age and Nadler 1962 for a woman (40 % of the way), as for 30 to 40 kg",
        ),
        ((True, np.nan, 60.0, 30.0, "fixed"), "the site's fixed mL/kg"),
    ],
)
def test_the_rule_is_said_in_words(figures, words):
    female, height_cm, weight_kg, age_years, formula = figures
    said = volume_rule(female=female, height_cm=height_cm, weight_kg=weight_kg, age_years=age_years, formula=formula)
    assert said == words
