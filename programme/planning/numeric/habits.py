"""What past sessions say about a person apart from drift: their weekday, their Hb before, their last HbS result."""

import numpy as np
from numpy.typing import NDArray

from programme.planning.numeric.opendays import weekday
from sessions.numeric.columns import SessionColumns

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

LATEST_SESSIONS = 6
HB_SUPPOSED_G_L, HB_SUPPOSED_SD_G_L = 85.0, 10.0  # before anything is known; from memory
HB_VISIT_SD_G_L = 5.0  # Hb before from visit to visit in one person, assay included; from memory
NO_WEEKDAY = -1


def usual_weekday(columns: SessionColumns) -> Ints:
    """The weekday (Monday 0) of most of the LATEST_SESSIONS, [P]; the later one when two are level; −1 without any."""
    latest = _latest(columns)
    score = np.zeros((columns.n_people, 7))
    # A day's own session adds one, and a little more the later it is, which settles ties.
    np.add.at(score, (columns.person[latest], weekday(columns.day[latest])), 1.0 + columns.sequence()[latest] * 1e-6)
    return np.where(score.any(axis=1), score.argmax(axis=1), NO_WEEKDAY).astype(np.int64)


def hb_before(columns: SessionColumns) -> tuple[Floats, Floats]:
    """Hb to expect before the next session and its standard deviation, [P], [g/L].

    Mean of the measured ones of the LATEST_SESSIONS, drawn towards the programme's by as much as one visit of the
    person counts against the spread between people. Chosen here; not from a source.
    """
    used = _latest(columns) & ~np.isnan(columns.hb_before_g_l)
    n = np.bincount(columns.person[used], minlength=columns.n_people)
    total = np.bincount(columns.person[used], weights=columns.hb_before_g_l[used], minlength=columns.n_people)
    with np.errstate(invalid="ignore"):
        own = total / n
    known = n > 0
    if known.sum() >= 5:
        centre = float(own[known].mean())
        between = max(float(own[known].var()) - HB_VISIT_SD_G_L**2 / LATEST_SESSIONS, 4.0)
    else:
        centre, between = HB_SUPPOSED_G_L, HB_SUPPOSED_SD_G_L**2
    weight = n * between / (n * between + HB_VISIT_SD_G_L**2)
    mean = centre + weight * (np.where(known, own, centre) - centre)
    return mean, np.sqrt(between * (1.0 - weight) + HB_VISIT_SD_G_L**2)


def last_hbs_day(columns: SessionColumns) -> Floats:
    """Ordinal of the last session with a measured HbS before or after, [P]; nan without any."""
    seen = ~(np.isnan(columns.hbs_before_pct) & np.isnan(columns.hbs_after_pct))
    out = np.full(columns.n_people, np.nan)
    out[columns.person[seen]] = columns.day[seen]  # rows lie in order of day: the last one stays
    return out


def _latest(columns: SessionColumns) -> NDArray[np.bool_]:
    from_the_end = columns.starts()[1:][columns.person] - np.arange(len(columns))
    return np.asarray(from_the_end <= LATEST_SESSIONS)
