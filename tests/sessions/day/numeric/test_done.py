"""What a session was, from its entries, against sums worked by hand."""

from datetime import UTC, datetime, timedelta

import pytest
from hypothesis import given
from hypothesis import strategies as st

from sessions.day.numeric.done import done
from sessions.day.numeric.entries import Said
from sessions.day.numeric.tally import PlannedStep, tally

NINE = datetime(2026, 6, 1, 9, 0, tzinfo=UTC)
PLAN = (PlannedStep(1, "saline", 400, 400), PlannedStep(2, "red_cells", 516, 500, (1, 2), 194.0))


def said(place: int, kind: str, /, **body: object) -> Said:
    at = NINE + timedelta(minutes=place)
    return Said(place, kind, body, at, at, 1, place - 1)


DAY = (
    said(1, "moved", step=1, in_ml=0, out_ml=200),
    said(2, "moved", step=1, in_ml=400, out_ml=0),
    said(3, "moved", step=1, in_ml=0, out_ml=200),
    said(4, "unit_started", unit=1),
    said(5, "moved", step=2, in_ml=258, out_ml=0, unit=1, cells_hb_g_l=200),
    said(6, "moved", step=2, in_ml=0, out_ml=250),
    said(9, "unit_ended", unit=1),
)


def test_with_two_arms_what_belongs_to_one_step_is_one_step() -> None:
    found = done(tally(PLAN, DAY), method="two_arm")
    assert [(s.fluid, s.in_ml, s.out_ml, s.cells_hb_g_l) for s in found.steps] == [
        ("saline", 400, 400, None),
        ("red_cells", 258, 250, 200),
    ]
    assert (found.started_at, found.ended_at) == (NINE + timedelta(minutes=1), NINE + timedelta(minutes=9))
    assert (found.saline_in_ml, found.red_cells_in_ml, found.out_ml, found.balance_ml) == (400, 258, 650, 8)
    assert found.places == (1,)


def test_with_one_arm_draw_and_infusion_stay_apart_in_their_order() -> None:
    found = done(tally(PLAN, DAY), method="one_arm")
    assert [(s.in_ml, s.out_ml) for s in found.steps] == [(0, 200), (400, 0), (0, 200), (258, 0), (0, 250)]


def test_a_step_begins_with_its_unit_or_where_the_one_before_ended() -> None:
    """A volume is entered when it is in, so its own time is that of the end."""
    found = done(tally(PLAN, DAY), method="two_arm", began=NINE)
    minutes = [((s.started_at - NINE).seconds // 60, (s.ended_at - NINE).seconds // 60) for s in found.steps]
    assert minutes == [(0, 3), (4, 6)]
    assert found.started_at == NINE
    apart = done(tally(PLAN, DAY), method="one_arm", began=NINE).steps
    assert [(s.started_at - NINE).seconds // 60 for s in apart] == [0, 1, 2, 4, 5]


def test_cells_of_two_units_keep_their_haemoglobin_by_volume() -> None:
    entries = [
        said(1, "moved", step=2, in_ml=200, out_ml=0, unit=1, cells_hb_g_l=180),
        said(2, "moved", step=2, in_ml=100, out_ml=0, unit=2, cells_hb_g_l=240),
    ]
    (step,) = done(tally(PLAN, entries), method="two_arm").steps
    assert step.cells_hb_g_l == pytest.approx((200 * 180 + 100 * 240) / 300)


def test_a_session_of_which_nothing_happened_has_no_times() -> None:
    found = done(tally(PLAN, [said(1, "note", words="line failed")]), method="two_arm")
    assert found.is_nothing
    assert (found.started_at, found.ended_at, found.places) == (None, None, ())


VOLUME = st.integers(0, 1500)
MOVE = st.builds(
    lambda step, in_ml, out_ml, unit: {"step": step, "in_ml": in_ml, "out_ml": out_ml, "unit": unit},
    st.integers(1, 3),
    VOLUME,
    VOLUME,
    st.sampled_from([None, 1, 2]),
)


@given(moves=st.lists(MOVE, max_size=12), undone=st.sets(st.integers(1, 12)), method=st.sampled_from(["", "one_arm"]))
def test_steps_add_up_to_the_tally_whatever_was_entered(
    moves: list[dict[str, object]], undone: set[int], method: str
) -> None:
    entries = [said(number, "moved", **body) for number, body in enumerate(moves, start=1)]
    undo = [n for n in sorted(undone) if n <= len(moves)]
    entries += [said(100 + number, "undo", number=number) for number in undo]
    state = tally(PLAN, entries)
    found = done(state, method=method)
    kept = [body for number, body in enumerate(moves, start=1) if number not in undo]
    # The sums are made here a second time, from what was entered.
    assert sum(s.in_ml for s in found.steps) == sum(body["in_ml"] for body in kept)
    assert sum(s.out_ml for s in found.steps) == sum(body["out_ml"] for body in kept)
    cells = sum(body["in_ml"] for body in kept if body["step"] == 2)
    assert sum(s.in_ml for s in found.steps if s.fluid == "red_cells") == cells == found.red_cells_in_ml
    hb_g = sum(s.in_ml * (s.cells_hb_g_l or 0) for s in found.steps)
    assert hb_g == pytest.approx(194.0 * cells)
    assert all(max(s.in_ml, s.out_ml) <= 3000 for s in found.steps)
    assert all(s.started_at <= s.ended_at for s in found.steps)
