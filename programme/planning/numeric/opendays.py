"""Days on which people can come: their clinic days, else Monday to Friday, less the days on which the unit is
closed."""

from collections.abc import Iterable
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

Ints = NDArray[np.int64]
Bools = NDArray[np.bool_]

WORKING_WEEK = (True, True, True, True, True, False, False)  # Monday first; common practice
_EPOCH = 719163  # ordinal of 1970-01-01, where numpy's days begin


@dataclass(frozen=True, slots=True)
class OpenDays:
    """Open days of P people. Days are ordinals (`date.toordinal`), the first axis of every argument is people."""

    masks: Bools  # [P, 7], Monday first
    closed: Ints  # days on which nobody can come, rising

    @classmethod
    def of(cls, n_people: int, *, clinic_days: ArrayLike | None = None, closed: Iterable[int] = ()) -> "OpenDays":
        """Open days of `n_people`.

        clinic_days : [P, 7] or [7], Monday first, True where a person can come; a person with no day, or None, is
            taken as open from Monday to Friday.
        closed : ordinals of the days on which the unit is closed, in any order.
        Raises ValueError for a shape that does not fit.
        """
        given = np.zeros((n_people, 7), dtype=bool) if clinic_days is None else np.asarray(clinic_days, bool)
        if given.shape not in ((7,), (n_people, 7)):
            raise ValueError(
                f"clinic_days has shape {given.shape}; allowed are (7,) and ({n_people}, 7), Monday first."
            )
        masks = np.broadcast_to(given, (n_people, 7))
        masks = np.where(masks.any(axis=1, keepdims=True), masks, WORKING_WEEK)
        return cls(masks, np.unique(np.fromiter(closed, dtype=np.int64)))

    def take(self, people: Any) -> "OpenDays":
        """The open days of these people only (indices or mask)."""
        return OpenDays(self.masks[people], self.closed)

    def is_open(self, days: ArrayLike) -> Bools:
        """Whether each day is open, shape of `days` [P, …]."""
        return self._each(days, np.bool_, lambda chosen, calendar: np.is_busday(chosen, busdaycal=calendar))

    def on_or_before(self, days: ArrayLike) -> Ints:
        """The last open day that is not after each day, shape of `days` [P, …]."""
        return self._rolled(days, "backward")

    def on_or_after(self, days: ArrayLike) -> Ints:
        """The first open day that is not before each day, shape of `days` [P, …]."""
        return self._rolled(days, "forward")

    def _rolled(self, days: ArrayLike, way: Any) -> Ints:
        def roll(chosen: Any, calendar: np.busdaycalendar) -> Any:
            moved = np.busday_offset(chosen, 0, roll=way, busdaycal=calendar)
            return moved.astype(np.int64) + _EPOCH

        return self._each(days, np.int64, roll)

    def _each(self, days: ArrayLike, kind: Any, ask: Any) -> NDArray[Any]:
        """Ask numpy's calendar of each distinct week once, for all who share it."""
        asked = np.asarray(days, dtype=np.int64)
        answer = np.empty(asked.shape, dtype=kind)
        codes = self.masks @ (1 << np.arange(7))
        closed = (self.closed - _EPOCH).astype("datetime64[D]")
        for code in np.unique(codes):
            who = codes == code
            calendar = np.busdaycalendar(weekmask=self.masks[who][0].tolist(), holidays=closed)
            answer[who] = ask((asked[who] - _EPOCH).astype("datetime64[D]"), calendar)
        return answer


def weekday(days: ArrayLike) -> Ints:
    """Day of the week of ordinals, Monday 0 to Sunday 6, shape of `days`."""
    return (np.asarray(days, dtype=np.int64) + 6) % 7
