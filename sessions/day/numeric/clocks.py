"""When observations are due: before, after the slow start of each unit, at the site's interval, and at the end.

Baseline within 60 minutes before the start, again 15 minutes into each unit and at the end: clinical pages of NZ Blood
and the Royal Marsden Manual, 12.21; the interval between is local policy. How early an observation counts is chosen
here; not from a source. At a reaction at once, and again every few minutes: common practice, the number chosen here.
"""

from dataclasses import dataclass
from datetime import datetime, timedelta

from programme.core.numeric.words import listed
from sessions.day.numeric.tally import Tally

EARLY = timedelta(minutes=5)
"""An observation this much before its time still counts for it."""
AT_A_REACTION = timedelta(minutes=5)
"""While a run is stopped for a reaction, observations are due so long after the last."""
SET_BACK = timedelta(minutes=1)
"""Clocks of several servers may differ by less. Chosen here; not from a source."""


@dataclass(frozen=True, slots=True)
class Due:
    """The next observations: when, which moment they are for, and why in words."""

    at: datetime
    moment: str
    words: str


def clock_is_behind(newest: datetime | None, at: datetime) -> bool:
    """Say whether what was received last lies ahead of `at`: a clock was changed, and no time is certain."""
    return newest is not None and newest - at > SET_BACK


def next_observations(tally: Tally, *, started_at: datetime, interval_min: float, slow_first_min: float) -> Due:
    """Return what is due next; a time that has gone by is overdue.

    started_at: of the session. interval_min, slow_first_min: site settings. [min]
    """
    taken = [said.happened_at for said in tally.observations]
    last = max(taken, default=None)
    if last is None:
        return Due(started_at, "before", "none are recorded yet")
    if (stopped := tally.halted_since) is not None:
        again = Due(last + AT_A_REACTION, "reaction", "again while it is stopped for a reaction")
        return again if last >= stopped else Due(stopped, "reaction", "the run is stopped for a reaction")
    times = [Due(last + timedelta(minutes=interval_min), "interval", f"every {interval_min:g} min")]
    for place, unit_started in sorted(unit_starts(tally).items()):
        at = unit_started + timedelta(minutes=slow_first_min)
        if not any(moment >= at - EARLY for moment in taken):
            times.append(Due(at, "after_15", f"{slow_first_min:g} min into unit {place}"))
    ended = ended_at(tally)
    if ended is not None and last < ended:
        times.append(Due(ended, "end", "the machine has ended" if tally.totals else "the last step is done"))
    return min(times, key=lambda due: due.at)


def missed_observations(tally: Tally, *, ended: datetime | None, slow_first_min: float) -> str:
    """Return which sets a session went without, such as 'none 15 min into units 1 and 2, none at the end'; '' if none.

    ended: when the last was given or drawn. slow_first_min: site setting [min]. A set counts for a unit from EARLY
    before its time until EARLY after the unit has ended; a unit that ended before its time has none of its own.
    """
    taken = [said.happened_at for said in tally.observations]
    slow = timedelta(minutes=slow_first_min)
    missed = []
    for place, times in sorted(tally.units.items()):
        if times.started_at is None or times.ended_at is None or not slow:
            continue
        due, over = times.started_at + slow - EARLY, times.ended_at
        if over >= due and not any(due <= moment <= max(over, due + EARLY) + EARLY for moment in taken):
            missed.append(str(place))
    words = (
        [f"none {slow_first_min:g} min into unit{'' if len(missed) == 1 else 's'} {listed(missed)}"] if missed else []
    )
    if ended is not None and not any(moment >= ended - EARLY for moment in taken):
        words.append("none at the end")
    return ", ".join(words)


def unit_starts(tally: Tally) -> dict[int, datetime]:
    """Return when each unit was started: as entered, else when the first of it was entered as given."""
    found: dict[int, datetime] = {}
    for one in tally.moved:
        if one.unit is not None and one.in_ml > 0.0:
            found.setdefault(one.unit, one.at)
    return found | {place: times.started_at for place, times in tally.units.items() if times.started_at is not None}


def ended_at(tally: Tally) -> datetime | None:
    """Return when the machine ended or the last step was done; None while one is left."""
    if tally.totals is not None:
        return tally.totals.ended_at
    if not tally.steps or tally.current is not None:
        return None
    return max((step.ended_at for step in tally.steps if step.ended_at is not None), default=None)
