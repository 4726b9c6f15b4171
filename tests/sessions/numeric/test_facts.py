"""Facts of finished sessions.

The arithmetic behind them is checked against published figures in test_exchange.py, test_totals.py, test_mixing.py and
test_efficiency.py; here that the right figures reach it, and what happens where they are missing.
"""

from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from programme.core.numeric.setting_table import DEFAULTS
from sessions.numeric.exchange import Start, Step, run_steps
from sessions.numeric.facts import (
    EARLIER_HB_SD_G_L,
    TYPICAL_HB_G_L,
    TYPICAL_HB_SD_G_L,
    FactFigures,
    FinishedSessions,
    StepsAsDone,
    earlier_hb,
    reckon_facts,
)

NAN = np.nan


def sessions(n: int = 1, **columns: Any) -> FinishedSessions:
    """n sessions of one woman of 165 cm and 60 kg."""
    plain = {
        "person": 1, "female": True, "age_years": 30.0, "height_cm": 165.0, "weight_kg": 60.0, "hbs_before_pct": 45.0,
        "hbs_after_pct": 20.0, "hb_before_g_l": 92.0, "hb_after_g_l": 104.0, "units": 4.0, "saline_in_ml": 500.0,
        "red_cells_in_ml": 1032.0, "blood_out_ml": 1532.0, "by_machine": False,
    }  # fmt: skip
    arrays = {name: np.broadcast_to(np.asarray(value), (n,)).copy() for name, value in {**plain, **columns}.items()}
    return FinishedSessions(**arrays)


def test_what_rests_on_the_haemoglobin_drawn_is_not_said_of_a_machine_nor_compared_with_the_rest() -> None:
    """A law: the other sessions are said and judged as if the machine's had not been."""
    mixed = reckon_facts(sessions(3, by_machine=[False, True, False], hbs_after_pct=[20.0, 8.0, 20.0]))
    alone = reckon_facts(sessions(2))
    for name in ("share_of_ideal", "share_of_ideal_sd", "donor_kept_pct", "net_iron_mg"):
        values = getattr(mixed, name)
        assert np.isnan(values[1]) or name == "net_iron_mg"
        assert values[[0, 2]] == pytest.approx(getattr(alone, name), rel=1e-9)
    assert mixed.remarks[1] == ""
    assert mixed.remarks[2] == alone.remarks[1]
    assert mixed.points_per_unit[1] == pytest.approx((45.0 - 8.0) / 4.0)


def by_machine(**columns: Any) -> FactFigures:
    return reckon_facts(sessions(by_machine=True, height_cm=180.0, weight_kg=56.0, **columns))


def test_a_machine_is_reckoned_by_mass_and_not_as_if_whole_blood_were_drawn() -> None:
    # At level Hb e^(−Hb given/Hb mass) is left: continuous case of Reverberi R and L, Blood Transfus 2007;5:164-74.
    level = {"hb_before_g_l": 94.0, "units": 6.0, "red_cells_in_ml": 6 * DEFAULTS["unit_volume_ml"]}
    unmeasured = by_machine(**level, hb_after_g_l=NAN, hbs_after_pct=NAN)
    mass_g = 94.0 * unmeasured.blood_volume_ml[0] / 1000.0
    left = np.exp(-6 * DEFAULTS["unit_hb_g"] / mass_g)
    assert unmeasured.hbs_ratio[0] == pytest.approx(left)
    assert unmeasured.hb_reckoned_g_l[0] == pytest.approx(94.0)
    assert unmeasured.hb_reckoned_sd[0] > 8.0  # the Hb it was set to is not known
    assert by_machine(**level, hb_after_g_l=94.0).hbs_ratio[0] == pytest.approx(left)


def test_hb_measured_after_a_machine_says_what_it_removed() -> None:
    lower, higher = (by_machine(hb_after_g_l=hb, units=6.0) for hb in (88.0, 104.0))
    assert lower.hbs_ratio[0] < higher.hbs_ratio[0]  # with the same units, more was removed
    assert lower.hbs_ratio_sd[0] < by_machine(hb_after_g_l=NAN, units=6.0).hbs_ratio_sd[0]
    # Iron is 3.4 mg/g of what the Hb mass has gained: mass balance.
    gained_g = 12.0 * higher.blood_volume_ml[0] / 1000.0
    assert higher.net_iron_mg[0] == pytest.approx(DEFAULTS["iron_mg_per_g_hb"] * gained_g)
    assert np.isnan(by_machine(hb_after_g_l=NAN).net_iron_mg[0])
    # The forecast of Hb after does not know the measured one.
    assert lower.hb_reckoned_g_l[0] == higher.hb_reckoned_g_l[0] == pytest.approx(92.0)


def test_the_blood_volume_is_nadlers() -> None:
    # Nadler, Hidalgo, Bloch 1962, women: 0.3561 h³ + 0.03308 w + 0.1833 L, worked out by hand for 165 cm and 60 kg.
    assert reckon_facts(sessions()).blood_volume_ml[0] == pytest.approx(3767.7, abs=0.1)


def test_the_ratio_is_that_of_the_steps_in_their_usual_order() -> None:
    facts = reckon_facts(sessions())
    hb_g_l = 1000 * 4 * DEFAULTS["unit_hb_g"] / 1032
    out = [1532 * 500 / 1532, 1532 * 1032 / 1532]
    steps = [Step("saline", 500, out[0]), Step("red_cells", 1032, out[1], hb_g_l)]
    outcome = run_steps(Start(float(facts.blood_volume_ml[0]), 92, 45), steps)
    assert facts.hbs_ratio[0] == pytest.approx(outcome.hbs_left_pct / 100)
    assert facts.net_iron_mg[0] == pytest.approx(outcome.net_iron_mg)
    assert facts.donor_kept_pct[0] == pytest.approx(outcome.donor_hb_kept_pct)
    assert facts.points_per_unit[0] == pytest.approx((45 - 20) / 4)


def test_steps_as_carried_out_count_before_totals() -> None:
    both = sessions(2)
    last = StepsAsDone(
        np.array([1]), np.array([[1032.0, 500.0, 0.0]]), np.array([[1032.0, 500.0, 0.0]]), np.array([[194.0, 0.0, 0.0]])
    )
    facts = reckon_facts(both, steps=last)
    steps = [Step("red_cells", 1032, 1032, 194), Step("saline", 500, 500)]
    outcome = run_steps(Start(float(facts.blood_volume_ml[1]), 92, 45), steps)
    assert facts.hbs_ratio[1] == pytest.approx(outcome.hbs_left_pct / 100)
    # Saline at the end washes out what was just given: more HbS is left than when it comes first.
    assert facts.hbs_ratio[1] > facts.hbs_ratio[0]
    assert facts.net_iron_mg[1] == pytest.approx(outcome.net_iron_mg)
    assert facts.hbs_ratio[0] == reckon_facts(sessions()).hbs_ratio[0]


@pytest.mark.parametrize(("absent", "words", "lost"), [
    ({"hbs_after_pct": NAN}, "HbS after", ("points_per_unit", "share_of_ideal")),
    ({"hb_after_g_l": NAN}, "Hb after", ("share_of_ideal",)),
    ({"hb_before_g_l": NAN}, "Hb before", ("share_of_ideal", "net_iron_mg")),
    ({"units": NAN}, "units", ("points_per_unit",)),
    ({"blood_out_ml": NAN}, "blood drawn", ("hbs_ratio", "share_of_ideal", "donor_kept_pct", "net_iron_mg")),
    ({"red_cells_in_ml": NAN, "units": NAN}, "units, volume of red cells", ("hbs_ratio", "points_per_unit")),
])  # fmt: skip
def test_what_cannot_be_had_says_which_figure_is_missing(
    absent: dict[str, float], words: str, lost: tuple[str, ...]
) -> None:
    facts = reckon_facts(sessions(**absent))
    assert facts.missing == [words]
    figures = ("hbs_ratio", "points_per_unit", "share_of_ideal", "donor_kept_pct", "net_iron_mg")
    for figure in lost:
        assert np.isnan(getattr(facts, figure)[0]), figure
    kept = set(figures) - set(lost)
    if "hbs_ratio" in kept:
        assert np.isfinite(facts.hbs_ratio[0])


def test_without_a_height_the_volume_goes_by_weight() -> None:
    facts = reckon_facts(sessions(height_cm=NAN))
    assert facts.missing == ["height"]
    # 65 to 70 mL/kg for adults: University of Iowa protocols, 'Maximum allowable blood loss'.
    assert 65 * 60 <= facts.blood_volume_ml[0] <= 70 * 60


def test_hb_before_comes_from_the_newest_earlier_session_of_the_same_person() -> None:
    person = np.array([1, 1, 1, 2, 2])
    value, spread = earlier_hb(person, np.array([NAN, 85.0, NAN, NAN, 99.0]))
    assert value.tolist() == [TYPICAL_HB_G_L, 85.0, 85.0, TYPICAL_HB_G_L, 99.0]
    np.testing.assert_array_equal(spread, [TYPICAL_HB_SD_G_L, NAN, EARLIER_HB_SD_G_L, TYPICAL_HB_SD_G_L, NAN])


def test_an_assumed_hb_makes_the_ratio_less_sure() -> None:
    facts = reckon_facts(sessions(3, hb_before_g_l=np.array([NAN, 92.0, NAN])))
    assert facts.hbs_ratio_sd[0] > facts.hbs_ratio_sd[2] > facts.hbs_ratio_sd[1] > 0


@given(st.integers(1, 8), st.integers(0, 2**31))
def test_no_session_depends_on_a_later_one(cut: int, seed: int) -> None:
    rng = np.random.default_rng(seed)
    n = 10
    whole = sessions(
        n, person=np.sort(rng.integers(0, 3, n)), hbs_after_pct=rng.choice([NAN, 12.0, 20.0, 40.0], n),
        hb_before_g_l=rng.choice([NAN, 80.0, 95.0], n), units=rng.choice([NAN, 3.0, 5.0], n),
    )  # fmt: skip
    early = FinishedSessions(**{name: getattr(whole, name)[:cut] for name in FinishedSessions.__dataclass_fields__})
    all_of_it, part = reckon_facts(whole), reckon_facts(early)
    for name in type(part).__dataclass_fields__:
        np.testing.assert_array_equal(np.asarray(getattr(all_of_it, name))[:cut], np.asarray(getattr(part, name)))


def test_a_wrong_tube_is_named_and_ordinary_sessions_are_not() -> None:
    # Eleven sessions with the same ordinary result, the twelfth with HbS hardly lower than before.
    after = np.full(12, 22.0)
    plain = reckon_facts(sessions(12, hbs_after_pct=after))
    assert plain.remarks == [""] * 12
    after[-1] = 44.0
    remarks = reckon_facts(sessions(12, hbs_after_pct=after)).remarks
    assert remarks[:11] == [""] * 11
    assert remarks[11].startswith("This session ")
    assert "Likely causes, in this order:" in remarks[11]
    assert len(remarks[11]) <= 600  # as long as it can be stored


def test_an_age_beyond_the_formulas_is_taken_as_the_highest() -> None:
    assert np.isfinite(reckon_facts(sessions(age_years=126.0)).blood_volume_ml[0])


def test_no_sessions_give_no_facts() -> None:
    empty = FinishedSessions(**{name: getattr(sessions(), name)[:0] for name in FinishedSessions.__dataclass_fields__})
    facts = reckon_facts(empty)
    assert (len(facts.hbs_ratio), facts.missing, facts.remarks) == (0, [], [])


def test_the_site_s_unit_rules_what_is_given() -> None:
    richer = reckon_facts(sessions(), settings={**DEFAULTS, "unit_hb_g": 60.0})
    assert richer.net_iron_mg[0] > reckon_facts(sessions()).net_iron_mg[0]
