"""Hb to expect before a session: the programme's centre, and how far a person's own values move it."""

import numpy as np
import pytest

from sessions.numeric.columns import SessionColumns
from sessions.numeric.hb_before import LATEST_SESSIONS, SUPPOSED_G_L, VISIT_SD_G_L, hb_before, learn_hb_before

PEOPLE, VISITS, CENTRE, BETWEEN_SD = 2000, 6, 88.0, 7.0


def programme(seed=11, people=PEOPLE, visits=VISITS):
    """True levels of people, and columns of Hb measured before their visits with the spread that is supposed."""
    rng = np.random.default_rng(seed)
    truth = CENTRE + BETWEEN_SD * rng.standard_normal(people)
    person = np.repeat(np.arange(people), visits)
    return truth, SessionColumns.build(
        person=person,
        day=np.tile(28 * np.arange(visits), people),
        hbs_before_pct=np.full(person.size, 30.0),
        hb_before_g_l=truth[person] + VISIT_SD_G_L * rng.standard_normal(person.size),
    )


def test_the_expected_value_and_its_spread_are_those_of_the_next_visit():
    """Independent: the next visit is drawn from the truth; off by as much as stated, and less than the own mean."""
    truth, columns = programme()
    fit = learn_hb_before(columns)
    assert fit.centre_g_l == pytest.approx(CENTRE, abs=0.6)  # three standard errors
    assert np.sqrt(fit.between_variance) == pytest.approx(BETWEEN_SD, rel=0.06)
    mean, sd = hb_before(fit, columns)
    following = truth + VISIT_SD_G_L * np.random.default_rng(12).standard_normal(PEOPLE)
    assert np.std((following - mean) / sd) == pytest.approx(1.0, abs=0.05)
    own = columns.hb_before_g_l.reshape(PEOPLE, VISITS).mean(axis=1)
    assert np.mean((mean - truth) ** 2) < np.mean((own - truth) ** 2)


def test_a_newcomer_has_the_centre_and_only_the_latest_sessions_count():
    _, columns = programme(people=40, visits=LATEST_SESSIONS + 3)
    fit = learn_hb_before(columns)
    newcomer = SessionColumns.build(person=[], day=[], hbs_before_pct=[], n_people=1)
    mean, sd = hb_before(fit, newcomer)
    assert mean.tolist() == [fit.centre_g_l]
    assert sd[0] == pytest.approx(np.sqrt(fit.between_variance + VISIT_SD_G_L**2))
    latest = columns.take_rows(columns.sequence() >= 3)
    assert hb_before(fit, columns)[0].tolist() == hb_before(fit, latest)[0].tolist()


def test_a_few_people_teach_nothing():
    _, columns = programme(people=4)
    assert learn_hb_before(columns).centre_g_l == SUPPOSED_G_L


def test_somebody_reckoned_alone_has_the_very_figures_they_have_among_all():
    _, columns = programme(people=40)
    fit = learn_hb_before(columns)
    mean, sd = hb_before(fit, columns)
    for person in (0, 17, 39):
        alone = hb_before(fit, columns.take_people(np.array([person])))
        assert (alone[0][0], alone[1][0]) == (mean[person], sd[person])
