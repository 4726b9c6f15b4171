"""Weighed blood, against the published densities."""

import pytest

from sessions.day.numeric.weighing import MCHC_G_L, blood_density_g_ml, drawn_ml, off_by_ml


def test_the_line_lies_between_the_published_densities_at_4_and_37_degrees() -> None:
    """Trudnowski RJ, Rico RC, Clin Chem 1974;20:615-6: plasma 1.0310 and 1.0205, whole blood 1.0621 and 1.0506 g/mL.

    Haematocrit of their 25 adults is taken as 0.45, in the range they print (0.40 to 0.56): assumed.
    """
    assert 1.0205 < blood_density_g_ml(0.0) < 1.0310
    assert 1.0506 < blood_density_g_ml(0.45 * MCHC_G_L) < 1.0621


def test_a_bag_of_500_g_of_thin_blood_holds_479_and_a_half_millilitres() -> None:
    """Hct 0.25: density 1.026 + 0.067 · 0.25 = 1.04275, and 500 / 1.04275 = 479.5 (worked by hand)."""
    assert drawn_ml(gross_g=550, tare_g=50, hb_g_l=0.25 * MCHC_G_L) == pytest.approx(479.5, abs=0.05)


def test_a_gram_for_a_millilitre_is_some_hundred_millilitres_off_over_a_session() -> None:
    assert off_by_ml(2100, 95) == pytest.approx(2100 * (0.026 + 0.067 * 95 / 334))
    assert 80 < off_by_ml(2100, 95) < 110


@pytest.mark.parametrize("mchc", [320, 350])
def test_the_concentration_in_red_cells_hardly_matters(mchc: float) -> None:
    for hb in (60, 94, 130):
        other = 1.026 + 0.067 * hb / mchc
        assert blood_density_g_ml(hb) == pytest.approx(other, rel=0.003)


@pytest.mark.parametrize("gross", [20, 50])
def test_a_bag_that_weighs_no_more_than_an_empty_one_is_refused(gross: float) -> None:
    with pytest.raises(ValueError, match="no more than the empty bag"):
        drawn_ml(gross_g=gross, tare_g=50, hb_g_l=95)
