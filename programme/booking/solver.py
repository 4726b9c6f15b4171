"""Places for everyone who is due, all at once: nobody left for others who are less over, fewest late, then what suits.

One model, solved again for each aim in its order, with what the earlier aims reached held fast; the first three are
reached by integer programming, which proves them in a tenth of a second, and the search begins there:
1. the least excess over the accepted chance, weighted by why the ceiling is kept, of all days looked at and everybody
without a place; 2. fewest beyond their window: placed after the last safe day, or without a place where that day is
among those looked at; 3. fewest without a place; 4. the largest excess on the day of a place; 5. the excess of all the
days waited; 6. wishes, days from the best one, time to order blood, and even load.
Who is left is settled by the first aim, so no later one can gain by leaving out those who are late. Where all need the
same room, the fewest are left too, because every person placed takes their excess away (a transversal matroid).
No chair or slot is ever given twice, no more run at once than staff can run, and whoever has a place keeps one: these
are constraints, not aims.
It knows nothing of the database; it stands outside numeric/ only because the solver's library loads pandas, which pages
must not wait for.
"""

from collections import Counter, defaultdict
from collections.abc import Iterable, Mapping, Sequence, Set
from dataclasses import astuple, dataclass, replace
from datetime import date

from ortools.sat.python import cp_model

from programme.booking.numeric.calendar import Place
from programme.booking.numeric.choosing import Limit, cheapest
from programme.booking.numeric.due import IN_ONE, Due, limits_of
from programme.booking.numeric.staff import Staffed

LATEST_WEIGHT = 3  # the busiest day counts so much against wishes; chosen here
MOVE_COST = 30.0  # points against moving somebody who has a place; more than any wish; chosen here
PROVEN_FIRST = 3  # so many aims are reached by integer programming


@dataclass(frozen=True, slots=True)
class Placed:
    """What was found. placed: by key. proven_optimal: for every aim; gap: the largest relative one, 0 where proven."""

    placed: dict[str, Place]
    left: tuple[str, ...]
    proven_optimal: bool
    gap: float


Alike = Mapping[tuple[date, int], int]
"""For a day and a chair: the first of the chairs that are the same for everybody that day."""


@dataclass(frozen=True, slots=True, order=True)
class Short:
    """What the first aims come to, in their order. excess: of everybody left, in thousandths of a day; beyond: people
    beyond their window; left: people without a place."""

    excess: int
    beyond: int
    left: int


@dataclass(frozen=True, slots=True)
class Posed:
    """The people in order, with one chair for all that are alike; choices: (number of the person, place).

    waits: for each of the people, the excess by the end of each day looked at, in thousandths of a day.
    """

    whole: tuple[Due, ...]
    merged: tuple[Due, ...]
    alike: Alike
    choices: tuple[tuple[int, Place], ...]
    limits: tuple[Limit, ...]
    capacity: Mapping[tuple[date, int], int]
    waits: tuple[Mapping[date, int], ...]

    @property
    def excess(self) -> tuple[int, ...]:
        """The weighted excess of each choice, in thousandths."""
        return tuple(round(IN_ONE * self.merged[number].excess(place.on)) for number, place in self.choices)

    @property
    def waited(self) -> tuple[int, ...]:
        """The excess of the days waited for each choice, in thousandths of a day."""
        return tuple(self.waits[number][place.on] for number, place in self.choices)

    @property
    def if_left(self) -> tuple[Short, ...]:
        """What each of the people adds to the first aims without a place."""
        ends = zip(self.merged, self.waits, strict=True)
        return tuple(Short(waits[one.last], int(one.is_beyond_if_left), 1) for one, waits in ends)

    @property
    def spared(self) -> tuple[Short, ...]:
        """What each choice takes from the first aims, against leaving the person."""
        each = self.if_left
        return tuple(
            replace(each[number], beyond=each[number].beyond - self.merged[number].is_late(place.on))
            for number, place in self.choices
        )

    @property
    def all_left(self) -> Short:
        """What the first aims come to where nobody has a place."""
        return _total(self.if_left)


@dataclass(frozen=True, slots=True)
class Search:
    """The solver's model: whether each choice is taken, the largest excess, and how many come on the busiest day."""

    model: cp_model.CpModel
    takes: tuple[cp_model.IntVar, ...]
    largest: cp_model.IntVar
    busiest: cp_model.IntVar


def place_all(people: Sequence[Due], room: Mapping[date, Staffed], *, effort: float = 10.0) -> Placed:
    """Return a place for as many as can have one, in the order of the aims above; the same input gives the same answer.

    room: the staff of the days on which they are limited, with what runs then whatever is found, and what is held.
    effort: the most that one aim may cost, in the solver's own count of work, which does not depend on how busy the
    machine is (about a second each).
    """
    posed = _pose(people, room)
    model = cp_model.CpModel()
    search = Search(
        model,
        tuple(model.new_bool_var("") for _ in posed.choices),
        model.new_int_var(0, max(posed.excess, default=0), "largest excess"),
        model.new_int_var(0, len(people), "people on the busiest day"),
    )
    _hold_limits(search, posed.limits)
    aims = _aims(search, posed)
    best = _fewest(posed)
    if best is None:
        found, proven, gap = _searched(search, posed, aims, _in_turn(posed, room), effort)
    else:  # the first aims are reached: what is left of the search begins there
        for aim, least in zip(aims[:PROVEN_FIRST], astuple(_short(posed, best)), strict=True):
            model.add(aim <= least)
        found, proven, gap = _searched(search, posed, aims[PROVEN_FIRST:], best, effort)
    placed = _to_chairs(posed, found)
    left = tuple(one.key for one in posed.whole if one.key not in placed)
    return Placed(placed, left, proven, gap)


def _searched(
    search: Search, posed: Posed, aims: Sequence[cp_model.LinearExprT], found: Set[int], effort: float
) -> tuple[Set[int], bool, float]:
    """Reach one aim after the other, from choices that keep every limit; return those found, if proven, and the gap."""
    solver = cp_model.CpSolver()
    solver.parameters.random_seed = 1
    solver.parameters.num_workers = 1
    solver.parameters.max_deterministic_time = effort
    solver.parameters.cp_model_presolve = False  # it costs more than the search from an answer that is nearly the best
    proven, gap = True, 0.0
    for aim in aims:
        _hint(search, posed, found)
        search.model.minimize(aim)
        status = solver.solve(search.model)
        if status not in (cp_model.OPTIMAL, cp_model.FEASIBLE):
            return found, False, 1.0
        reached, bound = solver.objective_value, solver.best_objective_bound
        proven &= status == cp_model.OPTIMAL
        gap = max(gap, (reached - bound) / max(1.0, abs(reached)))
        found = frozenset(choice for choice, var in enumerate(search.takes) if solver.value(var))
        search.model.add(aim <= round(reached))
    return found, proven, gap


def _hint(search: Search, posed: Posed, found: Set[int]) -> None:
    """Tell the solver the whole answer to begin with: one that leaves anything open it may never come to."""
    search.model.clear_hints()  # type: ignore[no-untyped-call]
    for choice, var in enumerate(search.takes):
        search.model.add_hint(var, choice in found)
    excess, days = posed.excess, Counter(posed.choices[choice][1].on for choice in found)
    search.model.add_hint(search.largest, max((excess[choice] for choice in found), default=0))
    search.model.add_hint(search.busiest, max(days.values(), default=0))


def short_of(people: Sequence[Due], room: Mapping[date, Staffed]) -> Short | None:
    """Return what the first aims come to at their best; None where that could not be proven."""
    posed = _pose(people, room)
    best = _fewest(posed)
    return None if best is None else _short(posed, best)


def _pose(people: Sequence[Due], room: Mapping[date, Staffed]) -> Posed:
    whole = tuple(sorted(people, key=lambda one: one.key))
    alike = _alike(whole)
    merged = tuple(_merged(one, alike) for one in whole)
    choices = tuple((number, place) for number, one in enumerate(merged) for place in one.places)
    capacity = Counter((on, first) for (on, _), first in alike.items())
    limits = tuple(limits_of(merged, choices, room, capacity))
    return Posed(whole, merged, alike, choices, limits, capacity, tuple(one.waited() for one in merged))


def _fewest(posed: Posed) -> frozenset[int] | None:
    """The choices that are best for the first aims, one after the other; None where it is not proven."""
    spared = posed.spared
    found = cheapest([-one.excess for one in spared], posed.limits)
    if found is None:
        return None
    most = sum(spared[choice].excess for choice in found)
    counts = tuple((choice, one.excess) for choice, one in enumerate(spared) if one.excess)
    held = [Limit(counts, most, least=most)] if most else []
    much = len(posed.whole) + 1  # more than all who can be left
    return cheapest([-(much * one.beyond + one.left) for one in spared], [*posed.limits, *held])


def _short(posed: Posed, found: Set[int]) -> Short:
    each, whole = posed.spared, posed.all_left
    spared = _total(each[choice] for choice in found)
    return Short(whole.excess - spared.excess, whole.beyond - spared.beyond, whole.left - spared.left)


def _total(several: Iterable[Short]) -> Short:
    excess, beyond, left = 0, 0, 0
    for one in several:
        excess, beyond, left = excess + one.excess, beyond + one.beyond, left + one.left
    return Short(excess, beyond, left)


def _alike(people: Sequence[Due]) -> dict[tuple[date, int], int]:
    """Find chairs that offer the same on a day to everybody: one of them stands for all, which is far less to search.

    A chair on which somebody has a place already is like no other, for staying there is not like moving.
    """
    offers: defaultdict[tuple[date, int], set[object]] = defaultdict(set)
    for number, one in enumerate(people):
        for place in one.places:
            offers[place.on, place.chair_pk].add((number, place.slot, place.starts, place.ends, place.holds))
        for own in filter(None, (one.has, one.holds)):
            offers[own.on, own.chair_pk].add(own.chair_pk)
    first: dict[tuple[date, frozenset[object]], int] = {}
    return {
        (on, chair): first.setdefault((on, frozenset(offer)), chair) for (on, chair), offer in sorted(offers.items())
    }


def _merged(one: Due, alike: Alike) -> Due:
    """The same person with the places of one chair for all that are alike."""
    return replace(one, places=tuple(p for p in one.places if alike[p.on, p.chair_pk] == p.chair_pk))


def _in_turn(posed: Posed, room: Mapping[date, Staffed]) -> frozenset[int]:
    """Return a start for the search: who has a place keeps it, the others in the order of their last safe days."""
    used, left, found = Counter[tuple[date, int, int]](), dict(room), set[int]()
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
            fits = all(used[slot] < posed.capacity.get((place.on, place.chair_pk), 1) for slot in place.slots)
            run, staffed = place.run(one.needs), left.get(place.on)
            if one.has is not None or (fits and (staffed is None or staffed.has_room(run))):
                used.update(place.slots)
                if staffed is not None:
                    left[place.on] = staffed.beside(run)
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
            there = replace(place, chair_pk=chair)
            if held.isdisjoint(there.slots):
                held.update(there.slots)
                whole = posed.whole[number]
                placed[whole.key] = next(one for one in whole.places if one.key == there.key)
                break
    return placed


def _hold_limits(search: Search, limits: Sequence[Limit]) -> None:
    """Tell the solver; that one at most, or exactly one, is taken it knows how to use best in words of its own."""
    model, takes = search.model, search.takes
    for limit in limits:
        several = [takes[choice] for choice, _ in limit.counts]
        if limit.least == limit.most == 1:
            model.add_exactly_one(several)
        elif limit.binds and limit.most == 1 and all(count == 1 for _, count in limit.counts):
            model.add_at_most_one(several)
        elif limit.binds:
            model.add(sum(takes[choice] * count for choice, count in limit.counts) <= limit.most)


def _aims(search: Search, posed: Posed) -> list[cp_model.LinearExprT]:
    model, takes = search.model, search.takes
    people = posed.merged
    for var, size in zip(takes, posed.excess, strict=True):
        if size:
            model.add(search.largest >= size).only_enforce_if(var)
    by_day: defaultdict[date, list[cp_model.IntVar]] = defaultdict(list)
    for var, (_, place) in zip(takes, posed.choices, strict=True):
        by_day[place.on].append(var)
    for several in by_day.values():
        model.add(sum(several) <= search.busiest)
    points = [round(10 * _points(people[number], place)) for number, place in posed.choices]
    spared, whole = posed.spared, posed.all_left
    return [
        whole.excess - _sum(takes, [one.excess for one in spared]),
        whole.beyond - _sum(takes, [one.beyond for one in spared]),
        whole.left - _sum(takes, [one.left for one in spared]),
        search.largest,
        _sum(takes, posed.waited),
        10 * LATEST_WEIGHT * search.busiest + _sum(takes, points),
    ]


def _sum(takes: Sequence[cp_model.IntVar], sizes: Sequence[int]) -> cp_model.LinearExpr | int:
    return sum(var * size for var, size in zip(takes, sizes, strict=True))


def _points(one: Due, place: Place) -> float:
    """Points against a place: the wish, and the call that moving somebody costs."""
    moved = one.has is not None and place.key != one.has.key
    return (one.cost or {}).get(place.on, 0.0) + (MOVE_COST if moved else 0.0)
