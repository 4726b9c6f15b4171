"""Laws a forecast must keep, and what happens when figures are missing."""

import dataclasses

import numpy as np
import pytest

from sessions.numeric.columns import COLUMN_NAMES, EARLY_UNWELL, SessionColumns
from sessions.numeric.drift.fit import CANDIDATES, ProgrammeFit, fit_programme
from sessions.numeric.drift.person import MEASURED, RECKONED, SUPPOSED, PeoplePace, update_people
from sessions.numeric.drift.predict import predict

FIRST_DAY = 738_000


def programme(seed: int = 2, n_people: int = 40, n_gaps: int = 9) -> SessionColumns:
    """Invented: paces 0.55 ± 0.15, noise 2.5, results with 1 point of error."""
    rng = np.random.default_rng(seed)
    pace = rng.normal(0.55, 0.15, n_people)[:, None]
    days = rng.integers(18, 45, (n_people, n_gaps))
    after = rng.uniform(9.0, 20.0, (n_people, n_gaps + 1))
    before = after[:, :-1] + pace * days + rng.normal(0.0, 2.5, days.shape)
    before = np.concatenate([np.full((n_people, 1), 32.0), before], axis=1)
    return SessionColumns.build(
        person=np.repeat(np.arange(n_people), n_gaps + 1),
        day=np.concatenate([np.zeros((n_people, 1)), np.cumsum(days, axis=1)], axis=1).ravel() + FIRST_DAY,
        hbs_before_pct=before.ravel(),
        hbs_after_pct=(after + rng.normal(0.0, 1.0, after.shape)).ravel(),
        hbs_ratio=np.clip(after / before, 0.05, 0.95).ravel(),
        hbs_ratio_sd=np.full(after.size, 0.04),
        hb_after_g_l=rng.normal(103.0, 5.0, after.size),
        untransfused_pct=np.full(after.size, 88.0),
    )


@pytest.fixture(scope="module")
def fits() -> dict[str, ProgrammeFit]:
    return {form: fit_programme(programme(), form=form) for form in CANDIDATES}


@pytest.fixture(scope="module")
def fit(fits) -> ProgrammeFit:
    return fits["graded_hb"]


def one_person(**figures) -> SessionColumns:
    """A person with a gap of 28 days after another, from 12 up to 28 each time, and what is given here."""
    n = 6
    rows = {
        "person": np.zeros(n, dtype=int),
        "day": FIRST_DAY + 28 * np.arange(n),
        "hbs_before_pct": np.full(n, 28.0),
        "hbs_after_pct": np.full(n, 12.0),
        "hbs_ratio": np.full(n, 12.0 / 28.0),
        "hbs_ratio_sd": np.full(n, 0.03),
        "hb_after_g_l": np.full(n, 103.0),
        "untransfused_pct": np.full(n, 88.0),
    }
    return SessionColumns.build(**(rows | figures))


def changed(values: float, row: int, to: float) -> np.ndarray:
    out = np.full(6, values)
    out[row] = to
    return out


def equal(one: PeoplePace, other: PeoplePace) -> bool:
    return all(
        np.array_equal(getattr(one, f.name), getattr(other, f.name), equal_nan=True) for f in dataclasses.fields(one)
    )


# Laws ------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("form", CANDIDATES)
@pytest.mark.parametrize("given", [{}, {"after_pct": 12.0}, {"after_pct": 25.0, "after_sd_pct": 3.0}])
def test_uncertainty_never_shrinks_as_the_gap_grows(fits, form, given):
    pace = update_people(fits[form], programme().take_people(np.arange(8))).expanded(1)
    scale = predict(fits[form], pace, days=np.arange(0.0, 91.0), **given).scale
    assert (np.diff(scale, axis=1) >= 0.0).all()


@pytest.mark.parametrize("form", CANDIDATES)
def test_hbs_is_expected_to_climb_with_the_days(fits, form):
    pace = update_people(fits[form], programme()).expanded(1)
    median = predict(fits[form], pace, days=np.arange(10.0, 57.0)).median()
    assert (np.diff(median, axis=1) > 0.0).all()


def test_the_order_in_which_rows_arrive_does_not_matter(fit):
    columns = programme()
    shuffled = np.random.default_rng(0).permutation(len(columns))
    again = SessionColumns.build(**{name: getattr(columns, name)[shuffled] for name in COLUMN_NAMES})
    assert fit_programme(again, form="graded_hb") == fit
    assert equal(update_people(fit, again), update_people(fit, columns))


def test_a_later_result_never_changes_what_was_said_before(fit):
    columns = programme()
    day = int(np.quantile(columns.day, 0.6))
    wild = np.where(columns.day > day, 70.0, columns.hbs_before_pct)
    later = dataclasses.replace(columns, hbs_before_pct=wild)
    assert equal(update_people(fit, columns.until(day)), update_people(fit, later.until(day)))
    assert fit_programme(columns.until(day)) == fit_programme(later.until(day))


def test_a_person_is_judged_alike_alone_and_among_others(fit):
    columns = programme()
    everybody = update_people(fit, columns)
    for person in (0, 17, 39):
        alone = update_people(fit, columns.take_people(np.array([person])))
        assert alone.pace[0] == pytest.approx(everybody.pace[person], rel=1e-12)
        assert alone.after_pct[0] == pytest.approx(everybody.after_pct[person], rel=1e-12)


def test_more_gaps_make_a_pace_surer(fit):
    columns = programme()
    sds = [update_people(fit, columns.take_rows(columns.sequence() <= n)).pace_sd.mean() for n in (0, 1, 3, 9)]
    assert (np.diff(sds) < 0.0).all()


def test_recent_gaps_count_more_once_a_pace_has_changed(fit):
    slow, fast = 12.0 + 28 * 0.4, 12.0 + 28 * 0.9
    n = 16
    rows = {
        "person": np.zeros(n, dtype=int),
        "day": FIRST_DAY + 28 * np.arange(n),
        "hbs_before_pct": np.r_[np.full(10, slow), np.full(6, fast)],
        "hbs_after_pct": np.full(n, 12.0),
        "untransfused_pct": np.full(n, 88.0),
    }
    now = update_people(fit, SessionColumns.build(**rows)).pace_pct_per_day[0]
    mean = (9 * 0.4 + 6 * 0.9) / 15
    assert now > mean + 0.1


def test_assay_noise_widens_a_forecast_of_tomorrow(fit):
    # Nothing has happened yet, so what is left is the laboratory's error (and the calibration on it).
    pace = update_people(fit, one_person())
    tomorrow = predict(fit, pace, days=0.0, after_pct=12.0)
    assert tomorrow.median()[0] == pytest.approx(12.0, abs=0.8)
    assert tomorrow.scale[0] >= 0.6 * fit.values["assay_sd"]


# Missing figures --------------------------------------------------------------------------------------


def test_a_missing_after_value_is_reckoned_from_the_session(fit):
    measured = update_people(fit, one_person())
    reckoned = update_people(fit, one_person(hbs_after_pct=changed(12.0, 5, np.nan)))
    neither = update_people(
        fit,
        one_person(hbs_after_pct=changed(12.0, 5, np.nan), hbs_ratio=changed(12.0 / 28.0, 5, np.nan)),
    )
    assert [p.after_source[0] for p in (measured, reckoned, neither)] == [MEASURED, RECKONED, SUPPOSED]
    assert measured.after_sd[0] < reckoned.after_sd[0] < neither.after_sd[0]
    assert reckoned.after_pct[0] == pytest.approx(12.0, abs=1.0)


def test_a_missing_before_value_tells_nothing_of_its_gap_but_breaks_nothing(fit):
    pace = update_people(fit, one_person(hbs_before_pct=changed(28.0, 3, np.nan)))
    assert pace.n_gaps[0] == 4
    assert np.isfinite(predict(fit, pace, days=28.0).loc).all()


def test_a_gap_with_an_unknown_transfusion_is_left_out(fit):
    low = {"hbs_before_pct": changed(28.0, 4, 22.0), "hbs_ratio": changed(12.0 / 28.0, 4, 12.0 / 22.0)}
    known = np.ones(6, dtype=bool)
    known[4] = False
    plain = update_people(fit, one_person()).pace[0]
    counted = update_people(fit, one_person(**low)).pace[0]
    left_out = update_people(fit, one_person(**low, gap_known=known))
    assert counted < plain - 0.01
    assert abs(left_out.pace[0] - plain) < 0.3 * (plain - counted)
    assert left_out.n_gaps[0] == 4


def test_a_known_top_up_explains_a_low_value(fit):
    low = {"hbs_before_pct": changed(28.0, 4, 24.0), "hbs_ratio": changed(12.0 / 28.0, 4, 0.5)}
    given = {"topup_hb_g": changed(0.0, 4, 55.0), "topup_day": changed(np.nan, 4, FIRST_DAY + 3 * 28 + 20)}
    more = {"hb_before_g_l": np.full(6, 92.0), "blood_volume_ml": np.full(6, 4300.0)}
    without = update_people(fit, one_person(**low, **more)).pace[0]
    explained = update_people(fit, one_person(**low, **given, **more)).pace[0]
    assert explained > without


def test_one_wild_result_moves_a_pace_little(fit):
    plain = update_people(fit, one_person()).pace_pct_per_day[0]
    wild = update_people(fit, one_person(hbs_before_pct=changed(28.0, 3, 60.0))).pace_pct_per_day[0]
    # As a plain mean of five gaps it would be 32/28/5 = 0.23 a day more.
    assert abs(wild - plain) < 0.05


def test_people_without_a_gap_get_the_programmes_pace_wide(fit):
    rows = one_person()
    newcomer = update_people(fit, rows.take_rows(rows.sequence() < 1))
    assert newcomer.n_gaps[0] == 0
    assert newcomer.pace[0] == pytest.approx(fit.values["pace_mean"], rel=0.02)
    assert newcomer.pace_sd[0] == pytest.approx(fit.values["pace_sd"], rel=0.05)
    assert newcomer.usual_interval_days[0] == fit.usual_gap_days
    assert newcomer.longest_twice_days[0] == fit.long_gap_days


def test_nothing_is_said_of_somebody_without_a_session_until_a_start_is_given(fit):
    nobody = update_people(fit, SessionColumns.build(person=[], day=[], hbs_before_pct=[], n_people=1))
    assert np.isnan(predict(fit, nobody, days=28.0).loc).all()
    assert np.isfinite(predict(fit, nobody, days=28.0, after_pct=12.0).chance_over(30.0)).all()


def test_all_results_missing_falls_back_to_the_programme(fit):
    nothing = np.full(6, np.nan)
    pace = update_people(fit, one_person(hbs_before_pct=nothing, hbs_after_pct=nothing, hbs_ratio=nothing))
    assert pace.n_gaps[0] == 0
    assert pace.pace[0] == pytest.approx(fit.values["pace_mean"], rel=0.02)
    assert np.isfinite(predict(fit, pace, days=28.0).scale).all()


def test_gaps_that_end_unwell_are_judged_with_their_own_shift(fit):
    reason = np.zeros(6, dtype=int)
    reason[5] = EARLY_UNWELL
    shifted = dataclasses.replace(fit, values=fit.values | {"early_unwell": 5.0})
    routine = update_people(shifted, one_person(hbs_before_pct=changed(28.0, 5, 34.0))).pace[0]
    unwell = update_people(shifted, one_person(hbs_before_pct=changed(28.0, 5, 34.0), reason=reason)).pace[0]
    assert unwell < routine


# What is told of a person ----------------------------------------------------------------------------


def test_the_longest_gap_reached_twice(fit):
    days = FIRST_DAY + np.cumsum([0, 28, 49, 28, 35, 35])
    pace = update_people(fit, one_person(day=days))
    assert pace.longest_twice_days[0] == 35.0
    assert pace.usual_interval_days[0] == 35.0
    assert pace.last_day[0] == days[-1]


def test_pace_in_points_a_day_is_the_rise_over_the_usual_interval(fit):
    pace = update_people(fit, one_person())
    assert pace.pace_pct_per_day[0] == pytest.approx(16.0 / 28.0, abs=0.08)
    assert pace.pace_low_pct_per_day[0] < pace.pace_pct_per_day[0] < pace.pace_high_pct_per_day[0]


def test_a_higher_start_lifts_the_forecast_and_lowers_the_climb_of_two_pools(fits):
    pace = update_people(fits["two_pool"], one_person()).expanded(1)
    after = np.array([8.0, 16.0, 24.0])
    median = predict(fits["two_pool"], pace, days=28.0, after_pct=after).median()[0]
    assert (np.diff(median) > 0.0).all()
    assert (np.diff(median - after) < 0.0).all()
