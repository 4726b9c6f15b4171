"""How people come: shares and delays learnt of everybody, and each person's own share."""

import numpy as np
import pytest

from sessions.numeric.attendance import PUNCTUAL, attendance_of, learn_lateness
from sessions.numeric.columns import LATE_MISSED, SessionColumns


@pytest.fixture
def columns():
    """Two people with twenty visits each: every fifth of the first is nine days late, the second is always on time."""
    late = np.arange(20) % 5 == 4
    return SessionColumns.build(
        person=np.repeat([0, 1], 20),
        day=np.concatenate([np.arange(20) * 28 + np.cumsum(late) * 9, np.arange(20) * 28]),
        hbs_before_pct=np.full(40, 28.0),
        reason=np.concatenate([np.where(late, LATE_MISSED, 0), np.zeros(20, dtype=int)]),
    )


def test_attendance_is_read_from_the_reasons_of_visits(columns):
    """The shares are counted by hand: 4 late of 38 visits after a first one, 4 of 19, and none of 19."""
    lateness = learn_lateness(columns, np.full(2, 28.0))
    assert lateness.delays == (9,)
    assert lateness.share == pytest.approx(4 / 38)
    found = attendance_of(lateness, columns)
    assert found.late_share == pytest.approx([(4 + 30 * 4 / 38) / 49, 30 * 4 / 38 / 49])
    on_time, late = np.array([[0.1], [0.1]]), np.array([[[0.6], [0.6]]])
    assert found.mixed(on_time, late).ravel() == pytest.approx(0.1 + 0.5 * found.late_share)


def test_where_nobody_was_late_nobody_is_expected_to_be(columns):
    punctual = columns.take_people(np.array([1]))
    assert learn_lateness(punctual, np.full(1, 28.0)) == PUNCTUAL
    assert attendance_of(PUNCTUAL, punctual).late_share.tolist() == [0.0]


def test_somebody_reckoned_alone_has_the_very_share_they_have_among_all(columns):
    lateness = learn_lateness(columns, np.full(2, 28.0))
    alone = attendance_of(lateness, columns.take_people(np.array([1])))
    assert alone.late_share[0] == attendance_of(lateness, columns).late_share[1]
