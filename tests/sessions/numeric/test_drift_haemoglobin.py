"""Haemoglobin after sessions and at rest: laws, worked numbers, and the truth of made-up worlds found again."""

import numpy as np
import pytest

from sessions.numeric.columns import SessionColumns
from sessions.numeric.drift.haemoglobin import (
    HB_DAYS,
    haemoglobin_after,
    haemoglobin_at_rest,
    usual_haemoglobin,
)
from sessions.numeric.mechanisms.made_up import restart, simulate

VALUES = {
    "hb_mean": 100.0, "hb_mean_sd": 4.0, "hb_sd": 5.0, "hb_bias": -2.0, "hb_bias_sd": 3.0, "hb_reckoning": 1.0,
    "hb_rest": 80.0,
}  # fmt: skip


def one_person(**figures) -> SessionColumns:
    rows = {"person": [0, 0, 0], "day": [0, 28, 70], "hbs_before_pct": [30.0] * 3, "hb_before_g_l": [85.0, 84.0, 82.0]}
    return SessionColumns.build(**(rows | figures))


def test_nothing_measured_is_the_programmes_value_as_wide_as_people_differ():
    mean, sd = haemoglobin_after(one_person(), VALUES)
    assert mean == pytest.approx([100.0] * 3)
    assert sd == pytest.approx([np.hypot(4.0, 5.0)] * 3)


def test_measured_and_reckoned_are_joined_by_their_precision():
    # By hand: usual 100 ± √41, measured 106 ± 2.5, reckoned 110 − 2 ± √(3² + 3²).
    columns = one_person(
        hb_after_g_l=[106.0, np.nan, np.nan], hb_reckoned_g_l=[110.0, np.nan, np.nan], hb_reckoned_sd=[3.0] * 3
    )
    mean, sd = haemoglobin_after(columns, VALUES)
    precision = np.array([1.0 / 41.0, 1.0 / 6.25, 1.0 / 18.0])
    assert mean[0] == pytest.approx(precision @ [100.0, 106.0, 108.0] / precision.sum())
    assert sd[0] == pytest.approx(1.0 / np.sqrt(precision.sum()))


def test_the_bias_of_a_person_is_learnt_from_earlier_sessions_only():
    # Measured 8 over reckoned each time, by hand: the second session's bias is that of one look, held towards −2.
    columns = one_person(
        hb_after_g_l=[108.0, np.nan, np.nan], hb_reckoned_g_l=[100.0, 100.0, np.nan], hb_reckoned_sd=[3.0] * 3
    )
    later = one_person(
        hb_after_g_l=[108.0, np.nan, 150.0], hb_reckoned_g_l=[100.0, 100.0, 100.0], hb_reckoned_sd=[3.0] * 3
    )
    mean, _ = haemoglobin_after(columns, VALUES)
    bias = -2.0 + (8.0 + 2.0) * 9.0 / (9.0 + 6.25 + 9.0)
    usual_weight = 1.0 / (25.0 * (1.0 + 1.0 / (1.0 + 25.0 / 16.0)))
    usual = 100.0 + 8.0 / (1.0 + 25.0 / 16.0)
    bias_var = 1.0 / (1.0 / 9.0 + 1.0 / 15.25)
    weight = 1.0 / (9.0 + bias_var)
    assert mean[1] == pytest.approx((usual * usual_weight + (100.0 + bias) * weight) / (usual_weight + weight))
    assert haemoglobin_after(later, VALUES)[0][:2] == pytest.approx(mean[:2])


def test_hb_that_falls_along_its_law_is_found_to_rest_where_it_does():
    days = np.array([0, 20, 62, 90, 130])
    after, rest = 104.0, 73.0
    left = np.exp(-np.diff(days) / HB_DAYS)
    columns = SessionColumns.build(
        person=np.zeros(5, dtype=int),
        day=days,
        hbs_before_pct=np.full(5, 30.0),
        hb_before_g_l=np.r_[np.nan, rest + (after - rest) * left],
    )
    found = haemoglobin_at_rest(columns, np.full(5, after), VALUES)
    assert found[0] == pytest.approx(80.0)
    assert (np.diff(np.abs(found - rest)) < 0.0).all()
    assert found[-1] == pytest.approx(rest, abs=0.6)


def test_gaps_with_something_transfused_tell_nothing_of_the_rest():
    known = one_person(hb_before_g_l=[85.0, 99.0, 82.0], gap_known=[True, False, True])
    given = one_person(hb_before_g_l=[85.0, 99.0, 82.0], topup_hb_g=[0.0, 50.0, 0.0])
    missing = one_person(hb_before_g_l=[85.0, np.nan, 82.0])
    after = np.full(3, 100.0)
    expected = haemoglobin_at_rest(missing, after, VALUES)
    assert haemoglobin_at_rest(known, after, VALUES) == pytest.approx(expected)
    assert haemoglobin_at_rest(given, after, VALUES) == pytest.approx(expected)


@pytest.mark.parametrize("name", ["daybyday", "restless"])
def test_the_joined_value_is_nearer_the_truth_than_the_measured_one(name):
    made = simulate(name, n_people=80, years=2.0, seed=5)
    columns = made.columns
    mean, sd = haemoglobin_after(columns, usual_haemoglobin(columns))
    true = restart(made, np.arange(len(columns)), 0).hb_g_l()
    seen = np.isfinite(columns.hb_after_g_l)
    assert np.std((mean - true)[seen]) < 0.9 * np.std((columns.hb_after_g_l - true)[seen])
    assert np.std((mean - true)[~seen]) < 5.0
    assert np.mean(((mean - true) / sd) ** 2) == pytest.approx(1.15, abs=0.35)


def test_an_empty_programme_has_the_figures_from_before_data():
    empty = SessionColumns.build(person=[], day=[], hbs_before_pct=[], n_people=0)
    assert usual_haemoglobin(empty)["hb_mean"] == 105.0
