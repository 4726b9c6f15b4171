"""The lock: published formula, rare in routine gaps, found in planted reactions, in words with its figures."""

import json

import numpy as np
import pytest

from sessions.numeric.columns import SessionColumns
from sessions.numeric.forecasters import histories
from sessions.numeric.haemolysis import Figures, WatchFit, compare, fit_watch, hba_mass_g_l, update_watch
from sessions.numeric.hb import gaps_without_transfusion
from sessions.numeric.lock import SENTENCE, SampleSeen, SignSeen, judge_lock, sample_seen
from sessions.numeric.mechanisms.made_up import WORLDS, restart, simulate

NAMES = sorted(WORLDS)


def test_hba_mass_is_share_times_hb():
    # Mekontso Dessap et al. 2016: HbA in g/dL is HbA % × Hb. Hb 92 g/L with HbA 78 %: 71.76 g/L.
    assert hba_mass_g_l(92.0, hba_pct=78.0) == pytest.approx(71.76)


def test_hba_is_reckoned_from_hbs_where_it_was_not_measured():
    # Own cells hold no HbA: HbS 22.5 of 90 untransfused is a quarter own, three quarters donor with 97 % HbA.
    assert hba_mass_g_l(100.0, hbs_pct=22.5, untransfused_pct=90.0) == pytest.approx(0.75 * 97.0)
    assert hba_mass_g_l(100.0, hbs_pct=95.0, untransfused_pct=90.0) == 0.0
    assert np.isnan(hba_mass_g_l(100.0))


def samples(name, *, n_people, seed):
    """Each gap of a made-up programme's later part, lived again from the truth: with and without a reaction.

    Half of the donor cells are gone between day 5 and 15; the sample is taken nought to three days after the loss
    ended, when people feel it, and once more on the routine day, day 28 at the latest.
    """
    made = simulate(name, n_people=n_people, years=2.5, seed=seed)
    columns = made.columns
    cut = int(np.quantile(columns.day, 0.4))
    fit = fit_watch(columns.until(cut))
    days = gaps_without_transfusion(columns)
    rows = np.flatnonzero(np.isfinite(days) & (columns.day > cut))
    watched = update_watch(fit, histories(columns, rows))
    rng = np.random.default_rng(seed)
    start = rng.integers(4, 9, len(rows)).astype(float)
    over = np.minimum(rng.integers(3, 8, len(rows)), 15 - start)
    unwell = (start + over + rng.integers(0, 4, len(rows))).astype(np.int64)
    routine = np.minimum(made.people.usual_interval_days[columns.person[rows]], 28)

    def seen(day, *, reacts):
        world = restart(made, rows - 1, (seed, 7))
        if reacts:
            world.plant_reaction(np.ones(len(rows), dtype=bool), start_days=start, over_days=over)
        found = world.advance(day)
        return compare(fit, watched, days=day, hb_g_l=found.hb_before, hba_pct=found.hba_pct)

    return {
        "routine": seen(routine, reacts=False),
        "well": seen(unwell, reacts=False),
        "reaction": seen(unwell, reacts=True),
    }


def assert_rare_and_found(figures):
    assert figures["routine"].can_say.all() and figures["well"].can_say.all()
    assert figures["routine"].locked.mean() < 0.005  # fewer than 1 in 200
    # Samples in the second or third week, which nobody takes in routine, may lock a little oftener.
    assert figures["well"].locked.mean() < 0.0075
    assert figures["reaction"].locked.mean() >= 0.80


@pytest.mark.parametrize("name", NAMES)
def test_the_lock_is_rare_in_routine_gaps_and_finds_planted_reactions(name):
    assert_rare_and_found(samples(name, n_people=80, seed=51))


@pytest.mark.soak
@pytest.mark.parametrize("name", NAMES)
@pytest.mark.parametrize("seed", [52, 53, 54])
def test_the_lock_over_thousands_of_gaps(name, seed):
    figures = samples(name, n_people=300, seed=seed)
    assert len(figures["routine"].locked) > 3000
    assert_rare_and_found(figures)


def test_recorded_routine_visits_seldom_lock():
    columns = simulate("daybyday", n_people=150, years=2.5, seed=55).columns
    cut = int(np.quantile(columns.day, 0.4))
    fit = fit_watch(columns.until(cut))
    days = gaps_without_transfusion(columns)
    rows = np.flatnonzero(np.isfinite(days) & (columns.day > cut))
    found = compare(
        fit,
        update_watch(fit, histories(columns, rows)),
        days=days[rows],
        hb_g_l=columns.hb_before_g_l[rows],
        hbs_pct=columns.hbs_before_pct[rows],
    )
    assert found.can_say.sum() > 700
    assert found.locked.sum() < found.can_say.sum() / 200
    # Hb under its value before the transfusion, the descriptor in reports, would lock a large part of all routine gaps.
    before = columns.hb_before_g_l[rows - 1]
    assert np.mean(columns.hb_before_g_l[rows] < before) > 0.3


@pytest.fixture(scope="module")
def one_programme():
    columns = simulate("feedback", n_people=30, n_gaps=8, seed=56).columns
    fit = fit_watch(columns)
    return fit, update_watch(fit, columns)


def test_both_figures_must_be_low(one_programme):
    fit, watched = one_programme
    usual = compare(fit, watched, days=14, hb_g_l=95.0, hba_pct=80.0)
    low_hb, low_mass = usual.hb_lowest - 5.0, 100.0 * (usual.hba_lowest - 5.0) / (usual.hb_expected + 5.0)
    assert compare(fit, watched, days=14, hb_g_l=low_hb, hba_pct=90.0 * usual.hba_expected / low_hb).locked.sum() == 0
    assert compare(fit, watched, days=14, hb_g_l=usual.hb_expected + 5.0, hba_pct=low_mass).locked.sum() == 0
    both = compare(fit, watched, days=14, hb_g_l=low_hb, hba_pct=100.0 * (usual.hba_lowest - 5.0) / low_hb)
    assert both.locked.all()


def test_after_28_days_or_without_a_figure_nothing_is_said(one_programme):
    fit, watched = one_programme
    assert compare(fit, watched, days=28, hb_g_l=40.0, hba_pct=20.0).locked.all()
    assert not compare(fit, watched, days=29, hb_g_l=40.0, hba_pct=20.0).can_say.any()
    assert not compare(fit, watched, days=14, hb_g_l=np.nan, hba_pct=20.0).can_say.any()
    assert not compare(fit, watched, days=14, hb_g_l=40.0).can_say.any()


def test_a_top_up_raises_what_is_expected(one_programme):
    fit, watched = one_programme
    plain = compare(fit, watched, days=7, hb_g_l=95.0, hba_pct=80.0)
    topped = compare(fit, watched, days=7, hb_g_l=95.0, hba_pct=80.0, topup_hb_g_l=10.0)
    assert (topped.hb_expected > plain.hb_expected).all()
    assert (topped.hba_lowest > plain.hba_lowest).all()


def test_nobody_known_is_nobody_locked():
    empty = SessionColumns.build(person=[], day=[], hbs_before_pct=[], n_people=3)
    fit = fit_watch(empty)
    assert not compare(fit, update_watch(fit, empty), days=10, hb_g_l=40.0, hba_pct=10.0).can_say.any()


def test_a_fit_can_be_stored(one_programme):
    fit, _ = one_programme
    assert WatchFit.from_dict(json.loads(json.dumps(fit.to_dict()))) == fit
    with pytest.raises(ValueError, match="watch-0"):
        WatchFit.from_dict(fit.to_dict() | {"model_version": "watch-0"})


LOW = SampleSeen(1010, 10, True, 92.0, 77.0, 69.0, 72.0, 55.0, 41.0)


def test_figures_lock_with_what_was_expected_and_found():
    lock = judge_lock(signs=(), samples=(None, LOW), transfusion_days=(1000,))
    assert lock.locked
    assert lock.sentence == SENTENCE
    assert lock.reasons == (
        "On day 10 Hb 69 g/L and HbA mass 41 g/L; expected 92 and 72, and under 77 and 55 in 1 of 200.",
    )


@pytest.mark.parametrize("kind", ["reaction", "dark_urine", "new_pain", "fever"])
def test_a_sign_locks_alone_up_to_28_days_after_any_transfusion(kind):
    # 24 h to 28 days: TRIP (NL) definitions.
    assert judge_lock(signs=(SignSeen(1028, kind),), samples=(), transfusion_days=(900, 1000)).locked
    assert not judge_lock(signs=(SignSeen(1029, kind),), samples=(), transfusion_days=(900, 1000)).locked
    assert not judge_lock(signs=(SignSeen(899, kind),), samples=(), transfusion_days=(900,)).locked


def test_signs_are_told_in_order_of_time():
    lock = judge_lock(
        signs=(SignSeen(1011, "new_pain"), SignSeen(1001, "dark_urine")), samples=(LOW,), transfusion_days=(1000,)
    )
    assert lock.reasons[:2] == ("Dark urine, 1 day after red cells.", "New severe pain, 11 days after red cells.")
    assert len(lock.reasons) == 3


def test_a_sign_during_the_transfusion_itself_is_said_to_be_of_that_day():
    lock = judge_lock(signs=(SignSeen(1028, "reaction"),), samples=(), transfusion_days=(1000, 1028))
    assert lock.reasons == ("A reaction under investigation, on the day of red cells.",)
    assert lock.sentence == "Possible haemolysis: a haematologist decides before any red cells."


def test_nothing_seen_is_no_lock():
    calm = SampleSeen(1010, 10, False, 92.0, 77.0, 69.0, 72.0, 55.0, 61.0)
    lock = judge_lock(signs=(), samples=(calm,), transfusion_days=(1000,))
    assert (lock.locked, lock.reasons, lock.sentence) == (False, (), "")


def test_an_unknown_sign_is_refused():
    with pytest.raises(ValueError, match="dark_urine"):
        judge_lock(signs=(SignSeen(1001, "headache"),), samples=(), transfusion_days=(1000,))


def test_one_person_is_taken_out_of_many():
    yes_no = np.array([True, False])
    many = Figures(yes_no, yes_no, *(np.array([v, v]) for v in (92.0, 77.0, 69.0, 72.0, 55.0, 41.0)))
    assert sample_seen(many, 0, day=1010, days=10) == LOW
    assert sample_seen(many, 1, day=1010, days=10) is None
