"""The made-up worlds: published survival of cells, conservation, and an oracle that is right in its own world."""

from itertools import pairwise

import numpy as np
import pytest
from scipy import integrate

from sessions.numeric.mechanisms.course import Course, Event, MadeUpPerson
from sessions.numeric.mechanisms.daybyday import DayByDay, donor_share_left
from sessions.numeric.mechanisms.made_up import WORLDS, make_world, restart, simulate
from sessions.numeric.mechanisms.mixing import mix
from sessions.numeric.mechanisms.oracle import oracle_of_gaps
from sessions.numeric.scoring import crps_draws

NAMES = sorted(WORLDS)


def usable_rows(madeup):
    columns = madeup.columns
    second = np.r_[False, np.diff(columns.person) == 0]
    return np.flatnonzero(second & np.isfinite(columns.hbs_before_pct) & ~madeup.truth.outlier & (columns.reason != 1))


@pytest.mark.parametrize(("days", "left"), [(14, 0.87889), (28, 0.75780), (42, 0.63684), (56, 0.51656)])
def test_donor_cells_of_mixed_age_last_as_published(days, left):
    # Weibull law with mean 115.6 d, SD 24.77 d (Shrestha RP et al. 2016); 1 − ∫₀ᵗ S / mean, computed from it.
    assert donor_share_left(float(days)) == pytest.approx(left, abs=5e-6)


def test_half_of_the_donor_cells_are_gone_after_58_days():
    assert donor_share_left(57.94) == pytest.approx(0.5, abs=1e-4)  # from the same law


def test_donor_cells_followed_day_by_day_obey_the_law():
    world = make_world("daybyday", n_people=60, seed=4)
    world.traits["random_loss"][:] = 0.0
    nothing = np.zeros(60)
    world.state = world._mix_in(world.state | {"donor": world.state["donor"] * 0.0}, nothing + 1.0, nothing + 300.0)
    world.state["life_scale"][:] = 1.0
    for days in (14, 28, 42, 56):
        world.advance(np.full(60, 14))
        assert world.donor_g() / 300.0 == pytest.approx(np.full(60, float(donor_share_left(float(days)))), abs=1e-4)


@pytest.mark.parametrize(("a", "b"), [(300.0, 300.0), (260.0, 410.0), (500.0, 0.0), (0.0, 400.0), (260.0, 200.0)])
def test_mixing_agrees_with_the_differential_equation(a, b):
    # Well-mixed compartment solved by scipy.integrate.solve_ivp: old cells and given cells in grams.
    volume, hb = 4200.0, 190.0

    def rates(t, y):
        now = volume + (a - b) * t
        return [-b * y[0] / now, a * hb / 1000.0 - b * y[1] / now]

    solved = integrate.solve_ivp(rates, (0, 1), [1.0, 0.0], rtol=1e-10, atol=1e-12).y[:, -1]
    found = mix(np.array([volume]), np.array([[a]]), np.array([[b]]), np.array([[hb]]))
    assert [found.kept[0], found.given_g[0]] == pytest.approx(list(solved), rel=1e-7, abs=1e-9)


def test_drawing_more_than_is_there_is_refused():
    with pytest.raises(ValueError, match="no blood"):
        mix(np.array([3000.0]), np.array([[0.0]]), np.array([[3000.0]]), np.array([[0.0]]))


@pytest.mark.parametrize("name", NAMES)
def test_no_haemoglobin_appears_or_vanishes_in_a_session(name):
    world = make_world(name, n_people=40, seed=2)
    own, donor = world.own_g(), world.donor_g()
    world.state = world._mix_in(world.state, np.full(40, 0.6), np.full(40, 150.0))
    assert world.own_g() == pytest.approx(0.6 * own)
    assert world.donor_g() == pytest.approx(0.6 * donor + 150.0)
    assert world.hb_g_l() == pytest.approx((0.6 * (own + donor) + 150.0) / world.people.true_volume_ml * 1000.0)


def test_batches_beyond_the_shelf_join_and_none_is_lost():
    world = make_world("daybyday", n_people=5, seed=2)
    before = world.donor_g()
    for _ in range(20):
        world.state = world._mix_in(world.state, np.ones(5), np.full(5, 10.0))
    assert world.donor_g() == pytest.approx(before + 200.0)


@pytest.mark.parametrize("name", NAMES)
def test_the_same_seed_gives_the_same_records(name):
    first, second = (simulate(name, n_people=12, n_gaps=4, seed=3).columns for _ in range(2))
    assert np.array_equal(first.hbs_before_pct, second.hbs_before_pct, equal_nan=True)
    assert not np.array_equal(
        first.hbs_before_pct, simulate(name, n_people=12, n_gaps=4, seed=4).columns.hbs_before_pct, equal_nan=True
    )


@pytest.mark.parametrize("name", NAMES)
def test_records_look_like_a_programme(name):
    made = simulate(name, n_people=200, years=2.5, seed=5)
    columns = made.columns
    late = np.mean(columns.reason == 3)
    assert 0.08 < late < 0.16
    assert 25.0 < np.nanmedian(columns.hbs_before_pct) < 38.0
    assert 11.0 < np.nanmedian(columns.hbs_after_pct) < 25.0
    assert 80.0 < np.nanmedian(columns.hb_before_g_l) < 100.0
    assert 0.05 < np.mean(np.isnan(columns.hbs_after_pct)) < 0.4
    gaps = np.bincount(columns.person, minlength=200) - 1
    assert (gaps <= 3).any() and (gaps >= 10).any()


@pytest.mark.parametrize("name", NAMES)
def test_taking_people_leaves_the_world_untouched(name):
    world = make_world(name, n_people=10, seed=6)
    before = {k: v.copy() for k, v in world.state.items()}
    world.take(np.array([3, 3, 1]), np.random.default_rng(0)).advance(np.array([5, 9, 0]))
    assert all(np.array_equal(before[k], world.state[k]) for k in before)


@pytest.mark.parametrize("name", NAMES)
def test_a_planted_change_moves_the_pace_by_about_its_factor(name):
    made = simulate(name, n_people=300, years=3.0, seed=7, change_share=1.0)
    columns, truth = made.columns, made.truth
    ratios = []
    for person in np.flatnonzero(np.isfinite(truth.change_day) & (truth.change_factor > 1.3)):
        rows = np.flatnonzero(columns.person == person)
        before = truth.pace_pct_per_day[rows[columns.day[rows] < truth.change_day[person] - 5][-4:]]
        after = truth.pace_pct_per_day[rows[columns.day[rows] >= truth.change_day[person]][:4]]
        if len(before) and len(after):
            ratios.append(after.mean() / before.mean())
    assert np.median(ratios) == pytest.approx(1.4, abs=0.12)


@pytest.mark.parametrize("name", NAMES)
def test_half_of_the_donor_cells_go_in_a_planted_reaction(name):
    world = make_world(name, n_people=50, seed=8)
    spared = world.take(np.arange(50), np.random.default_rng(1))
    world = world.take(np.arange(50), np.random.default_rng(1))
    who = np.ones(50, dtype=bool)
    world.plant_reaction(who, start_days=np.full(50, 5.0), over_days=np.full(50, 8.0))
    for w in (world, spared):
        w.advance(np.full(50, 20), quiet=True)
    # In the restless world Hb returns to its resting level by itself, so the loss seen later is smaller.
    low, high = (0.45, 0.7) if name == "restless" else (0.47, 0.53)
    share = world.donor_g() / spared.donor_g()
    assert low < share.min() and share.max() < high


def test_a_top_up_in_the_gap_arrives_on_its_day():
    world = make_world("feedback", n_people=4, seed=9)
    other = world.take(np.arange(4))
    world.plant(topup_day=world.day + 7.0, topup_g=np.array([50.0, 0.0, 50.0, 0.0]))
    for w in (world, other):
        w.advance(np.full(4, 6), quiet=True)
    assert world.donor_g() == pytest.approx(other.donor_g())
    for w in (world, other):
        w.advance(np.full(4, 1), quiet=True)
    assert world.donor_g() - other.donor_g() == pytest.approx([50.0, 0.0, 50.0, 0.0])


@pytest.mark.parametrize("name", NAMES)
def test_the_oracle_is_right_in_its_own_world(name):
    made = simulate(name, n_people=60, years=2.0, seed=10)
    rows = usable_rows(made)
    draws = oracle_of_gaps(made, rows, n_draws=60, seed=1)
    y = made.columns.hbs_before_pct[rows]
    position = ((draws < y[:, None]).mean(axis=1) + (draws <= y[:, None]).mean(axis=1)) / 2.0
    shares = np.histogram(position, 5, (0.0, 1.0))[0] / len(rows)
    assert len(rows) > 700
    # Five standard errors of a share of one fifth; gaps are independent given the true state.
    assert shares == pytest.approx(np.full(5, 0.2), abs=5 * np.sqrt(0.16 / len(rows)))


def test_nothing_beats_the_oracle_not_even_a_slightly_wrong_one():
    made = simulate("daybyday", n_people=60, years=2.0, seed=11)
    rows = usable_rows(made)
    draws = oracle_of_gaps(made, rows, n_draws=80, seed=1)
    y = made.columns.hbs_before_pct[rows]
    right = crps_draws(y, draws).mean()
    middle = np.median(draws, axis=1, keepdims=True)
    assert crps_draws(y, draws + 1.0).mean() > right
    assert crps_draws(y, middle + 0.5 * (draws - middle)).mean() > right
    assert crps_draws(y, middle + 1.7 * (draws - middle)).mean() > right


def test_a_first_session_has_no_oracle():
    made = simulate("feedback", n_people=3, n_gaps=2, seed=1)
    with pytest.raises(ValueError, match="first session"):
        oracle_of_gaps(made, np.array([0]))


def test_early_comers_of_the_selective_world_climb_faster():
    made = simulate("selective", n_people=200, years=2.5, seed=12)
    columns, truth = made.columns, made.truth
    rows = np.flatnonzero(np.r_[False, np.diff(columns.person) == 0])
    rate = (truth.before_pct[rows] - truth.after_pct[rows - 1]) / (columns.day[rows] - columns.day[rows - 1])
    reason = columns.reason[rows]
    assert rate[reason == 1].mean() > 1.15 * rate[reason == 0].mean() > 1.15 * rate[reason == 3].mean()


def test_an_unknown_world_is_refused_with_the_names():
    with pytest.raises(ValueError, match="daybyday, feedback, restless, selective"):
        make_world("sunny", n_people=1, seed=1)


def test_a_restart_stands_where_the_session_ended():
    made = simulate("daybyday", n_people=10, n_gaps=5, seed=13)
    rows = np.array([3, 20, 41])
    world = restart(made, rows, seed=1, repeats=2)
    assert isinstance(world, DayByDay)
    assert world.hbs_pct() == pytest.approx(np.repeat(made.truth.after_pct[rows], 2))
    assert np.array_equal(world.day, np.repeat(made.columns.day[rows], 2))


def follow(*, events=(), seed=1, sessions=12, **person):
    """Before- and after-samples of a made-up person who comes every 28 days and is exchanged by habit to 16 %."""
    course = Course(MadeUpPerson(60.0, 4000.0, **person), first_day=1000, seed=seed, events=events)
    seen = []
    for number in range(sessions):
        before = course.come(1000 + 28 * number)
        steps = course.usual_steps(end_target_pct=16.0, hb_g_l=before.hb_g_l, hbs_pct=before.hbs_pct)
        seen.append((before, course.exchange(steps)))
    return seen


def climbs(seen):
    return np.array([b.true_hbs_pct - a.true_hbs_pct for (_, a), (b, _) in pairwise(seen)]) / 28.0


def test_a_course_is_the_same_every_time():
    assert follow() == follow()
    assert follow() != follow(seed=2)


@pytest.mark.parametrize("pace", [0.35, 0.5, 0.7])
def test_a_course_keeps_the_pace_asked_for(pace):
    paces = [climbs(follow(pace_pct_per_day=pace, usual_before_pct=16.0 + 28 * pace, seed=s)).mean() for s in range(6)]
    assert np.mean(paces) == pytest.approx(pace, rel=0.12)


def test_a_stopped_drug_raises_the_pace_from_its_day_on():
    changed = np.mean([climbs(follow(events=(Event(1150, "pace_changes", 1.4),), seed=s)) for s in range(8)], axis=0)
    plain = np.mean([climbs(follow(seed=s)) for s in range(8)], axis=0)
    assert changed[:5] == pytest.approx(plain[:5])
    assert (changed[7:] / plain[7:]).mean() == pytest.approx(1.4, abs=0.2)


def test_haemolysis_in_a_course_lowers_hb_and_hba_of_the_next_visit_only():
    struck, plain = follow(events=(Event(1145, "haemolysis", 0.5, 8),)), follow()
    assert struck[5] == plain[5]
    assert struck[6][0].true_hb_g_l < plain[6][0].true_hb_g_l - 7.0
    assert struck[6][0].hba_pct * struck[6][0].hb_g_l < 0.65 * plain[6][0].hba_pct * plain[6][0].hb_g_l


def test_a_newcomer_begins_without_donor_cells():
    first = follow(start="untransfused", untransfused_pct=88.0, sessions=1)[0][0]
    assert first.true_hbs_pct == pytest.approx(88.0)
    assert first.hba_pct <= 3.0
    assert first.true_hb_g_l == pytest.approx(80.0)


def test_a_course_does_not_run_backwards():
    course = Course(MadeUpPerson(60.0, 4000.0), first_day=1000, seed=1)
    course.come(1010)
    with pytest.raises(ValueError, match="1009 lies before 1010"):
        course.come(1009)
    with pytest.raises(ValueError, match="after the first day"):
        Course(MadeUpPerson(60.0, 4000.0), first_day=1000, seed=1, events=(Event(1000, "topped_up", 50.0),))


def test_a_growing_child_keeps_its_concentrations():
    course = Course(MadeUpPerson(28.0, 2100.0), first_day=1000, seed=1)
    before = course.come(1020)
    course.weigh(weight_kg=31.0, blood_volume_ml=2300.0)
    after = course.come(1020)
    assert after.true_hbs_pct == pytest.approx(before.true_hbs_pct)
    assert after.true_hb_g_l == pytest.approx(before.true_hb_g_l)
