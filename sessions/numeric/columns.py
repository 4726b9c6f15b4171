"""Everything the numeric code knows about past sessions, as columns of equal length.

One row is one finished exchange session. Rows lie in order of person and then day, so that the gap
that ends at a row began at the row above it, if that is of the same person.
"""

from dataclasses import dataclass, fields
from typing import Any

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Bools = NDArray[np.bool_]

ROUTINE, EARLY_UNWELL, EARLY_OTHER, LATE_MISSED = 0, 1, 2, 3
METHOD_UNKNOWN = -1

_INT_COLUMNS = ("person", "day", "reason", "method")
_BOOL_COLUMNS = ("gap_known",)


@dataclass(frozen=True, slots=True)
class SessionColumns:
    """Past sessions of a whole programme; every array has shape [n], missing figures are nan.

    person: 0 … n_people − 1. day: ordinal of the date (`date.toordinal`).
    hbs_before_pct, hbs_after_pct: measured, points of %. hbs_ratio: HbS after over HbS before as reckoned
    from the session's own volumes, and hbs_ratio_sd its standard deviation. hb_before_g_l, hb_after_g_l: measured.
    hb_reckoned_g_l, hb_reckoned_sd: Hb after as reckoned from Hb before and the session's own volumes.
    untransfused_pct: the HbS this person would have without donor cells, dated.
    reason: why the visit was on this day (ROUTINE, EARLY_UNWELL, EARLY_OTHER, LATE_MISSED).
    gap_known: False where something unknown was transfused in the gap that ends here; that gap is not used.
    topup_hb_g: donor haemoglobin known to be given in that gap (g, else 0), topup_day: when (ordinal or nan).
    blood_volume_ml. method: code of the assay, METHOD_UNKNOWN where nobody said.
    n_people: how many persons there are, also those without any row.
    """

    person: Ints
    day: Ints
    hbs_before_pct: Floats
    hbs_after_pct: Floats
    hbs_ratio: Floats
    hbs_ratio_sd: Floats
    hb_before_g_l: Floats
    hb_after_g_l: Floats
    hb_reckoned_g_l: Floats
    hb_reckoned_sd: Floats
    untransfused_pct: Floats
    reason: Ints
    gap_known: Bools
    topup_hb_g: Floats
    topup_day: Floats
    blood_volume_ml: Floats
    method: Ints
    n_people: int

    @classmethod
    def build(
        cls,
        *,
        person: Any,
        day: Any,
        hbs_before_pct: Any,
        n_people: int | None = None,
        **others: Any,
    ) -> "SessionColumns":
        """Columns from anything array-like, put into order of person and day.

        Args: the fields by name. Columns left out are taken as nothing known: nan for figures, ROUTINE,
            gap known, no top-up, METHOD_UNKNOWN. n_people: by default one more than the largest person.
        Returns: checked columns. Raises: ValueError for unequal lengths, unknown names, a person outside
            0 … n_people − 1, or two rows of one person on one day.
        """
        given = {"person": person, "day": day, "hbs_before_pct": hbs_before_pct, **others}
        if unknown := sorted(given.keys() - set(COLUMN_NAMES)):
            raise ValueError(f"No such columns: {', '.join(unknown)}. Allowed: {', '.join(COLUMN_NAMES)}.")
        n = len(np.atleast_1d(np.asarray(person)))
        arrays = {name: _column(name, given.get(name), n) for name in COLUMN_NAMES}
        order = np.lexsort((arrays["day"], arrays["person"]))
        people = n_people if n_people is not None else int(arrays["person"].max(initial=-1)) + 1
        columns = cls(**{name: array[order] for name, array in arrays.items()}, n_people=people)
        _check_order(columns)
        return columns

    def __len__(self) -> int:
        return len(self.person)

    def take_rows(self, rows: NDArray[Any]) -> "SessionColumns":
        """The same people with only these rows (mask or rising indices)."""
        return SessionColumns(**{name: getattr(self, name)[rows] for name in COLUMN_NAMES}, n_people=self.n_people)

    def until(self, day: int) -> "SessionColumns":
        """What was known at the end of this day (ordinal): rows of later days left out, people kept."""
        return self.take_rows(self.day <= day)

    def take_people(self, people: NDArray[Any]) -> "SessionColumns":
        """These people only (mask [n_people] or indices without repeats), numbered anew in the order given."""
        chosen = np.arange(self.n_people)[people]
        number = np.full(self.n_people, -1, dtype=np.int64)
        number[chosen] = np.arange(len(chosen))
        rows = np.flatnonzero(number[self.person] >= 0)
        rows = rows[np.argsort(number[self.person[rows]], kind="stable")]
        arrays = {name: getattr(self, name)[rows] for name in COLUMN_NAMES}
        arrays["person"] = number[arrays["person"]]
        return SessionColumns(**arrays, n_people=len(chosen))

    def starts(self) -> Ints:
        """Where each person's rows begin, [n_people + 1]: rows starts[p] to starts[p + 1] are of person p."""
        return np.searchsorted(self.person, np.arange(self.n_people + 1)).astype(np.int64)

    def sequence(self) -> Ints:
        """Number of each row within its person, from 0, [n]."""
        starts = self.starts()
        return np.arange(len(self), dtype=np.int64) - np.repeat(starts[:-1], np.diff(starts))

    def latest(self, most: int) -> Bools:
        """Which rows are among the last `most` of their person, [n]."""
        return np.asarray(self.starts()[1:][self.person] - np.arange(len(self)) <= most)

    def so_far(self, values: NDArray[Any]) -> NDArray[Any]:
        """Sum over the same person's rows up to and with each row, [n].

        Each person is added up alone: a running sum over everybody would leave in their figures, by rounding, who
        stands before them.
        """
        sequence = self.sequence()
        most = int(sequence.max(initial=-1)) + 1
        at = self.person * most + sequence  # in a table with a row for each person
        table = np.zeros(self.n_people * most, dtype=values.dtype)
        table[at] = values
        return np.asarray(np.cumsum(table.reshape(self.n_people, most), axis=1).ravel()[at])


def enough_people(gaps: Ints, most_gaps: int) -> Ints:
    """Indices of people to learn from who have about `most_gaps` gaps together, spread evenly over all who have one.

    gaps: of each person, [P]. Everybody who has a gap where all together have no more.
    """
    people = np.flatnonzero(gaps > 0)
    total = int(gaps[people].sum())
    if total <= most_gaps:
        return people
    wanted = max(len(people) * most_gaps // total, 1)
    chosen: Ints = people[np.linspace(0, len(people) - 1, wanted).round().astype(int)]
    return chosen


COLUMN_NAMES = tuple(f.name for f in fields(SessionColumns) if f.name != "n_people")


def _column(name: str, values: Any, n: int) -> NDArray[Any]:
    if name in _INT_COLUMNS:
        kind: Any = np.int64
        missing: Any = METHOD_UNKNOWN if name == "method" else ROUTINE
    elif name in _BOOL_COLUMNS:
        kind, missing = np.bool_, True
    else:
        kind, missing = np.float64, 0.0 if name == "topup_hb_g" else np.nan
    if values is None:
        return np.full(n, missing, dtype=kind)
    array = np.atleast_1d(np.asarray(values)).astype(kind)
    if array.shape != (n,):
        raise ValueError(f"Column {name} has shape {array.shape}; allowed is ({n},), one figure for each session.")
    return array


def _check_order(columns: SessionColumns) -> None:
    person, day = columns.person, columns.day
    if len(person) and (person.min() < 0 or person.max() >= columns.n_people):
        raise ValueError(f"person runs from {person.min()} to {person.max()}; allowed is 0 to {columns.n_people - 1}.")
    twice = np.flatnonzero((np.diff(person) == 0) & (np.diff(day) == 0))
    if len(twice):
        row = int(twice[0])
        raise ValueError(f"Person {person[row]} has two sessions on day {day[row]}; allowed is one a day.")
