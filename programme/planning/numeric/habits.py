"""What past sessions say of a person: their weekday, their last HbS result, and their usual Hb after a session."""

import numpy as np
from numpy.typing import NDArray

from programme.planning.numeric.opendays import weekday
from sessions.numeric.columns import SessionColumns

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

LATEST_SESSIONS = 6
NO_WEEKDAY = -1


def usual_weekday(columns: SessionColumns) -> Ints:
    """The weekday (Monday 0) of most of the LATEST_SESSIONS, [P]; the later one when two are level; −1 without any."""
    latest = columns.latest(LATEST_SESSIONS)
    score = np.zeros((columns.n_people, 7))
    # A day's own session adds one, and a little more the later it is, which settles ties.
    np.add.at(score, (columns.person[latest], weekday(columns.day[latest])), 1.0 + columns.sequence()[latest] * 1e-6)
    return np.where(score.any(axis=1), score.argmax(axis=1), NO_WEEKDAY).astype(np.int64)


def last_hbs_day(columns: SessionColumns) -> Floats:
    """Ordinal of the last session with a measured HbS before or after, [P]; nan without any."""
    seen = ~(np.isnan(columns.hbs_before_pct) & np.isnan(columns.hbs_after_pct))
    out = np.full(columns.n_people, np.nan)
    out[columns.person[seen]] = columns.day[seen]  # rows lie in order of day: the last one stays
    return out


def usual_hb_after(columns: SessionColumns) -> Floats:
    """Mean Hb measured after the LATEST_SESSIONS before the newest one, [P], g/L; nan where none was."""
    earlier = columns.latest(LATEST_SESSIONS + 1) & ~columns.latest(1) & np.isfinite(columns.hb_after_g_l)
    person, n = columns.person[earlier], columns.n_people
    count = np.bincount(person, minlength=n)
    total = np.bincount(person, weights=columns.hb_after_g_l[earlier], minlength=n)
    return np.where(count > 0, total / np.maximum(count, 1), np.nan)
