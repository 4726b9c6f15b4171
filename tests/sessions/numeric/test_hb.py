"""Hb between sessions: it starts at its value after one, ends at the resting level, and the spread is true."""

import json

import numpy as np
import pytest

from sessions.numeric.columns import SessionColumns
from sessions.numeric.forecasters import histories
from sessions.numeric.hb import HbFit, filled_after, fit_hb, gaps_without_transfusion, predict_hb, update_hb
from sessions.numeric.mechanisms.made_up import WORLDS, simulate
from sessions.numeric.scoring import Scored, summarise


def held_out(name, *, n_people, seed):
    """Forecasts of the later half of a made-up programme's Hb, from a fit on the earlier half."""
    columns = simulate(name, n_people=n_people, years=2.5, seed=seed).columns
    cut = int(np.quantile(columns.day, 0.5))
    fit = fit_hb(columns.until(cut))
    days = gaps_without_transfusion(columns)
    rows = np.flatnonzero(np.isfinite(days) & np.isfinite(columns.hb_before_g_l) & (columns.day > cut))
    found = predict_hb(fit, update_hb(fit, histories(columns, rows)), days=days[rows])
    return columns.hb_before_g_l[rows], found


@pytest.mark.parametrize("name", sorted(WORLDS))
def test_forecasts_of_hb_are_calibrated_in_every_world(name):
    observed, found = held_out(name, n_people=100, seed=41)
    score = summarise(Scored.of_predictive(observed, found))
    assert score.n > 800
    assert abs(score.bias) < 1.2
    assert 0.75 < score.inside_80 < 0.86
    # Better than carrying on the spread of all values, as a personal level must be.
    assert score.width_80 < 0.8 * 2 * 1.2816 * observed.std()


def test_hb_starts_at_its_value_after_the_session_and_ends_at_the_resting_level():
    columns = simulate("restless", n_people=40, n_gaps=8, seed=42).columns
    fit = fit_hb(columns)
    people = update_hb(fit, columns)
    assert predict_hb(fit, people, days=0.0).loc == pytest.approx(people.hb_after_g_l)
    assert predict_hb(fit, people, days=5000.0).loc == pytest.approx(people.levels.level)


def test_spread_never_shrinks_as_the_gap_grows():
    columns = simulate("daybyday", n_people=40, n_gaps=8, seed=43).columns
    fit = fit_hb(columns)
    people = update_hb(fit, columns).take((np.arange(40), None))
    spread = predict_hb(fit, people, days=np.arange(1.0, 90.0)).scale
    assert (np.diff(spread, axis=1) >= 0.0).all()


def test_people_are_drawn_to_the_programme_until_they_have_gaps():
    columns = simulate("feedback", n_people=120, n_gaps=10, seed=44).columns
    fit = fit_hb(columns)
    few = update_hb(fit, columns.take_rows(columns.sequence() <= 1)).levels
    many = update_hb(fit, columns).levels
    assert few.level.std() < many.level.std()
    assert few.sd.mean() > many.sd.mean()
    assert update_hb(fit, columns.take_rows(columns.sequence() == 0)).levels.level == pytest.approx(fit.levels.mean)


def test_a_missing_after_value_is_the_mean_so_far():
    columns = SessionColumns.build(
        person=[0, 0, 0, 1, 1],
        day=[1, 2, 3, 1, 2],
        hbs_before_pct=[30.0] * 5,
        hb_after_g_l=[100.0, 104.0, np.nan, np.nan, 90.0],
    )
    assert filled_after(columns.hb_after_g_l, columns, 97.0).tolist() == [100.0, 104.0, 102.0, 97.0, 90.0]


def test_gaps_with_a_transfusion_are_left_out():
    columns = SessionColumns.build(
        person=[0, 0, 0, 0],
        day=[0, 28, 56, 84],
        hbs_before_pct=[30.0] * 4,
        gap_known=[True, True, False, True],
        topup_hb_g=[0.0, 0.0, 0.0, 50.0],
    )
    assert np.array_equal(gaps_without_transfusion(columns), [np.nan, 28.0, np.nan, np.nan], equal_nan=True)


def test_nobody_known_gives_a_wide_fit_and_no_figures():
    empty = SessionColumns.build(person=[], day=[], hbs_before_pct=[], n_people=2)
    fit = fit_hb(empty)
    assert fit.levels.n_gaps == 0
    assert np.isnan(predict_hb(fit, update_hb(fit, empty), days=28.0).loc).all()


def test_a_wrong_value_moves_the_level_only_a_little():
    columns = simulate("restless", n_people=30, n_gaps=12, seed=45).columns
    fit = fit_hb(columns)
    last = np.flatnonzero(columns.sequence() == 12)
    wrong = columns.hb_before_g_l.copy()
    wrong[last] = 20.0
    changed = SessionColumns(
        **{n: getattr(columns, n) for n in columns.__slots__ if n != "hb_before_g_l"}, hb_before_g_l=wrong
    )
    moved = update_hb(fit, changed).levels.level - update_hb(fit, columns).levels.level
    assert np.abs(moved).max() < 8.0


def test_a_fit_can_be_stored():
    fit = fit_hb(simulate("feedback", n_people=20, n_gaps=5, seed=46).columns)
    assert HbFit.from_dict(json.loads(json.dumps(fit.to_dict()))) == fit
    with pytest.raises(ValueError, match="hb-0"):
        HbFit.from_dict(fit.to_dict() | {"model_version": "hb-0"})
