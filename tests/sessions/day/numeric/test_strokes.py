"""What is to be done next, against plans cut by hand; and laws that hold for any plan."""

from datetime import UTC, datetime

import pytest
from hypothesis import given
from hypothesis import strategies as st

from sessions.day.numeric.entries import Said
from sessions.day.numeric.strokes import coming
from sessions.day.numeric.tally import PlannedStep, about_as_much, tally

NINE = datetime(2026, 6, 1, 9, 0, tzinfo=UTC)
PLAN = (
    PlannedStep(1, "saline", 400, 400, draws=(200, 200)),
    PlannedStep(2, "red_cells", 516, 500, (1, 2), 194.0, draws=(250, 250)),
)


def after(plan: tuple[PlannedStep, ...], *volumes: tuple[int, float, float], **order: bool) -> list[tuple]:
    """The touches left as (step, out, in, unit) after entries (step, in, out)."""
    said = [
        Said(n, "moved", {"step": step, "in_ml": in_ml, "out_ml": out_ml}, NINE, NINE, 1, n - 1)
        for n, (step, in_ml, out_ml) in enumerate(volumes, 1)
    ]
    return [(one.step, one.out_ml, one.in_ml, one.unit) for one in coming(tally(plan, said), **order)]


def test_a_plan_is_cut_at_its_draws() -> None:
    assert after(PLAN) == [(1, 200, 200, None), (1, 200, 200, None), (2, 250, 258, 1), (2, 250, 258, 2)]


def test_no_touch_of_small_draws_gives_of_two_units() -> None:
    """A child of 22 kg: 516 mL of two units for 520 mL in bags of 150. By hand: half the step is 258 in and 260 out."""
    child = PlannedStep(1, "red_cells", 516, 520, (1, 2), 194.0, draws=(150, 150, 150, 70))
    touches = after((child,))
    assert [(out, unit) for _, out, _, unit in touches] == [(150, 1), (110, 1), (40, 2), (150, 2), (70, 2)]
    assert [sum(given for _, _, given, of in touches if of == unit) for unit in (1, 2)] == pytest.approx([258.0, 258.0])


def test_what_was_drawn_short_is_made_up_in_the_next_draw() -> None:
    assert after(PLAN, (1, 170, 150))[:2] == [(1, 50, 30, None), (1, 200, 200, None)]
    assert after(PLAN, (1, 200, 195))[0] == (1, 205, 200, None), "5 mL short is a whole draw; the next makes it up"


def test_a_draw_before_its_unit_leaves_the_unit_and_the_rest_of_the_draw() -> None:
    assert after(PLAN, (1, 400, 400), (2, 0, 120))[0] == (2, 130, 258, 1)


def test_a_unit_that_was_ended_short_is_not_given_any_more() -> None:
    """Unit 1 gave 150 of 258 mL and was ended: what is made up comes from unit 2. With both ended the place decides."""
    short = [
        Said(1, "moved", {"step": 2, "in_ml": 150.0, "out_ml": 150.0, "unit": 1}, NINE, NINE, 1),
        Said(2, "unit_ended", {"unit": 1}, NINE, NINE, 1),
    ]
    (first, *_) = coming(tally(PLAN[1:], short))
    assert (first.in_ml, first.unit) == (108, 2)
    both = [*short, Said(3, "unit_ended", {"unit": 2}, NINE, NINE, 1)]
    assert [stroke.unit for stroke in coming(tally(PLAN[1:], both))] == [1, 2]


def test_in_one_arm_each_draw_comes_before_what_is_given() -> None:
    assert after(PLAN, one_arm=True)[:4] == [(1, 200, 0, None), (1, 0, 200, None), (1, 200, 0, None), (1, 0, 200, None)]
    assert after(PLAN, (1, 0, 200), one_arm=True)[0] == (1, 0, 200, None)


def test_in_one_arm_what_is_given_comes_before_each_draw_where_nobody_is_to_be_left_short() -> None:
    order = {"one_arm": True, "gives_first": True}
    touches = after(PLAN, **order)
    assert touches[:4] == [(1, 0, 200, None), (1, 200, 0, None), (1, 0, 200, None), (1, 200, 0, None)]
    assert touches[4:6] == [(2, 0, 258, 1), (2, 250, 0, None)]
    assert after(PLAN, (1, 200, 0), **order)[0] == (1, 200, 0, None), "given already: it is drawn now"
    assert after(PLAN, gives_first=True) == after(PLAN), "two arms go at the same time"


def test_units_without_draws_are_given_one_by_one() -> None:
    plan = (PlannedStep(1, "red_cells", 780, 0, (1, 2, 3), 194.0),)
    assert after(plan) == [(1, 0, 260, 1), (1, 0, 260, 2), (1, 0, 260, 3)]


def test_a_step_that_was_said_to_be_done_asks_for_nothing_more() -> None:
    entries = [Said(1, "step_done", {"step": 1}, NINE, NINE, 1)]
    assert [stroke.step for stroke in coming(tally(PLAN, entries))] == [2, 2]


@pytest.mark.parametrize(
    ("done", "planned", "enough"), [(190, 200, True), (189, 200, False), (480, 500, True), (0, 8, False), (4, 8, True)]
)
def test_a_volume_may_be_ten_millilitres_or_a_twentieth_short(done: float, planned: float, enough: bool) -> None:
    """Regression only: the allowance is chosen."""
    assert about_as_much(done, planned) is enough


steps = st.lists(
    st.tuples(st.integers(0, 800), st.lists(st.integers(20, 400), max_size=4), st.integers(0, 3)).filter(
        lambda one: one[0] > 20 or one[1]
    ),
    min_size=1,
    max_size=4,
)


@given(steps, st.booleans())
def test_doing_every_touch_does_the_plan(parts: list[tuple[int, list[int], int]], one_arm: bool) -> None:
    plan, place = [], 0
    for number, (in_ml, draws, units) in enumerate(parts, 1):
        places = tuple(range(place + 1, place + units + 1)) if in_ml else ()
        place += len(places)
        fluid = "red_cells" if places else "saline"
        plan.append(PlannedStep(number, fluid, in_ml, sum(draws), places, 194.0, tuple(draws)))
    said: list[Said] = []
    for n in range(1, 100):
        left = coming(tally(plan, said), one_arm=one_arm)
        if not left:
            break
        one = left[0]
        assert one.in_ml + one.out_ml > 0
        body = {"step": one.step, "in_ml": one.in_ml, "out_ml": one.out_ml}
        said.append(Said(n, "moved", body, NINE, NINE, 1, n - 1))
    state = tally(plan, said)
    assert state.current is None
    assert state.in_ml == pytest.approx(sum(step.in_ml for step in plan), rel=0.051, abs=10.01 * len(plan))
    assert state.out_ml == pytest.approx(sum(step.out_ml for step in plan), rel=0.051, abs=10.01 * len(plan))
