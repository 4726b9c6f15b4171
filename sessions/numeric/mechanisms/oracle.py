"""The best that can be known before a gap: the true state and pace, but not the gap's own chance.

No forecast from records can beat it on average; how near one comes is the measure of a forecast.
"""

import numpy as np

from .made_up import MadeUp, restart
from .people import FloatArray, IntArray

PATHS_AT_ONCE = 24_000
ORACLE_STREAM = 1_000_003  # keeps its chance apart from that of the records, whatever the seeds


def oracle(
    madeup: MadeUp,
    starts: IntArray,
    days: IntArray,
    *,
    topup_g: FloatArray | None = None,
    topup_day: FloatArray | None = None,
    n_draws: int = 200,
    seed: int = 0,
) -> FloatArray:
    """Draws of the measured HbS before the next session, from the true state just after each start.

    starts [n]: rows of the columns after whose session the gap begins. days [n]: length of the gap. topup_g [g] and
    topup_day (ordinal) [n]: a top-up in the gap, where there is one. Returns draws [n, n_draws], [%].
    Left to chance: noise of the days, also where it stood at the start, illness, shocks, the assay. The pace is known
    as it stands, with its slow wandering, and a planted change with its day.
    """
    starts, days = np.asarray(starts, dtype=np.int64), np.asarray(days, dtype=np.int64)
    drawn = np.empty((len(starts), n_draws))
    order = np.argsort(days, kind="stable")
    for number, chunk in enumerate(np.array_split(order, max(1, len(order) * n_draws // PATHS_AT_ONCE + 1))):
        if not len(chunk):
            continue
        world = restart(madeup, starts[chunk], (ORACLE_STREAM, seed, number), repeats=n_draws)
        world.forget_chance()
        if topup_g is not None and topup_day is not None:
            when = np.where(topup_g[chunk] > 0.0, topup_day[chunk], np.inf)
            world.plant(topup_g=np.repeat(topup_g[chunk], n_draws), topup_day=np.repeat(when, n_draws))
        seen = world.advance(np.repeat(days[chunk], n_draws))
        drawn[chunk] = seen.measured_before.reshape(len(chunk), n_draws)
    return drawn


def oracle_of_gaps(
    madeup: MadeUp, rows: IntArray, *, n_draws: int = 200, seed: int = 0, longer_days: int = 0
) -> FloatArray:
    """The oracle for the gaps that end at `rows` of the columns (each the second or later of its person).

    longer_days: forecast so many days past the day really attended. Returns draws [n, n_draws], [%].
    """
    columns, truth = madeup.columns, madeup.truth
    rows = np.asarray(rows, dtype=np.int64)
    if np.any(columns.person[rows] != columns.person[rows - 1]) or np.any(rows == 0):
        raise ValueError("rows must not hold a person's first session: no gap ends there")
    return oracle(
        madeup,
        rows - 1,
        columns.day[rows] - columns.day[rows - 1] + longer_days,
        topup_g=truth.topup_g[rows],
        topup_day=truth.topup_day[rows],
        n_draws=n_draws,
        seed=seed,
    )
