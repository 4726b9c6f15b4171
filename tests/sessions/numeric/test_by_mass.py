"""What a machine did, by mass: the wash-out against integration, the published exponential, and sampling."""

import numpy as np
import pytest
from scipy.integrate import solve_ivp

from sessions.numeric.by_mass import own_left, reckon_by_mass, share_of_ideal

KNOWN = {"volume_rel_sd": 0.07, "hb_before_g_l": 90.0, "hb_before_sd_g_l": 3.0, "given_rel_sd": 0.04}


@pytest.mark.parametrize(
    ("mass", "given", "out"), [(420.0, 300.0, 300.0), (420.0, 300.0, 250.0), (300.0, 150.0, 210.0)]
)
def test_what_is_left_is_what_integration_gives(mass, given, out):
    # Hb mass M and own part of it x over one unit of time: M' = in − out, x' = −out·x/M.
    found = solve_ivp(lambda t, y: [given - out, -out * y[1] / y[0]], (0.0, 1.0), [mass, mass], rtol=1e-10, atol=1e-9)
    assert float(own_left(mass, given, out)) == pytest.approx(found.y[1, -1] / mass, rel=1e-7)


def test_level_hb_follows_the_published_exponential():
    # Fraction of the patient's own cells left e^(−cells removed/red cell mass) at level haematocrit: continuous case of
    # Reverberi R, Reverberi L, Blood Transfus 2007;5:164-74.
    found = reckon_by_mass(volume_l=5.0, given_g=300.0, hb_end_g_l=90.0, **KNOWN)
    assert float(found.hbs_ratio) == pytest.approx(np.exp(-300.0 / 450.0), rel=1e-9)
    assert float(found.out_g) == pytest.approx(300.0)


@pytest.mark.parametrize("measured", [True, False])
def test_the_spread_is_that_of_sampling(measured):
    found = reckon_by_mass(
        volume_l=4.5, given_g=300.0, hb_end_g_l=95.0, hb_end_sd_g_l=2.0, end_is_measured=measured, **KNOWN
    )
    rng, n = np.random.default_rng(8), 40_000
    volume, hb = 4.5 * rng.normal(1.0, 0.07, n), rng.normal(90.0, 3.0, n)
    given, end = 300.0 * rng.normal(1.0, 0.04, n), rng.normal(95.0, 2.0, n)
    # A measured end tells what went out; one that the machine was told makes it take out what it reckoned with.
    out = given - volume * (end - hb) if measured else 300.0 - 4.5 * (end - 90.0)
    settled = (volume * hb + given - out) / volume
    ratio = hb * own_left(volume * hb, given, out) / settled
    assert float(found.hb_settled_sd_g_l) == pytest.approx(settled.std(), rel=0.03)
    assert float(found.hbs_ratio_sd) == pytest.approx(ratio.std(), rel=0.05)
    assert float(found.hbs_ratio) == pytest.approx(ratio.mean(), rel=0.02)


def test_so_many_units_that_cannot_end_there_give_nothing():
    assert np.isnan(reckon_by_mass(volume_l=4.0, given_g=50.0, hb_end_g_l=120.0, **KNOWN).hbs_ratio)


@pytest.mark.parametrize(("mixes_l", "hb_end"), [(4.5, 90.0), (5.2, 90.0), (5.2, 96.0), (4.0, 84.0)])
def test_the_share_of_the_ideal_is_that_of_integrating_at_both_volumes(mixes_l, hb_end):
    """A machine gives 300 g and ends at an Hb; it mixes in one volume, the ideal in the 4.5 L of the formula."""

    def left(volume_l):
        out = 300.0 - volume_l * (hb_end - 90.0)
        mass = volume_l * 90.0
        found = solve_ivp(
            lambda t, y: [300.0 - out, -out * y[1] / y[0]], (0.0, 1.0), [mass, mass], rtol=1e-10, atol=1e-9
        )
        return found.y[1, -1] / mass

    measured = {"hb_before_g_l": 90.0, "hb_after_g_l": hb_end, "hbs_before_pct": 40.0}
    hbs_after = 40.0 * left(mixes_l) * 90.0 / hb_end
    share, most = share_of_ideal(volume_l=4.5, given_g=300.0, hbs_after_pct=hbs_after, **measured)
    assert float(most) == pytest.approx(-np.log(left(4.5)), rel=1e-6)
    assert float(share) == pytest.approx(np.log(left(mixes_l)) / np.log(left(4.5)), rel=1e-6)


def test_no_share_of_the_ideal_where_a_value_is_missing_or_nothing_was_given():
    measured = {"hb_before_g_l": 90.0, "hb_after_g_l": 90.0, "hbs_before_pct": 40.0}
    assert np.isnan(share_of_ideal(volume_l=4.5, given_g=300.0, hbs_after_pct=np.nan, **measured)[0])
    assert np.isnan(share_of_ideal(volume_l=4.5, given_g=0.0, hbs_after_pct=39.0, **measured)[0])
