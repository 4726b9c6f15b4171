"""Places for everyone who is due, all at once: fewest people late, then the smallest harm, then what suits.

One model, solved again for each aim in its order, with what the earlier aims reached held fast; the first two are
reached together by integer programming, which proves them in a tenth of a second, and the search begins there:
1. fewest people without a place; 2. fewest after their last safe day; 3. the largest excess over the accepted chance,
weighted by why the ceiling is kept; 4. the sum of those excesses; 5. wishes, days from the best one, time to order
blood, and even load.
No chair, slot or day's staff is ever given twice, and whoever has a place keeps one: these are constraints, not aims.
It knows nothing of the database; it stands outside numeric/ only because the solver's library loads pandas, which pages
must not wait for.
"""

from collections import Counter, defaultdict
from collections.abc import Iterator, Mapping, Sequence, Set
from dataclasses import dataclass, replace
from datetime import date

from ortools.sat.python import cp_model

from programme.booking.numeric.calendar import Place
from programme.booking.numeric.choosing import Limit, cheapest

IN_ONE = 1000
"""Chances are counted in whole thousandths, because the solver reckons with whole numbers."""

AIMS = ("without a place", "late", "largest excess", "sum of excess", "wishes and load")
LATEST_WEIGHT = 3  # the busiest day counts so much against wishes; chosen here
MOVE_COST = 30.0  # points against moving somebody who has a place; more than any wish; chosen here
FIRST_TWO = 2


@dataclass(frozen=True, slots=True)
class Due:
    """Somebody to place. places: what they can have. chance: of being over, 0..1, by day; a day without one counts as
    certain where it is late, as none where it is safe. accepted: their accepted chance. weight: of an excess, by reason
    for the ceiling. cost: points against a day (wishes, days from the best, blood). needs: how many of a day's
    exchanges. has: the place they hold now and may give up for another; they are never left without one."""

    key: str
    places: tuple[Place, ...]
    chance: Mapping[date, float]
    accepted: float
    latest_safe: date | None = None
    weight: float = 1.0
    cost: Mapping[date, float] | None = None
    needs: int = 1
    has: Place | None = None

    def is_late(self, on: date) -> bool:
        return self.latest_safe is not None and on > self.latest_safe

    def chance_on(self, on: date) -> float:
        return self.chance.get(on, 1.0 if self.is_late(on) else 0.0)

    def excess(self, on: date) -> float:
        """What the chance of a day passes the accepted one by, weighted."""
        return self.weight * max(0.0, self.chance_on(on) - self.accepted)


@dataclass(frozen=True, slots=True)
class Placed:
    """What was found. placed: by key. proven_optimal: for every aim; gap: the largest relative one, 0 where proven."""

    placed: dict[str, Place]
    left: tuple[str, ...]
    proven_optimal: bool
    gap: float


def place_all(people: Sequence[Due], room: Mapping[date, int], *, effort: float = 10.0) -> Placed:
    """Return a place for as many as can have one, in the order of the aims above; the same input gives the same answer.

    room: how many more exchanges the staff of a day can run, where that is limited. effort: the most that one aim may
    cost, in the solver's own count of work, which does not depend on how busy the machine is (about a second each).
    """
    posed = _pose(people, room)
    model = cp_model.CpModel()
    takes = [model.new_bool_var("") for _ in posed.choices]
    _hold_limits(model, takes, posed.limits)
    aims = _aims(model, posed, takes)
    best = _fewest(posed)
    found = _in_turn(posed, room) if best is None else best
    if best is not None:  # the first two aims are reached: what is left of the search begins there
        for aim, least in zip(aims[:FIRST_TWO], _short(posed, best), strict=True):
            model.add(aim <= least)
    proven, gap = True, 0.0
    solver = cp_model.CpSolver()
    solver.parameters.random_seed = 1
    solver.parameters.num_workers = 1
    solver.parameters.max_deterministic_time = effort
    for aim in aims[0 if best is None else FIRST_TWO :]:
        model.clear_hints()  # type: ignore[no-untyped-call]
        for choice, var in enumerate(takes):
            model.add_hint(var, choice in found)
        model.minimize(aim)
        status = solver.solve(model)
        if status not in (cp_model.OPTIMAL, cp_model.FEASIBLE):
            proven, gap = False, 1.0
            break
        reached, bound = solver.objective_value, solver.best_objective_bound
        proven &= status == cp_model.OPTIMAL
        gap = max(gap, (reached - bound) / max(1.0, abs(reached)))
        found = frozenset(choice for choice, var in enumerate(takes) if solver.value(var))
        model.add(aim <= round(reached))
    placed = _to_chairs(posed, found)
    left = tuple(one.key for one in posed.whole if one.key not in placed)
    return Placed(placed, left, proven, max(0.0, gap))


def short_of(people: Sequence[Due], room: Mapping[date, int]) -> tuple[int, int] | None:
    """Return the fewest people without a place and, with no more than these, the fewest who are late.

    None where the fewest could not be proven.
    """
    posed = _pose(people, room)
    best = _fewest(posed)
    return None if best is None else _short(posed, best)


Alike = Mapping[tuple[date, int], int]
"""For a day and a chair: the first of the chairs that are the same for everybody that day."""


@dataclass(frozen=True, slots=True)
class Posed:
    """The people in order, with one chair for all that are alike; choices: (number of the person, place)."""

    whole: tuple[Due, ...]
    merged: tuple[Due, ...]
    alike: Alike
    choices: tuple[tuple[int, Place], ...]
    limits: tuple[Limit, ...]
    capacity: Mapping[tuple[date, int], int]


def _pose(people: Sequence[Due], room: Mapping[date, int]) -> Posed:
    whole = tuple(sorted(people, key=lambda one: one.key))
    alike = _alike(whole)
    merged = tuple(_merged(one, alike) for one in whole)
    choices = tuple((number, place) for number, one in enumerate(merged) for place in one.places)
    capacity = Counter((on, first) for (on, _), first in alike.items())
    return Posed(whole, merged, alike, choices, tuple(_limits(merged, choices, room, capacity)), capacity)


def _fewest(posed: Posed) -> frozenset[int] | None:
    """The choices that leave the fewest without a place and then the fewest late; None where it is not proven."""
    much = len(posed.whole) + 1  # nobody goes without a place so that others are less late
    costs = [int(posed.merged[number].is_late(place.on)) - much for number, place in posed.choices]
    return cheapest(costs, posed.limits)


def _short(posed: Posed, found: Set[int]) -> tuple[int, int]:
    taken = [posed.choices[choice] for choice in found]
    return len(posed.whole) - len(taken), sum(posed.merged[number].is_late(place.on) for number, place in taken)


def _alike(people: Sequence[Due]) -> dict[tuple[date, int], int]:
    """Find chairs that offer the same on a day to everybody: one of them stands for all, which is far less to search.

    A chair on which somebody has a place already is like no other, for staying there is not like moving.
    """
    offers: defaultdict[tuple[date, int], set[object]] = defaultdict(set)
    for number, one in enumerate(people):
        for place in one.places:
            offers[place.on, place.chair_pk].add((number, place.slot, place.starts, place.ends, place.holds))
        if one.has is not None:
            offers[one.has.on, one.has.chair_pk].add(one.has.chair_pk)
    first: dict[tuple[date, frozenset[object]], int] = {}
    return {
        (on, chair): first.setdefault((on, frozenset(offer)), chair) for (on, chair), offer in sorted(offers.items())
    }


def _merged(one: Due, alike: Alike) -> Due:
    """The same person with the places of one chair for all that are alike."""
    return replace(one, places=tuple(p for p in one.places if alike[p.on, p.chair_pk] == p.chair_pk))


def _held(place: Place) -> tuple[int, ...]:
    return place.holds or (place.slot,)


def _in_turn(posed: Posed, room: Mapping[date, int]) -> frozenset[int]:
    """Return a start for the search: who has a place keeps it, the others in the order of their last safe days."""
    used, running, found = Counter[tuple[date, int, int]](), Counter[date](), set[int]()
    mine: defaultdict[int, list[tuple[int, Place]]] = defaultdict(list)
    for choice, (number, place) in enumerate(posed.choices):
        mine[number].append((choice, place))
    people = posed.merged
    order = sorted(
        range(len(people)), key=lambda n: (people[n].has is None, people[n].latest_safe or date.max, people[n].key)
    )
    for number in order:
        one = people[number]
        for choice, place in mine[number]:
            if one.has is not None and place.key != one.has.key:
                continue
            slots = [(place.on, place.chair_pk, slot) for slot in _held(place)]
            fits = all(used[slot] < posed.capacity.get((place.on, place.chair_pk), 1) for slot in slots)
            if one.has is not None or (fits and running[place.on] + one.needs <= room.get(place.on, len(people) * 2)):
                used.update(slots)
                running[place.on] += one.needs
                found.add(choice)
                break
    return frozenset(found)


def _to_chairs(posed: Posed, found: Set[int]) -> dict[str, Place]:
    """Give each the first chair of those alike that is free so long; by their starts, for then one always is."""
    chairs: defaultdict[tuple[date, int], list[int]] = defaultdict(list)
    for (on, chair), first in posed.alike.items():
        chairs[on, first].append(chair)
    given = [posed.choices[choice] for choice in found]
    held, placed = set[tuple[date, int, int]](), dict[str, Place]()
    for number, place in sorted(given, key=lambda one: (one[1].on, one[1].starts, one[0])):
        for chair in chairs[place.on, place.chair_pk]:
            slots = {(place.on, chair, slot) for slot in _held(place)}
            if not slots & held:
                held |= slots
                key = (place.on, chair, place.slot)
                placed[posed.whole[number].key] = next(p for p in posed.whole[number].places if p.key == key)
                break
    return placed


def _limits(
    people: Sequence[Due],
    choices: Sequence[tuple[int, Place]],
    room: Mapping[date, int],
    capacity: Mapping[tuple[date, int], int],
) -> Iterator[Limit]:
    """One place a person at most; a slot once for each chair of those alike; no more a day than its staff can run."""
    mine: defaultdict[int, list[tuple[int, int]]] = defaultdict(list)
    slots: defaultdict[tuple[date, int, int], list[tuple[int, int]]] = defaultdict(list)
    running: defaultdict[date, list[tuple[int, int]]] = defaultdict(list)
    for choice, (number, place) in enumerate(choices):
        mine[number].append((choice, 1))
        running[place.on].append((choice, people[number].needs))
        for slot in _held(place):
            slots[place.on, place.chair_pk, slot].append((choice, 1))
    for number, counts in mine.items():
        yield Limit(tuple(counts), 1, least=int(people[number].has is not None))
    for (on, chair, _), counts in slots.items():
        yield Limit(tuple(counts), capacity[on, chair])
    for on, counts in running.items():
        if on in room:
            yield Limit(tuple(counts), room[on])


def _hold_limits(model: cp_model.CpModel, takes: Sequence[cp_model.IntVar], limits: Sequence[Limit]) -> None:
    """Tell the solver; that one at most, or exactly one, is taken it knows how to use best in words of its own."""
    for limit in limits:
        several = [takes[choice] for choice, _ in limit.counts]
        if limit.least == limit.most == 1:
            model.add_exactly_one(several)
        elif limit.binds and limit.most == 1 and all(count == 1 for _, count in limit.counts):
            model.add_at_most_one(several)
        elif limit.binds:
            model.add(sum(takes[choice] * count for choice, count in limit.counts) <= limit.most)


def _aims(model: cp_model.CpModel, posed: Posed, takes: Sequence[cp_model.IntVar]) -> list[cp_model.LinearExprT]:
    people = posed.merged
    each = [(takes[choice], people[number], place.on) for choice, (number, place) in enumerate(posed.choices)]
    excess = [(var, round(IN_ONE * one.excess(on))) for var, one, on in each]
    largest = model.new_int_var(0, max((size for _, size in excess), default=0), "largest")
    for var, size in excess:
        if size:
            model.add(largest >= size).only_enforce_if(var)
    busiest = model.new_int_var(0, len(people), "busiest")
    by_day: defaultdict[date, list[cp_model.IntVar]] = defaultdict(list)
    for var, _, on in each:
        by_day[on].append(var)
    for several in by_day.values():
        model.add(sum(several) <= busiest)
    cost = [
        (takes[choice], round(10 * _points(people[number], place)))
        for choice, (number, place) in enumerate(posed.choices)
    ]
    return [
        len(people) - sum(var for var, _, _ in each),
        sum(var for var, one, on in each if one.is_late(on)),
        largest,
        sum(var * size for var, size in excess),
        sum(var * points for var, points in cost) + 10 * LATEST_WEIGHT * busiest,
    ]


def _points(one: Due, place: Place) -> float:
    """Points against a place: the wish, and the call that moving somebody costs."""
    moved = one.has is not None and place.key != one.has.key
    return (one.cost or {}).get(place.on, 0.0) + (MOVE_COST if moved else 0.0)
