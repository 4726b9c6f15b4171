"""Plain values for the pure tests of the planner: people, limits, units, and a made-up programme with its fit."""

import numpy as np
import pytest

from programme.planning.numeric.limits import limits_for
from programme.planning.numeric.programme_run import Programme, begin_year, cells_of_made_up, inputs_of
from programme.planning.numeric.search import Before, Cells
from programme.planning.numeric.suggest import SiteRules, suggest_many
from sessions.numeric.drift.person import update_people
from sessions.numeric.mechanisms.made_up import simulate
from sessions.numeric.predictive import Predictive

UNIT_HB_G_L = 1000.0 * 50.0 / 258.0


def column(value, n):
    return np.broadcast_to(np.asarray(value, dtype=float), (n,)).copy()


@pytest.fixture
def cells():
    return Cells(258.0, UNIT_HB_G_L, 0.10)


@pytest.fixture
def certain_cells():
    return Cells(258.0, UNIT_HB_G_L, 0.0)


@pytest.fixture
def make_before():
    def make(n=1, *, hb=95.0, hb_sd=2.0, volume=4500.0, mixing=1.0, rel_sd=0.05):
        return Before(*(column(value, n) for value in (hb, hb_sd, volume, mixing, rel_sd)))

    return make


@pytest.fixture
def make_limits():
    def make(n=1, *, weight=70.0, **own):
        return limits_for(weight_kg=column(weight, n), **own)

    return make


@pytest.fixture
def straight_outlook():
    """Forecasts of people who climb a straight line: the simplest thing that has the planner's interface."""

    def make(pace, *, after=15.0, sd=2.0, growth=0.0):
        pace, own_after = np.asarray(pace, dtype=float), np.asarray(after, dtype=float)

        def outlook(*, days, after_pct=None, after_sd_pct=None):
            days = np.asarray(days, dtype=float)
            shape = (-1,) + (1,) * (days.ndim - 1)
            start = own_after.reshape(shape) if after_pct is None else after_pct
            spread = np.sqrt(sd**2 + growth * days + np.square(0.0 if after_sd_pct is None else after_sd_pct))
            return Predictive(start + pace.reshape(shape) * days, spread + 0.0 * start)

        return outlook

    return make


@pytest.fixture(scope="session")
def made_up_programme():
    begun = begin_year(simulate("restless", n_people=60, seed=3))
    people = begun.madeup.world.people.take(begun.madeup.columns.person[begun.rows])
    return Programme(begun.columns, people, begun.fit, update_people(begun.fit, begun.columns), 0.10)


@pytest.fixture(scope="session")
def made_up_inputs(made_up_programme):
    return inputs_of(made_up_programme)


@pytest.fixture(scope="session")
def as_of_day(made_up_programme):
    """The day after each person's last session."""
    return made_up_programme.pace.last_day.astype(np.int64) + 1


@pytest.fixture(scope="session")
def ask(made_up_programme, made_up_inputs, as_of_day):
    def asked(people=None, *, pace=None, day=None, what_if=None):
        return suggest_many(
            made_up_inputs if people is None else people,
            made_up_programme.fit,
            made_up_programme.pace if pace is None else pace,
            SiteRules(cells_of_made_up()),
            as_of_day=as_of_day if day is None else day,
            what_if=what_if,
        )

    return asked


@pytest.fixture(scope="session")
def said(ask):
    return ask()
