"""Places for everyone at once: against trying every combination, and laws that no answer may break."""

from datetime import date, time, timedelta
from itertools import product

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from programme.booking.numeric.calendar import Place
from programme.booking.numeric.due import Due
from programme.booking.numeric.staff import Run, Staffed
from programme.booking.queries.one_more import days_tried
from programme.booking.solver import Short, place_all, short_of

MONDAY = date(2026, 6, 8)
TUESDAY = MONDAY + timedelta(1)
HOURS = {1: (time(9), time(13)), 2: (time(13), time(17)), 3: (time(11), time(15))}


def place(day: int, chair: int = 1, *, slot: int = 1, holds: tuple[int, ...] = ()) -> Place:
    return Place(chair, f"Chair {chair}", slot, time(9), time(16), MONDAY + timedelta(day), holds)


def timed(day: int, chair: int, slot: int) -> Place:
    """A place at one of the HOURS."""
    return Place(chair, f"Chair {chair}", slot, *HOURS[slot], MONDAY + timedelta(day))


def due(
    key: str, places: list[Place], *, chance: float = 0.02, now: float = 0.0, safe: int | None = 3, last: int = 13,
    **more: object,
) -> Due:  # fmt: skip
    """Chance is `now` on Monday and grows by `chance` a day; last safe and last day are so many days after Monday."""
    return Due(
        key=key,
        places=tuple(places),
        first=MONDAY,
        last=MONDAY + timedelta(last),
        chance={MONDAY + timedelta(day): min(1.0, now + chance * day) for day in range(last + 1)},
        accepted=0.1,
        latest_safe=None if safe is None else MONDAY + timedelta(safe),
        **more,
    )


def test_two_people_who_want_the_one_place_of_a_day_share_the_days_so_that_nobody_is_late() -> None:
    both = [place(3), place(4)]
    found = place_all([due("A", both, safe=3), due("B", both, safe=4)], {})
    assert {key: one.on.day for key, one in found.placed.items()} == {"A": 11, "B": 12}
    assert (found.left, found.proven_optimal, found.gap) == ((), True, 0.0)


def test_nobody_goes_without_a_place_so_that_another_is_less_late() -> None:
    one_each = place_all([due("A", [place(5)], safe=3), due("B", [place(5), place(9)], safe=3)], {})
    assert set(one_each.placed) == {"A", "B"}


@pytest.mark.parametrize("last", [0, 5, 10, 28])
def test_of_two_people_for_one_place_the_one_who_is_more_over_gets_it(last) -> None:
    """Late already and at 90 in 100, against somebody safe for ten more days, whichever days are looked at."""
    over = due("A", [place(0)], now=0.9, chance=0.01, safe=-5, last=last)
    safe = due("B", [place(0)], now=0.0, chance=0.05, safe=10, last=last)
    found = place_all([over, safe], {})
    assert (set(found.placed), found.left, found.proven_optimal) == ({"A"}, ("B",), True)


def test_of_two_who_are_over_for_certain_the_one_who_is_so_for_longer_gets_the_place() -> None:
    """On the last day looked at both are certain to be over: a chance on one day does not part them."""
    longer, later = due("B", [place(0)], now=0.98, safe=-20), due("A", [place(0)], now=0.0, chance=0.2, safe=0)
    assert set(place_all([longer, later], {}).placed) == {"B"}


def test_two_who_are_nearly_safe_do_not_displace_one_who_is_over_and_needs_two_nurses() -> None:
    chairs = [place(1, 1), place(1, 2), place(1, 3)]
    over = due("A", chairs, now=0.9, safe=-5, needs=2)
    others = [due(key, chairs, chance=0.011, safe=9) for key in "BC"]
    assert set(place_all([over, *others], {TUESDAY: Staffed(2)}).placed) == {"A"}


def test_of_many_where_staff_are_few_those_least_over_are_left() -> None:
    """Twelve people, three days with staff for two: by hand, the six who are most over have the six places."""
    people = [
        due(f"P{n:02}", [place(d, c) for d in range(3) for c in (1, 2, 3)], now=0.08 * n, chance=0.01, safe=2 - n)
        for n in range(12)
    ]
    found = place_all(people, {MONDAY + timedelta(d): Staffed(2) for d in range(3)})
    assert sorted(found.placed) == [f"P{n:02}" for n in range(6, 12)]
    assert found.proven_optimal
    days = [found.placed[f"P{n:02}"].on.day - 8 for n in range(6, 12)]
    assert days == [2, 2, 1, 1, 0, 0], "the more over, the earlier"


def test_who_is_late_anyway_waits_for_somebody_who_would_be_late_and_not_for_a_wish() -> None:
    days = [place(0), place(4)]
    late = due("A", days, now=0.9, safe=-1, cost={MONDAY: 20.0})
    assert place_all([late, due("B", days, safe=1)], {}).placed["A"].on.day == 12
    assert place_all([late, due("B", days, safe=8)], {}).placed["A"].on == MONDAY


def test_whoever_would_be_more_over_goes_first_and_a_reason_for_the_ceiling_counts() -> None:
    places = [place(6), place(10)]
    plain = place_all([due("A", places, chance=0.03), due("B", places, chance=0.05)], {})
    assert plain.placed["B"].on < plain.placed["A"].on
    flagged = place_all([due("A", places, chance=0.03, weight=2.0), due("B", places, chance=0.032)], {})
    assert flagged.placed["A"].on < flagged.placed["B"].on


def test_wishes_decide_only_between_safe_days() -> None:
    wish = due("A", [place(1), place(2), place(5)], cost={MONDAY + timedelta(1): 4.0, MONDAY + timedelta(2): 1.0})
    assert place_all([wish], {}).placed["A"].on == MONDAY + timedelta(2)


def test_staff_are_never_passed_and_somebody_who_needs_two_nurses_counts_twice() -> None:
    chairs = [place(1, 1), place(1, 2), place(1, 3)]
    found = place_all([due("A", chairs, needs=2), due("B", chairs), due("C", chairs)], {TUESDAY: Staffed(2)})
    assert set(found.placed) == {"B", "C"}
    assert found.left == ("A",)


def test_one_nurse_runs_one_in_the_morning_and_one_in_the_afternoon() -> None:
    people = [due(key, [timed(1, chair, slot) for chair in (1, 2) for slot in (1, 2)]) for key in "ABC"]
    found = place_all(people, {TUESDAY: Staffed(1)})
    assert sorted(one.starts for one in found.placed.values()) == [time(9), time(13)]
    assert len(place_all(people, {TUESDAY: Staffed(1, (Run(time(12), time(14)),))}).placed) == 0
    assert len(place_all(people, {TUESDAY: Staffed(2)}).placed) == 3


def test_of_two_who_hold_places_at_once_where_one_nurse_is_left_one_stays_and_nobody_new_comes_then() -> None:
    """Their places count until they have another, so that nobody is placed on what they may not give up."""
    one, two = timed(1, 1, 1), timed(1, 2, 3)  # 09:00 to 13:00 and 11:00 to 15:00
    held = Staffed(1, (one.run(), two.run()))
    people = [due("A", [one], holds=one), due("B", [two], holds=two), due("C", [timed(1, 3, 2)])]
    found = place_all(people, {TUESDAY: held})
    assert len({"A", "B"} & set(found.placed)) == 1
    assert "C" in found.left, "the 11:00 goes on until 15:00 until they have another place"
    other = timed(2, 1, 1)
    people[1] = due("B", [two, other], holds=two)
    assert place_all(people, {TUESDAY: held}).placed == {"A": one, "B": other}


def test_whoever_has_a_place_keeps_it_also_among_too_many() -> None:
    one, two = timed(1, 1, 1), timed(1, 2, 1)
    people = [due("A", [one], has=one), due("B", [two], has=two), due("C", [timed(1, 3, 1), timed(1, 3, 2)])]
    found = place_all(people, {TUESDAY: Staffed(1)})
    assert found.placed == {"A": one, "B": two, "C": timed(1, 3, 2)}


def test_nobody_due_is_no_places() -> None:
    assert place_all([], {}).placed == {}


def test_the_same_people_in_another_order_get_the_same_places() -> None:
    people = [
        due(name, [place(d, c) for d in range(4) for c in (1, 2)], chance=0.01 * k) for k, name in enumerate("EDCBA")
    ]
    assert place_all(people, {}) == place_all(people[::-1], {})


PEOPLE = st.lists(
    st.tuples(
        st.lists(st.tuples(st.integers(0, 4), st.integers(1, 2)), min_size=1, max_size=4, unique=True),
        st.sampled_from([0.01, 0.04, 0.09]),
        st.integers(0, 4),
    ),
    min_size=1,
    max_size=4,
)


TIMED = st.lists(
    st.tuples(
        st.lists(
            st.tuples(st.integers(0, 1), st.integers(1, 3), st.integers(1, 3)), min_size=1, max_size=4, unique=True
        ),
        st.sampled_from([0.01, 0.04, 0.09]),
        st.sampled_from([0.0, 0.09, 0.5, 0.95]),
        st.sampled_from([-3, 0, 1, 2, 5]),
        st.integers(1, 2),
    ),
    min_size=1,
    max_size=4,
)
BOOKED = st.lists(st.tuples(st.integers(0, 1), st.sampled_from(list(HOURS.values()))), max_size=2)


@settings(max_examples=80, deadline=None)
@given(TIMED, BOOKED, st.integers(1, 2))
def test_the_first_aims_are_as_good_as_the_best_of_all_combinations(rows, booked, most) -> None:
    """Independent computation: every combination is tried, held to the staff hour by hour and judged by the aims."""
    people = [
        due(f"P{n}", [timed(*one) for one in places], chance=climb, now=now, safe=safe, last=3, needs=needs)
        for n, (places, climb, now, safe, needs) in enumerate(rows)
    ]
    runs = {MONDAY + timedelta(day): [Run(*hours) for d, hours in booked if d == day] for day in (0, 1)}
    end = MONDAY + timedelta(3)

    def over(who: Due, on: date) -> int:
        return round(1000 * max(0.0, who.chance[on] - 0.1))

    def waited(who: Due, until: date) -> int:
        return sum(over(who, MONDAY + timedelta(day)) for day in range((until - MONDAY).days + 1))

    def judged(chosen: list[Place | None]) -> tuple[float, ...] | None:
        pairs = [(who, one) for who, one in zip(people, chosen, strict=True) if one is not None]
        if len({one.key for _, one in pairs}) < len(pairs):
            return None
        for on, there in runs.items():
            for hour in map(time, range(9, 17)):
                new = sum(who.needs for who, one in pairs if one.on == on and one.starts <= hour < one.ends)
                if new and new + sum(run.starts <= hour < run.ends for run in there) > most:
                    return None
        excess = [over(who, one.on) for who, one in pairs]
        left = [who for who, one in zip(people, chosen, strict=True) if one is None]
        beyond = sum(one.on > who.latest_safe for who, one in pairs) + sum(who.latest_safe <= end for who in left)
        return (
            sum(waited(who, end) for who in left), beyond, len(left), max(excess, default=0),
            sum(waited(who, one.on) for who, one in pairs),
        )  # fmt: skip

    combinations = product(*[[None, *one.places] for one in people])
    best = min(found for chosen in combinations if (found := judged(list(chosen))) is not None)
    answer = place_all(people, {on: Staffed(most, tuple(there)) for on, there in runs.items()})
    assert judged([answer.placed.get(one.key) for one in people]) == best
    assert answer.proven_optimal


def every_answer(people: list[Due]) -> list[dict[str, Place]]:
    """Every way to give people places with no slot given twice."""
    answers = []
    for choice in product(*[(*one.places, None) for one in people]):
        given = [one.key for one in choice if one is not None]
        if len(given) == len(set(given)):
            answers.append({p.key: c for p, c in zip(people, choice, strict=True) if c is not None})
    return answers


@settings(max_examples=60, deadline=None)
@given(PEOPLE, st.integers(0, 4))
def test_what_one_more_start_leaves_is_what_trying_every_combination_leaves(drawn, day) -> None:
    extra = place(day, 9)
    people = [
        due(str(n), [*(place(d, c) for d, c in places), extra], chance=chance, safe=safe)
        for n, (places, chance, safe) in enumerate(drawn[:4])
    ]

    def judged(answer: dict[str, Place]) -> Short:
        left = [one for one in people if one.key not in answer]
        late = sum(one.is_late(answer[one.key].on) for one in people if one.key in answer)
        excess = sum(round(1000 * max(0.0, chance - 0.1)) for one in left for chance in one.chance.values())
        return Short(excess, late + len(left), len(left))  # every last safe day is among those looked at

    best = min(map(judged, every_answer(people)))
    assert short_of(people, {}) == best


def test_where_the_fewest_are_not_proven_the_search_goes_through_every_aim_and_nothing_is_said_of_one_more(monkeypatch):
    people = [due("A", [place(5)], safe=3), due("B", [place(5), place(2)], safe=3), due("C", [place(5), place(2)])]
    proven = place_all(people, {})
    monkeypatch.setattr("programme.booking.solver.cheapest", lambda costs, limits: None)
    assert short_of(people, {}) is None
    searched = place_all(people, {})
    days = [sorted(one.on for one in found.placed.values()) for found in (proven, searched)]
    assert days[0] == days[1] == [MONDAY + timedelta(2), MONDAY + timedelta(5)], "as good, though another may be left"
    assert searched.proven_optimal
    assert len(proven.left) == len(searched.left) == 1


def test_whoever_has_a_place_is_never_left_without_one_for_somebody_else() -> None:
    held = place(1)
    found = place_all([due("A", [held], has=held), due("B", [held], chance=0.2)], {})
    assert (found.placed, found.left) == ({"A": held}, ("B",))


def test_a_unit_with_many_choices_gets_fewer_days_of_what_one_more_would_buy() -> None:
    assert [days_tried(choices) for choices in (0, 1_000, 8_000, 25_000, 60_000, 10**7)] == [12, 12, 12, 4, 2, 2]
