"""Flags of a changed pace: seldom false, true to the planted change, silent where too little is known."""

from dataclasses import replace

import numpy as np
import pytest

from sessions.numeric.changes_of_pace import find_changes, learn_thresholds
from sessions.numeric.columns import SessionColumns
from sessions.numeric.drift.fit import DriftSettings, fit_programme
from sessions.numeric.forecasters import histories
from sessions.numeric.mechanisms.made_up import WORLDS, simulate
from sessions.numeric.pace_shift import BEFORE_RECORDS

NAMES = sorted(WORLDS)
UNSEEN = (8502, 8503, 8504)  # no choice of the flag or the model was made on these programmes
WITHIN_GAPS = (1, 2, 3, 4)


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
    found = find_changes(fit, columns, BEFORE_RECORDS)
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
    assert not find_changes(fit, replace(columns, hbs_before_pct=before), BEFORE_RECORDS).flagged[5]


def test_too_few_gaps_say_nothing(quiet_programme):
    fit, columns = quiet_programme
    found = find_changes(fit, columns.take_rows(columns.sequence() <= 5), BEFORE_RECORDS)
    assert np.isnan(found.faster).all()
    assert not found.flagged.any()


def test_gaps_that_ended_early_unwell_do_not_count(quiet_programme):
    fit, columns = quiet_programme
    reason = np.where((columns.person == 0) & (columns.sequence() >= 12), 1, columns.reason)
    assert not find_changes(fit, replace(columns, reason=reason), BEFORE_RECORDS).flagged[0]


def test_a_new_assay_method_is_named(quiet_programme):
    fit, columns = quiet_programme
    method = np.where(columns.sequence() >= 12, 2, 1)
    assert find_changes(fit, replace(columns, method=method), BEFORE_RECORDS).of(0).method_changed
    assert not find_changes(fit, replace(columns, method=np.ones_like(method)), BEFORE_RECORDS).of(0).method_changed


def test_a_gap_whose_haemoglobin_was_not_measured_tells_less():
    """Where Hb slows the climb, what is not known of it is chance of the gap: it must not pass for a change."""
    paces = list(np.random.default_rng(3).normal(0.5, 0.08, 30))
    paces[0] = lambda k: 0.5 if k < 12 else 0.72
    columns = steady(paces)
    fit = fit_programme(columns, form="graded_hb", settings=DriftSettings(fixed={"hb_credit": 0.6}))
    late = columns.sequence() >= 11
    fewer = replace(columns, hb_after_g_l=np.where(late, np.nan, columns.hb_after_g_l))
    told, left_out = (find_changes(fit, known, BEFORE_RECORDS) for known in (columns, fewer))
    assert told.of(0).faster
    assert left_out.faster[0] < told.faster[0] - 0.1


def test_nobody_known_is_nobody_flagged():
    empty = SessionColumns.build(person=[], day=[], hbs_before_pct=[], n_people=2)
    some = steady([0.5] * 5)
    fit = fit_programme(some, form="linear")
    assert not find_changes(fit, empty, BEFORE_RECORDS).flagged.any()
    assert learn_thresholds(fit, empty) == BEFORE_RECORDS


def measured(name, *, n_people, seed, same_flag_gaps=4):
    """False flags, person-years of people in whom nothing changed, and which +40 % changes were found WITHIN_GAPS.

    Learnt from a programme in which paces changed in three of ten; false flags are counted in other people of that
    world in whom none was changed, for those who happen to be unchanged among the first are mostly newcomers.
    """
    made = simulate(name, n_people=n_people, years=3.0, seed=seed, change_share=0.3)
    fit = fit_programme(made.columns)
    thresholds = learn_thresholds(fit, made.columns)

    def look(columns):
        rows = np.arange(len(columns))
        found = find_changes(fit, histories(columns, rows, with_row=True), thresholds)
        return found, [rows[a:b] for a, b in zip(columns.starts()[:-1], columns.starts()[1:], strict=True) if b - a > 1]

    quiet = simulate(name, n_people=n_people, years=3.0, seed=seed + 5000, change_share=0.0).columns
    found, people = look(quiet)
    years = sum(quiet.day[mine[-1]] - quiet.day[mine[0]] for mine in people) / 365.25
    # A flag that stands from visit to visit is one flag.
    false = sum(int((np.diff(np.r_[-99, np.flatnonzero(found.flagged[m])]) > same_flag_gaps).sum()) for m in people)
    found, people = look(made.columns)
    up = found.flagged & (found.to_pct_per_day > found.from_pct_per_day)
    hits = []
    for mine in people:
        person, day = made.columns.person[mine[0]], made.columns.day[mine]
        if made.truth.change_factor[person] > 1.0 and np.isfinite(made.truth.change_day[person]):
            after = mine[1:][day[:-1] >= made.truth.change_day[person] - 3]
            if len(after) >= max(WITHIN_GAPS) and len(mine) - len(after) > 7:
                hits.append([up[after[:gaps]].any() for gaps in WITHIN_GAPS])
    return false, years, np.array(hits)


def test_false_flags_are_few_in_a_made_up_programme():
    """Requirement: at most 5 false flags in 100 person-years; two standard errors of the count are allowed."""
    false, years, hits = measured("daybyday", n_people=150, seed=71)
    assert false <= 0.05 * years + 2.0 * np.sqrt(0.05 * years)
    assert len(hits) >= 10
    assert hits[:, WITHIN_GAPS.index(3)].mean() > 0.2


@pytest.mark.soak
@pytest.mark.parametrize("name", NAMES)
def test_false_flags_over_thousands_of_person_years(name):
    """At most 5 in 100 person-years, with one standard error of a count (√5 for 5 flags allowed).

    80 of 100 within 3 gaps cannot be had in these worlds at this rate: `test_ceiling_of_flags` tells what could be.
    Regression only: the least share found within 3 gaps, written down for an earlier flag and kept.
    """
    least = {"daybyday": 0.40, "feedback": 0.28, "restless": 0.18, "selective": 0.02}
    runs = [measured(name, n_people=600, seed=seed) for seed in UNSEEN]
    false, years = sum(run[0] for run in runs), sum(run[1] for run in runs)
    found = np.concatenate([run[2] for run in runs])
    assert years > 3000.0
    assert len(found) > 150
    assert false <= 0.05 * years + np.sqrt(0.05 * years)
    assert found[:, WITHIN_GAPS.index(3)].mean() >= least[name]
