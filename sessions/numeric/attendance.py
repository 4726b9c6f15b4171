"""When people really come: how many are late or miss their day, and by how much.

A date is suggested so that the accepted chance holds on the day a person is likely to attend, not on the day in the
diary: being late moves a visit up the climb, where the chance of being over is far greater.
"""

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from .columns import LATE_MISSED, SessionColumns

Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]

PRIOR_VISITS = 30.0  # a person's own share counts fully beside so many visits of the programme; chosen here
TOLD_APART = 20  # with fewer late visits than this in a programme their delay is taken as one figure


@dataclass(frozen=True, slots=True)
class Lateness:
    """What a programme's visits say of everybody. share: of visits that are late or missed. delays: days late, each as
    likely as the others."""

    share: float
    delays: tuple[int, ...]


PUNCTUAL = Lateness(0.0, (0,))


@dataclass(frozen=True, slots=True)
class Attendance:
    """late_share: chance that a visit is late or missed, [P]. delays: days late, each as likely as the others."""

    late_share: Floats
    delays: tuple[int, ...]

    @classmethod
    def punctual(cls, n_people: int) -> "Attendance":
        """Everybody comes on the day."""
        return cls(np.zeros(n_people), (0,))

    def take(self, people: Any) -> "Attendance":
        """These people only (indices or mask)."""
        return Attendance(self.late_share[people], self.delays)

    def mixed(self, on_time: Floats, late: Floats) -> Floats:
        """Chance over the day of attendance: `on_time` [P, ...], `late` [delays, P, ...] of the same visit."""
        share = self.late_share.reshape((-1,) + (1,) * (on_time.ndim - 1))
        return np.asarray((1.0 - share) * on_time + share * late.mean(axis=0))


def learn_lateness(columns: SessionColumns, usual_interval_days: Floats) -> Lateness:
    """How a programme's people come, from the reasons of their visits; PUNCTUAL where none was late.

    usual_interval_days : of each person, [P]; a late visit's delay is its gap beyond that. Delays are three equally
    likely ones, at the 1/6, 1/2 and 5/6 quantiles. Chosen here; not from a source.
    """
    first, late = _visits(columns)
    if not late.any():
        return PUNCTUAL
    gap = np.diff(columns.day, prepend=0)[late].astype(float)
    delay = np.maximum(gap - usual_interval_days[columns.person[late]], 1.0)
    at = (1 / 6, 1 / 2, 5 / 6) if late.sum() >= TOLD_APART else (0.5,)
    delays = tuple(int(d) for d in np.maximum(np.round(np.quantile(delay, at)), 1))
    return Lateness(float(late.sum() / np.count_nonzero(~first)), delays)


def attendance_of(lateness: Lateness, columns: SessionColumns) -> Attendance:
    """Attendance of each person: the programme's, moved by their own visits as if PRIOR_VISITS of the programme's had
    been seen before. Chosen here; not from a source.
    """
    first, late = _visits(columns)
    visits = np.bincount(columns.person[~first], minlength=columns.n_people)
    own_late = np.bincount(columns.person[late], minlength=columns.n_people)
    share = (own_late + PRIOR_VISITS * lateness.share) / (visits + PRIOR_VISITS)
    return Attendance(share, lateness.delays)


def _visits(columns: SessionColumns) -> tuple[Bools, Bools]:
    """Which rows are a person's first, and which other ones were late or missed, [n]."""
    first = columns.sequence() == 0
    return first, ~first & (columns.reason == LATE_MISSED)
