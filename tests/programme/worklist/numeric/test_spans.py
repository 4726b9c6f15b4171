"""Two spans side by side: intervals against published examples and a reference library; sums only where whole."""

import math

import numpy as np
import pytest
from scipy import stats
from statsmodels.stats.meta_analysis import combine_effects

from programme.worklist.numeric.spans import (
    Done,
    Visits,
    Weighed,
    compare,
    of_means,
    of_shares,
    of_weighed,
    span_of,
    weighed,
)


def test_a_difference_of_shares_is_that_of_newcombe():
    """Newcombe RG, Statistics in Medicine 1998;17:873-90, table II, method 10: 56/70 less 48/80, 0.0524 to 0.3339."""
    said = of_shares((48, 80), (56, 70))
    assert (said.low, said.high) == (pytest.approx(0.0524, abs=5e-5), pytest.approx(0.3339, abs=5e-5))
    assert said.stands_out


def test_a_share_of_none_has_an_interval_too():
    """Newcombe, as above: 0/10 less 0/20, method 10, -0.1611 to 0.2775; here the other way round."""
    said = of_shares((0, 10), (0, 20))
    assert (said.low, said.high) == (pytest.approx(-0.2775, abs=5e-5), pytest.approx(0.1611, abs=5e-5))
    assert not said.stands_out


def test_a_difference_of_means_is_that_of_the_reference_library():
    """Independent computation: scipy.stats.ttest_ind with unequal variances."""
    rng = np.random.default_rng(4)
    first, second = rng.normal(28, 2, 13), rng.normal(31, 4, 9)
    said = of_means(first, second)
    expected = stats.ttest_ind(second, first, equal_var=False).confidence_interval(0.95)
    assert (said.low, said.high) == (pytest.approx(expected.low), pytest.approx(expected.high))


@pytest.mark.parametrize(("first", "second"), [((), (1.0, 2.0)), ((1.0,), (1.0, 2.0)), ((3.0, 3.0), (3.0, 3.0))])
def test_too_few_values_have_no_interval(first, second):
    said = of_means(first, second)
    assert (said.low, said.high) == (None, None)
    assert not said.stands_out


def test_intervals_of_means_cover_nineteen_in_twenty():
    """A law: of 2,000 pairs of samples about 95 in 100 intervals hold the true difference of 3."""
    rng = np.random.default_rng(11)
    held = 0
    for _ in range(2000):
        said = of_means(rng.normal(28, 2, 7), rng.normal(31, 4, 13))
        held += said.low <= 3.0 <= said.high
    assert 0.93 < held / 2000 < 0.97


def test_a_span_holds_both_its_ends_and_a_part_is_no_total():
    done = [Done(10, units=4.0), Done(20, units=5.0), Done(31, units=None)]
    assert [row.day for row in span_of(done, 10, 20).done] == [10, 20]
    assert span_of(done, 10, 20).total("units") == 9.0
    assert span_of(done, 10, 31).total("units") is None
    assert span_of(done, 1, 365).a_year("units") is None
    assert math.isclose(span_of(done[:2], 1, 365).a_year("units"), 9 * 365.25 / 365)
    with pytest.raises(ValueError, match="cannot end before"):
        span_of(done, 20, 10)


def test_a_session_that_tells_little_of_efficiency_decides_no_mean():
    """Ten mL drawn give a share of 8,374 %, unsure by 4,000: a plain mean of the four would be 2,165 %."""
    shares = ((1, 90.0, 12.0), (2, 104.0, 15.0), (3, 8374.0, 4000.0), (4, 92.0, 10.0))
    done = [Done(day, share_of_ideal_pct=share, share_of_ideal_sd_pct=sd) for day, share, sd in shares]
    found = span_of(done, 1, 4).share_of_ideal()
    assert found is not None and found.mean == pytest.approx(94.0, abs=0.5)
    assert span_of(done, 5, 9).share_of_ideal() is None
    assert span_of([Done(1, share_of_ideal_pct=90.0)], 1, 1).share_of_ideal() is None


@pytest.mark.parametrize("spread", [3.0, 30.0])
def test_weighed_means_against_statsmodels(spread):
    """`combine_effects`, fixed effects: as it is where values agree, else scaled by χ²/(n − 1) ('hksj')."""
    rng = np.random.default_rng(5)
    sds = rng.uniform(5.0, 40.0, 12)
    values = 95.0 + rng.normal(0.0, spread, 12)
    theirs = combine_effects(values, sds**2)
    ours = weighed(list(zip(values, sds, strict=True)))
    assert ours.mean == pytest.approx(theirs.mean_effect_fe)
    assert ours.se == pytest.approx(max(theirs.sd_eff_w_fe, theirs.sd_eff_w_fe_hksj))
    assert (ours.se > 1.2 * theirs.sd_eff_w_fe) == (spread == 30.0)


def test_the_difference_of_weighed_means():
    """By hand: 100 ± 5 against 112 ± 6 is 12 ± 1.96·√61, so −3.3 to 27.3; one value alone has no error to go by."""
    found = of_weighed(Weighed(100.0, 5.0, 4), Weighed(112.0, 6.0, 4))
    assert (found.low, found.high) == (pytest.approx(-3.308, abs=0.001), pytest.approx(27.308, abs=0.001))
    assert of_weighed(weighed([(100.0, 5.0)]), Weighed(112.0, 6.0, 4)).low is None
    assert of_weighed(None, Weighed(112.0, 6.0, 4)).change is None


def test_every_line_is_said_for_both_spans():
    early = [Done(day, 28.0 + day % 3, False, 0.5, 92.0, 105.0, 4.0, 4.0, 90.0, 9.0, 100) for day in range(0, 280, 28)]
    late = [Done(day, 33.0 + day % 3, True, 0.7, 90.0, 104.0, 5.0, 3.5, 91.0, 9.0, 120) for day in range(400, 680, 28)]
    first = span_of(early + late, 0, 279, Visits(came=9, missed=1))
    second = span_of(early + late, 400, 679, Visits(came=8, late=1, missed=1))
    lines = {line.name: line.difference for line in compare(first, second)}
    assert lines["over the ceiling"].change == pytest.approx(100.0)
    assert lines["HbS before"].stands_out
    assert lines["came on a safe day"].change == pytest.approx(-10.0)
    assert not lines["came on a safe day"].stands_out
    assert lines["units a year"].low is None
