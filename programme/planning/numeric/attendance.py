"""When people really come: how many are late or miss their day, and by how much.

A date is suggested so that the accepted chance holds on the day a person is likely to attend, not on the day in the
diary: being late moves a visit up the climb, where the chance of being over is far greater.
"""

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from sessions.numeric.columns import LATE_MISSED, SessionColumns

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

PRIOR_VISITS = 30.0  # a person's own share counts fully beside so many visits of the programme; chosen here
TOLD_APART = 20  # with fewer late visits than this in a programme their delay is taken as one figure


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


def attendance_of(columns: SessionColumns, usual_interval_days: Floats) -> Attendance:
    """Attendance of a programme's people from the reasons of their visits.

    usual_interval_days : of each person, [P]; a late visit's delay is its gap beyond that. A person's share is the
    programme's, moved by their own visits as if PRIOR_VISITS of the programme's had been seen before. Delays are three
    equally likely ones, at the 1/6, 1/2 and 5/6 quantiles. Chosen here; not from a source.
    """
    first = columns.sequence() == 0
    gap = np.where(first, np.nan, np.diff(columns.day, prepend=0).astype(float))
    late = ~first & (columns.reason == LATE_MISSED)
    n = columns.n_people
    visits = np.bincount(columns.person[~first], minlength=n)
    own_late = np.bincount(columns.person[late], minlength=n)
    if not late.any():
        return Attendance.punctual(n)
    share = late.sum() / visits.sum()
    delay = np.maximum(gap[late] - usual_interval_days[columns.person[late]], 1.0)
    at = (1 / 6, 1 / 2, 5 / 6) if late.sum() >= TOLD_APART else (0.5,)
    delays = tuple(int(d) for d in np.maximum(np.round(np.quantile(delay, at)), 1))
    return Attendance((own_late + PRIOR_VISITS * share) / (visits + PRIOR_VISITS), delays)
