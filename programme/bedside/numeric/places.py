"""Which units go into which steps, where the rest of a running session is laid out anew. A unit is told by its place.

A wanted unit is told by any number; the same number in two steps is one unit across both.
"""

from collections.abc import Collection, Iterable, Mapping, Sequence
from itertools import chain


def hand_out(
    wanted: Sequence[Sequence[int]],
    begun: Sequence[Sequence[int]],
    *,
    waiting: Iterable[int],
    fresh: Iterable[int],
    shared: Mapping[int, int],
    over: Collection[int],
) -> list[tuple[int, ...]]:
    """Return the places of each step that is left: what was given of it stays, then those that wait, in their order.

    wanted : of each step, its units. begun : of each step, the places of which something was given in it.
    waiting : places in the order in which they are to be given. fresh : places that nothing is known of.
    shared : of a wanted unit that was begun in a step before these, its place.
    over : places of which nothing more can come.
    """
    given = {place for places in begun for place in places}
    coming = chain((place for place in waiting if place not in given), fresh)
    place_of = dict(shared)
    found = []
    for units, already in zip(wanted, begun, strict=True):
        places = list(already)
        place_of.update(zip(units, places, strict=False))
        for unit in units[len(places) :]:
            place = place_of.get(unit)
            if place is None or place in over or place in places:
                place = place_of[unit] = next(coming)
            places.append(place)
        found.append(tuple(places))
    return found
