"""Learning a programme's parameters: against a reference library, and back from invented truth."""

import json

import numpy as np
import pytest
import statsmodels.api as sm

from sessions.numeric.columns import SessionColumns
from sessions.numeric.drift.fit import CANDIDATES, MODEL_VERSION, DriftSettings, ProgrammeFit, fit_programme

# A plain model of random slopes: nothing wanders, jumps, is odd or noisy but the gap itself.
PLAIN_SLOPES = {
    "pace_walk_sd": 1e-7, "jump_share": 1e-9, "jump_sd": 0.1, "odd_share": 1e-9, "gap_growth": 1e-9, "spell_sd": 1e-7,
    "spell_days": 15.0, "assay_sd": 1e-4, "onset": 0.0, "bend": 1.0, "early_unwell": 0.0, "early_other": 0.0,
    "late_missed": 0.0,
    "washout_mean": 0.0, "washout_sd": 0.1, "washout_error": 1.0,
}  # fmt: skip


def random_slopes(n_people: int, n_gaps: int, seed: int) -> SessionColumns:
    """Invented: before − after = pace·days + noise, pace 0.55 ± 0.12, noise 2.5."""
    rng = np.random.default_rng(seed)
    pace = rng.normal(0.55, 0.12, n_people)
    days = rng.integers(14, 50, (n_people, n_gaps))
    after = rng.uniform(8.0, 22.0, (n_people, n_gaps + 1))
    before = after[:, :-1] + pace[:, None] * days + rng.normal(0.0, 2.5, days.shape)
    return SessionColumns.build(
        person=np.repeat(np.arange(n_people), n_gaps + 1),
        day=np.concatenate([np.zeros((n_people, 1)), np.cumsum(days, axis=1)], axis=1).ravel() + 738_000,
        hbs_before_pct=np.concatenate([np.full((n_people, 1), 30.0), before], axis=1).ravel(),
        hbs_after_pct=after.ravel(),
    )


def test_random_slopes_agree_with_the_mixed_model_of_statsmodels():
    # Independent computation: statsmodels MixedLM by maximum likelihood, gaps over 30 days (in days it goes wrong
    # without saying so). Any warning fails this test.
    columns = random_slopes(120, 20, seed=11)
    later = np.flatnonzero(columns.sequence() > 0)
    days = (columns.day[later] - columns.day[later - 1]) / 30.0
    climbed = columns.hbs_before_pct[later] - columns.hbs_after_pct[later - 1]
    model = sm.MixedLM(climbed, days[:, None], groups=columns.person[later], exog_re=days[:, None])
    theirs = model.fit(reml=False)
    assert theirs.converged

    ours = fit_programme(columns, form="linear", settings=DriftSettings(fixed=PLAIN_SLOPES, prior_weight=0.0)).values
    assert ours["pace_mean"] == pytest.approx(theirs.fe_params[0] / 30.0, rel=0.02)
    assert ours["pace_sd"] == pytest.approx(np.sqrt(theirs.cov_re[0, 0]) / 30.0, rel=0.02)
    assert ours["gap_sd"] == pytest.approx(np.sqrt(theirs.scale), rel=0.02)


def noisy_programme(seed: int, n_people: int = 120, n_gaps: int = 24) -> SessionColumns:
    """Invented: linear climb, results with 1 point of error, reckoned ratios with a personal bias."""
    rng = np.random.default_rng(seed)
    pace = rng.normal(0.6, 0.15, n_people)
    bias = rng.normal(0.05, 0.08, n_people)
    true = np.full(n_people, 30.0)
    rows: dict[str, list[np.ndarray]] = {name: [] for name in ("day", "before", "after", "ratio")}
    day = np.full(n_people, 738_000)
    for turn in range(n_gaps + 1):
        if turn:
            days = rng.choice([21, 28, 35, 42], n_people)
            day = day + days
            true = true + pace * days + 2.0 * np.sqrt(days / 28.0) * rng.normal(size=n_people)
        rows["day"].append(day)
        rows["before"].append(true + rng.normal(0.0, 1.0, n_people))
        ratio = np.clip(13.0 / true, 0.1, 0.9)
        true = true * ratio ** (1.0 + bias) * np.exp(rng.normal(0.0, 0.02, n_people))
        rows["after"].append(true + rng.normal(0.0, 1.0, n_people))
        rows["ratio"].append(ratio)
    columns = {name: np.stack(values, axis=1).ravel() for name, values in rows.items()}
    missing = rng.random(len(columns["after"])) < 0.3
    return SessionColumns.build(
        person=np.repeat(np.arange(n_people), n_gaps + 1),
        day=columns["day"],
        hbs_before_pct=columns["before"],
        hbs_after_pct=np.where(missing, np.nan, columns["after"]),
        hbs_ratio=columns["ratio"],
        hbs_ratio_sd=0.02 * columns["ratio"],
        untransfused_pct=np.full(len(missing), 90.0),
    )


@pytest.fixture(scope="module")
def learnt() -> ProgrammeFit:
    return fit_programme(noisy_programme(5), form="linear")


def test_invented_truth_is_found_again(learnt):
    values = learnt.values
    assert values["pace_mean"] + values["onset"] / 28.0 == pytest.approx(0.6, abs=0.04)
    assert values["pace_sd"] == pytest.approx(0.15, rel=0.25)
    assert values["assay_sd"] == pytest.approx(1.0, rel=0.12)
    assert values["washout_mean"] == pytest.approx(0.05, abs=0.025)
    assert values["washout_sd"] == pytest.approx(0.08, rel=0.3)
    assert values["jump_share"] < 0.02


def test_stated_spread_is_made_true(learnt):
    calibration = learnt.calibration
    assert calibration.spread(np.array([9.0]), np.array([20.0]))[0] == pytest.approx(3.0, rel=0.1)


def test_the_same_columns_give_the_same_bytes(learnt):
    again = fit_programme(noisy_programme(5), form="linear")
    assert json.dumps(again.to_dict(), sort_keys=True) == json.dumps(learnt.to_dict(), sort_keys=True)


def test_a_fit_is_stored_as_json_and_read_back_equal(learnt):
    assert ProgrammeFit.from_dict(json.loads(json.dumps(learnt.to_dict()))) == learnt


def test_a_fit_of_another_version_is_refused(learnt):
    with pytest.raises(ValueError, match="this program reads"):
        ProgrammeFit.from_dict(learnt.to_dict() | {"model_version": MODEL_VERSION + "x"})


@pytest.mark.parametrize("form", CANDIDATES)
def test_every_candidate_form_can_be_learnt_from_a_small_programme(form):
    fit = fit_programme(noisy_programme(6, n_people=8, n_gaps=6), form=form)
    assert fit.form == form
    assert 0.2 < fit.values["pace_mean"] < 1.5
    assert fit.n_gaps == 48
    assert fit.n_people == 8


def test_an_unknown_form_is_refused():
    with pytest.raises(ValueError, match="allowed are linear"):
        fit_programme(noisy_programme(6, n_people=2, n_gaps=2), form="spline")


def test_no_session_at_all_gives_the_prior():
    nothing = SessionColumns.build(person=[], day=[], hbs_before_pct=[], n_people=3)
    fit = fit_programme(nothing)
    assert fit.n_gaps == 0
    assert fit.values["pace_mean"] == pytest.approx(0.7)
