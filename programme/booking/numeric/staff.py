"""How many exchanges run at once, and how many more the staff of a day can run beside them.

An exchange runs from its start until it gives its chair back, as it is booked. That moment no longer counts, so one
that begins at 13:00 does not meet one that ends at 13:00. Somebody who needs two nurses counts for two.
"""

from collections.abc import Iterable
from dataclasses import dataclass, replace
from datetime import time

COUNTED = (
    "An exchange counts from its start until it gives its chair back, so that one in the morning and one that begins "
    "when it has ended count once; somebody who needs two nurses counts for two."
)


@dataclass(frozen=True, slots=True)
class Run:
    """An exchange of one day, from a start to before an end; needs: how many it counts for."""

    starts: time
    ends: time
    needs: int = 1

    def is_on(self, moment: time) -> bool:
        """Whether it runs at a moment."""
        return self.starts <= moment < self.ends


def running_at(runs: Iterable[Run], moment: time) -> int:
    """Return what the exchanges that run at a moment count for."""
    return sum(run.needs for run in runs if run.is_on(moment))


def most_at_once(runs: Iterable[Run], starts: time, ends: time) -> int:
    """Return the most that run at once at any moment from `starts` to before `ends`.

    It only ever grows at a start, so the starts within and the first moment are all that is looked at.
    """
    rows = tuple(runs)
    moments = {starts, *(run.starts for run in rows if starts < run.starts < ends)}
    return max(running_at(rows, moment) for moment in moments)


@dataclass(frozen=True, slots=True)
class Staffed:
    """A day on which staff can run at most `most` exchanges at once, and those that are booked."""

    most: int
    runs: tuple[Run, ...] = ()

    def left(self, starts: time, ends: time) -> int:
        """How many more can run the whole time from `starts` to `ends`; below 0 where too many are booked."""
        return self.most - most_at_once(self.runs, starts, ends)

    def has_room(self, run: Run) -> bool:
        """Whether one more can run."""
        if sum(row.needs for row in self.runs) + run.needs <= self.most:
            return True  # not even all of the day at once are too many
        return run.needs <= self.left(run.starts, run.ends)

    def is_over(self, starts: time, ends: time) -> bool:
        """Whether more are booked at some moment of this time than staff can run."""
        return self.left(starts, ends) < 0

    def beside(self, *runs: Run) -> "Staffed":
        """The same day with these running too."""
        return replace(self, runs=(*self.runs, *runs))
