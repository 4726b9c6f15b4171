"""Hb to expect before the next session, from what was measured before the latest ones."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from .columns import SessionColumns

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

LATEST_SESSIONS = 6
FEWEST_PEOPLE = 5
SUPPOSED_G_L, SUPPOSED_SD_G_L = 85.0, 10.0  # before anything is known; from memory
VISIT_SD_G_L = 5.0  # from visit to visit in one person, assay included; from memory


@dataclass(frozen=True, slots=True)
class HbBefore:
    """What a programme says of everybody: the middle of its people's means [g/L] and their variance [(g/L)²]."""

    centre_g_l: float
    between_variance: float


def learn_hb_before(columns: SessionColumns) -> HbBefore:
    """Learn it from everybody's latest sessions; with under FEWEST_PEOPLE it is what is supposed."""
    own, n = _own(columns)
    own = own[n > 0]
    if len(own) < FEWEST_PEOPLE:
        return HbBefore(SUPPOSED_G_L, SUPPOSED_SD_G_L**2)
    return HbBefore(float(own.mean()), max(float(own.var()) - VISIT_SD_G_L**2 / LATEST_SESSIONS, 4.0))


def hb_before(fit: HbBefore, columns: SessionColumns) -> tuple[Floats, Floats]:
    """Hb to expect before the next session and its standard deviation, [P], [g/L].

    Mean of the measured ones of the LATEST_SESSIONS, drawn towards the programme's by as much as one visit of the
    person counts against the spread between people. Chosen here; not from a source.
    """
    own, n = _own(columns)
    weight = n * fit.between_variance / (n * fit.between_variance + VISIT_SD_G_L**2)
    mean = fit.centre_g_l + weight * (own - fit.centre_g_l)
    return mean, np.sqrt(fit.between_variance * (1.0 - weight) + VISIT_SD_G_L**2)


def _own(columns: SessionColumns) -> tuple[Floats, Ints]:
    """Mean of each person's latest measured ones, 0 where there is none, and how many they are, [P]."""
    used = columns.latest(LATEST_SESSIONS) & ~np.isnan(columns.hb_before_g_l)
    n = np.bincount(columns.person[used], minlength=columns.n_people)
    total = np.bincount(columns.person[used], weights=columns.hb_before_g_l[used], minlength=columns.n_people)
    return total / np.maximum(n, 1), n
