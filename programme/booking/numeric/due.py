"""Who is to be placed, where everybody is at once, what waiting costs, and the limits that no answer may break."""

from collections import defaultdict
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import date, time, timedelta

from programme.booking.numeric.calendar import Place
from programme.booking.numeric.choosing import Limit
from programme.booking.numeric.staff import Run, Staffed, running_at

IN_ONE = 1000
"""Chances are counted in whole thousandths, because the solver reckons with whole numbers."""

Runs = dict[int, Run]
"""What choices are to the staff of a day, by their numbers."""


@dataclass(frozen=True, slots=True)
class Due:
    """Somebody to place. places: what they can have, on days from first to last; these days are the same for all.
    chance: of being over, 0..1, by day; a day without one counts as certain where it is late, as none where it is safe.
    accepted: their accepted chance. weight: of an excess, by reason for the ceiling. cost: points against a day
    (wishes, days from the best, blood). needs: how many of the exchanges at once. has: the place they hold now and may
    give up for another; they are never left without one. holds: a place of theirs that cannot be kept, or not by all
    who have one then; staff count it until they have another."""

    key: str
    places: tuple[Place, ...]
    first: date
    last: date
    chance: Mapping[date, float]
    accepted: float
    latest_safe: date | None = None
    weight: float = 1.0
    cost: Mapping[date, float] | None = None
    needs: int = 1
    has: Place | None = None
    holds: Place | None = None

    def is_late(self, on: date) -> bool:
        return self.latest_safe is not None and on > self.latest_safe

    def chance_on(self, on: date) -> float:
        return self.chance.get(on, 1.0 if self.is_late(on) else 0.0)

    def excess(self, on: date) -> float:
        """What the chance of a day passes the accepted one by, weighted."""
        return self.weight * max(0.0, self.chance_on(on) - self.accepted)

    @property
    def is_beyond_if_left(self) -> bool:
        """Whether the last safe day has passed by the last day looked at; so it is taken where none is known."""
        return self.latest_safe is None or self.latest_safe <= self.last

    def waited(self) -> dict[date, int]:
        """The excess of every day from the first to each day looked at, added up; in thousandths of a day.

        It goes on growing where a chance is certain already, so that nobody is left because no more can come of it.
        """
        found, total = dict[date, int](), 0
        for step in range((self.last - self.first).days + 1):
            on = self.first + timedelta(days=step)
            total += round(IN_ONE * self.excess(on))
            found[on] = total
        return found

    @property
    def waited_if_left(self) -> int:
        """What they have waited by the last day looked at, if they get no place."""
        return self.waited()[self.last]


def limits_of(
    people: Sequence[Due],
    choices: Sequence[tuple[int, Place]],
    room: Mapping[date, Staffed],
    capacity: Mapping[tuple[date, int], int],
) -> Iterator[Limit]:
    """Return what no answer may break.

    One place a person at most, and one for whoever has one; a slot once for each chair of those alike (`capacity`, by
    day and chair); no more at once than staff can run. choices: the number of a person and a place, each a choice.
    """
    mine: defaultdict[int, list[tuple[int, int]]] = defaultdict(list)
    slots: defaultdict[tuple[date, int, int], list[tuple[int, int]]] = defaultdict(list)
    for choice, (number, place) in enumerate(choices):
        mine[number].append((choice, 1))
        for slot in place.slots:
            slots[slot].append((choice, 1))
    for number, counts in mine.items():
        yield Limit(tuple(counts), 1, least=int(people[number].has is not None))
    for (on, chair, _), counts in slots.items():
        yield Limit(tuple(counts), capacity[on, chair])
    yield from _staff_limits(people, choices, room)


def _staff_limits(
    people: Sequence[Due], choices: Sequence[tuple[int, Place]], room: Mapping[date, Staffed]
) -> Iterator[Limit]:
    """At every moment at which more can come to run than before, no more than staff can run.

    Who has a place may keep it, also among too many. Places that are held are counted already, so those who stay on
    one are limited among themselves only: to what is left beside everybody else.
    """
    new, stays = defaultdict[date, Runs](dict), defaultdict[date, Runs](dict)
    for choice, (number, place) in enumerate(choices):
        one = people[number]
        rows = stays if one.holds is not None and place.key == one.holds.key else new
        rows[place.on][choice] = place.run(one.needs)
    has, holds = _on_days((one.has, one.needs) for one in people), _on_days((one.holds, one.needs) for one in people)
    for on, staffed in sorted(room.items()):
        booked, kept, held = staffed.runs, has[on], holds[on]
        moments = {run.starts for run in (*booked, *new[on].values(), *stays[on].values())} | {run.ends for run in kept}
        beside = {at: staffed.most - running_at(booked, at) for at in sorted(moments)}
        yield from _tightest(new[on], {at: max(0, left, running_at(kept, at)) for at, left in beside.items()})
        yield from _tightest(stays[on], {at: max(0, left + running_at(held, at)) for at, left in beside.items()})


def _on_days(places: Iterable[tuple[Place | None, int]]) -> defaultdict[date, list[Run]]:
    found: defaultdict[date, list[Run]] = defaultdict(list)
    for place, needs in places:
        if place is not None:
            found[place.on].append(place.run(needs))
    return found


def _tightest(runs: Runs, most: Mapping[time, int]) -> Iterator[Limit]:
    """A limit for every moment, without those that another one makes sure of."""
    limits: list[Limit] = []
    for at, allowed in most.items():
        limit = Limit(tuple((choice, run.needs) for choice, run in runs.items() if run.is_on(at)), allowed)
        if not any(other.implies(limit) for other in limits):
            limits = [other for other in limits if not limit.implies(other)]
            limits.append(limit)
    yield from limits
