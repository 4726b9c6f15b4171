"""Flags of a changed pace: seldom false, true to the planted change, silent where too little is known."""

from dataclasses import replace

import numpy as np
import pytest

from sessions.numeric.changes_of_pace import find_changes, learn_score_spread
from sessions.numeric.columns import SessionColumns
from sessions.numeric.drift.fit import fit_programme
from sessions.numeric.forecasters import histories
from sessions.numeric.mechanisms.made_up import WORLDS, simulate

NAMES = sorted(WORLDS)


def steady(paces, *, noise=0.8, gaps=14, days=28, seed=1):
    """People with one pace each, from 15 % after every session; the last gaps may have another pace."""
    rng = np.random.default_rng(seed)
    n = len(paces)
    person = np.repeat(np.arange(n), gaps + 1)
    number = np.tile(np.arange(gaps + 1), n)
    pace = np.array([[p(k) if callable(p) else p for k in range(gaps + 1)] for p in paces]).ravel()
    before = 15.0 + pace * days + rng.normal(0.0, noise, len(pace))
    return SessionColumns.build(
        person=person,
        day=1000 + days * number,
        hbs_before_pct=before,
        hbs_after_pct=np.full(len(pace), 15.0),
        hb_after_g_l=np.full(len(pace), 102.0),
        hb_before_g_l=np.full(len(pace), 92.0),
        untransfused_pct=np.full(len(pace), 90.0),
    )


@pytest.fixture(scope="module")
def quiet_programme():
    """Thirty people of which the first climbs faster, and the second slower, in the last three gaps."""
    rng = np.random.default_rng(2)
    paces = list(rng.normal(0.5, 0.08, 30))
    paces[0] = lambda k: 0.5 if k < 12 else 0.72
    paces[1] = lambda k: 0.5 if k < 12 else 0.30
    columns = steady(paces)
    return fit_programme(columns, form="linear"), columns


def test_a_planted_change_is_told_with_when_and_how_much(quiet_programme):
    fit, columns = quiet_programme
    found = find_changes(fit, columns)
    faster, slower = found.of(0), found.of(1)
    assert faster.faster and not slower.faster
    assert faster.since_day == 1000 + 28 * 11
    assert faster.gaps == 3
    assert faster.from_pct_per_day == pytest.approx(0.5, abs=0.05)
    assert faster.to_pct_per_day == pytest.approx(0.72, abs=0.06)
    assert faster.low_pct_per_day < 0.72 < faster.high_pct_per_day
    assert slower.to_pct_per_day == pytest.approx(0.30, abs=0.06)
    assert found.flagged[2:].sum() == 0
    assert found.of(5) is None


def test_one_odd_gap_is_not_a_change(quiet_programme):
    fit, columns = quiet_programme
    before = columns.hbs_before_pct.copy()
    before[columns.starts()[6] - 1] += 25.0  # the last result of person 5, as from another person's tube
    assert not find_changes(fit, replace(columns, hbs_before_pct=before)).flagged[5]


def test_too_few_gaps_say_nothing(quiet_programme):
    fit, columns = quiet_programme
    found = find_changes(fit, columns.take_rows(columns.sequence() <= 5))
    assert np.isnan(found.score).all()
    assert not found.flagged.any()


def test_gaps_that_ended_early_unwell_do_not_count(quiet_programme):
    fit, columns = quiet_programme
    reason = np.where((columns.person == 0) & (columns.sequence() >= 12), 1, columns.reason)
    assert not find_changes(fit, replace(columns, reason=reason)).flagged[0]


def test_a_new_assay_method_is_named(quiet_programme):
    fit, columns = quiet_programme
    method = np.where(columns.sequence() >= 12, 2, 1)
    assert find_changes(fit, replace(columns, method=method)).of(0).method_changed
    assert not find_changes(fit, replace(columns, method=np.ones_like(method))).of(0).method_changed


def test_nobody_known_is_nobody_flagged():
    empty = SessionColumns.build(person=[], day=[], hbs_before_pct=[], n_people=2)
    some = steady([0.5] * 5)
    assert not find_changes(fit_programme(some, form="linear"), empty).flagged.any()
    assert learn_score_spread(fit_programme(some, form="linear"), empty) == 1.0


def measured(name, *, n_people, seed, quiet_gaps=4):
    """False flags in 100 person-years of unchanged people, and the share of +40 % changes found within 3 and 6 gaps."""
    made = simulate(name, n_people=n_people, years=3.0, seed=seed, change_share=0.3)
    columns, truth = made.columns, made.truth
    fit = fit_programme(columns)
    spread = learn_score_spread(fit, columns)
    rows = np.arange(len(columns))
    found = find_changes(fit, histories(columns, rows, with_row=True), score_spread=spread)
    starts = columns.starts()
    false, years, hits3, hits6 = 0, 0.0, [], []
    for person in range(columns.n_people):
        mine = rows[starts[person] : starts[person + 1]]
        if len(mine) < 2:
            continue
        change = truth.change_day[person]
        if not np.isfinite(change):
            years += (columns.day[mine[-1]] - columns.day[mine[0]]) / 365.25
            flags = np.flatnonzero(found.flagged[mine])
            # A flag that stands from visit to visit is one flag.
            false += int((np.diff(np.r_[-99, flags]) > quiet_gaps).sum())
        elif truth.change_factor[person] > 1.0:
            after = mine[1:][columns.day[mine[:-1]] >= change - 3]
            if len(after) >= 3 and len(mine) - len(after) > 7:
                up = found.flagged[after] & (found.score[after] > 0.0)
                hits3.append(up[:3].any())
                hits6.append(up[:6].any())
    return 100.0 * false / years, float(np.mean(hits3)), float(np.mean(hits6)), len(hits3)


def test_false_flags_are_few_in_a_made_up_programme():
    false, within_3, within_6, _ = measured("daybyday", n_people=150, seed=71)
    assert false <= 5.0
    assert within_6 >= within_3 > 0.15


@pytest.mark.soak
@pytest.mark.parametrize("name", NAMES)
def test_false_flags_over_a_thousand_person_years(name):
    """At most 5 in 100 person-years. Within 3 gaps far fewer than 80 of 100 changes are found: see the figures below.

    A gap's own chance is about as large as 40 % of a climb divided by 1.5 to 2, so that three gaps cannot tell more at
    this rate of false flags. Regression only: the shares found when this was written, less a margin.
    """
    least = {"daybyday": 0.30, "feedback": 0.22, "restless": 0.08, "selective": 0.10}
    false, within_3, _, n = measured(name, n_people=600, seed=72)
    assert n > 50
    assert false <= 5.5  # 5, and one standard error of the count
    assert within_3 >= least[name]
