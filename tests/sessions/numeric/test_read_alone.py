"""Given a programme's fit, a person's figures are the same whoever is read beside them: alone, a few, or everybody."""

from dataclasses import fields, is_dataclass

import numpy as np
import pytest
from numpy.testing import assert_allclose, assert_array_equal

from sessions.numeric.changes_of_pace import find_changes, learn_thresholds
from sessions.numeric.columns import SessionColumns, enough_people
from sessions.numeric.drift.fit import fit_programme
from sessions.numeric.drift.person import update_people
from sessions.numeric.haemolysis import fit_watch, update_watch
from sessions.numeric.mechanisms.made_up import simulate

PEOPLE = 40


def arrays(value, name=""):
    """Every array of a record of records, by name."""
    if is_dataclass(value):
        return {k: v for f in fields(value) for k, v in arrays(getattr(value, f.name), f"{name}.{f.name}").items()}
    return {name: value}


@pytest.fixture(scope="module")
def columns():
    """People with one to seventeen sessions."""
    made = simulate("restless", n_people=PEOPLE, n_gaps=16, seed=5).columns
    return made.take_rows(made.sequence() <= (np.arange(PEOPLE) % 17)[made.person])


@pytest.fixture(scope="module")
def seen(columns):
    fit = fit_programme(columns)
    watch, thresholds = fit_watch(columns), learn_thresholds(fit, columns)

    def see(some):
        pace, changes = update_people(fit, some), find_changes(fit, some, thresholds)
        changed = {"flagged": changes.flagged, "faster": changes.faster, "slower": changes.slower}
        return arrays(pace, "pace") | arrays(update_watch(watch, some), "watch") | changed

    return see


@pytest.mark.parametrize("at_once", [1, 3, 17])
def test_nobody_else_moves_a_persons_figures(columns, seen, at_once):
    everybody = seen(columns)
    for start in range(0, PEOPLE, at_once):
        people = np.arange(start, min(start + at_once, PEOPLE))
        for name, values in seen(columns.take_people(people)).items():
            assert_allclose(values, everybody[name][people], rtol=1e-9, atol=1e-12, err_msg=name)


def test_a_sum_so_far_knows_nothing_of_who_stands_before():
    """Independent: each person added up alone in plain Python, to the last bit, after somebody with huge values."""
    rng = np.random.default_rng(3)
    person = np.repeat([0, 1, 3], [5, 1, 7])
    columns = SessionColumns.build(person=person, day=np.arange(13), hbs_before_pct=np.zeros(13), n_people=5)
    values = rng.standard_normal(13) * np.where(person == 0, 1e12, 1.0)
    alone = [np.cumsum(values[person == number]) for number in (0, 1, 3)]
    assert_array_equal(columns.so_far(values), np.concatenate(alone))


def test_people_to_learn_from_are_spread_evenly_and_have_about_the_gaps_asked_for():
    gaps = np.array([-1, 0] + [10] * 100)
    assert enough_people(gaps, 1000).tolist() == list(range(2, 102))
    some = enough_people(gaps, 200)
    assert (len(some), some[0], some[-1]) == (20, 2, 101)
    assert set(np.diff(some)) <= {5, 6}
    assert enough_people(np.array([0, 0]), 10).tolist() == []
