"""The fold of bedside entries, against sums worked by hand."""

from datetime import UTC, datetime, timedelta

from sessions.day.numeric.entries import Said
from sessions.day.numeric.tally import PlannedStep, tally

NINE = datetime(2026, 6, 1, 9, 0, tzinfo=UTC)
PLAN = (
    PlannedStep(1, "saline", 400, 400),
    PlannedStep(2, "red_cells", 516, 500, (1, 2), 194.0),
)


def said(place: int, kind: str, /, *, by: int = 1, seen: int | None = None, **body: object) -> Said:
    at = NINE + timedelta(minutes=place)
    return Said(place, kind, body, at, at, by, place - 1 if seen is None else seen)


def test_volumes_add_up_by_fluid_and_the_extremes_of_the_balance_are_kept() -> None:
    state = tally(
        PLAN,
        [
            said(1, "moved", step=1, in_ml=0, out_ml=200),
            said(2, "moved", step=1, in_ml=400, out_ml=0),
            said(3, "moved", step=1, in_ml=0, out_ml=200),
            said(4, "moved", step=2, in_ml=258, out_ml=130, unit=1),
        ],
    )
    # By hand: −200, +200, 0, +128.
    assert (state.saline_in_ml, state.red_cells_in_ml, state.out_ml) == (400, 258, 530)
    assert (state.balance_ml, state.deepest_ml, state.highest_ml) == (128, -200, 200)
    assert state.balance_without_saline_ml == 258 - 530
    assert [step.done for step in state.steps] == [True, False]
    assert state.current is not None
    assert state.current.planned.number == 2
    assert state.units[1].in_ml == 258


def test_an_undone_entry_no_longer_counts_and_its_step_is_open_again() -> None:
    entries = [said(1, "moved", step=1, in_ml=400, out_ml=400), said(2, "undo", number=1)]
    state = tally(PLAN, entries)
    assert (state.in_ml, state.out_ml, state.undone) == (0, 0, frozenset({1}))
    assert state.current is not None
    assert state.current.planned.number == 1


def test_a_time_put_right_moves_the_entry_in_time_and_nothing_else() -> None:
    earlier = NINE - timedelta(minutes=10)
    entries = [
        said(1, "moved", step=1, in_ml=400, out_ml=400),
        said(2, "time", number=1, happened_at=earlier.isoformat()),
    ]
    state = tally(PLAN, entries)
    assert state.steps[0].started_at == earlier
    assert state.in_ml == 400


def test_two_people_who_did_not_see_each_other_are_in_conflict_until_one_settles_it() -> None:
    both = [
        said(1, "moved", by=1, seen=0, step=1, in_ml=0, out_ml=200),
        said(2, "moved", by=2, seen=0, step=1, in_ml=0, out_ml=200),
    ]
    assert tally(PLAN, both).conflicts == ((1, 2),)
    assert tally(PLAN, both).out_ml == 400, "both values are kept"
    assert tally(PLAN, [*both, said(3, "both", numbers=[2, 1])]).conflicts == ()
    undone = tally(PLAN, [*both, said(3, "undo", number=2)])
    assert (undone.conflicts, undone.out_ml) == ((), 200)
    seen = [both[0], said(2, "moved", by=2, seen=1, step=1, in_ml=0, out_ml=200)]
    assert tally(PLAN, seen).conflicts == ()


def test_one_person_on_two_tablets_is_in_conflict_as_two_people_are() -> None:
    """A tablet that hangs is laid aside, the draw entered again on another, and both arrive in the end."""

    def draw(number: int, tablet: str, seen: int = 0) -> Said:
        return said(number, "moved", by=1, seen=seen, step=1, in_ml=0, out_ml=200, tablet=tablet)

    assert tally(PLAN, [draw(1, "a"), draw(2, "b")]).conflicts == ((1, 2),)
    assert tally(PLAN, [draw(1, "a"), draw(2, "b", seen=1)]).conflicts == ()
    assert tally(PLAN, [draw(1, "a"), draw(2, "a")]).conflicts == (), "one tablet knows what it still keeps"


def test_a_pause_holds_until_it_is_ended() -> None:
    entries = [said(1, "pause", words="cannula")]
    assert tally(PLAN, entries).paused_since == NINE + timedelta(minutes=1)
    assert tally(PLAN, [*entries, said(2, "resume")]).paused_since is None


def test_a_volume_put_right_afterwards_stands_where_the_wrong_one_stood() -> None:
    entries = [
        said(1, "moved", step=1, in_ml=0, out_ml=400),
        said(2, "moved", step=2, in_ml=258, out_ml=250),
        said(3, "undo", number=1),
        said(4, "moved", step=1, in_ml=0, out_ml=300, order=1),
    ]
    state = tally(PLAN, entries)
    assert [one.step for one in state.moved] == [1, 2]
    # By hand: −300, −292. In the order of arrival it would have been +8, −292.
    assert (state.deepest_ml, state.balance_ml) == (-300, -292)
