import pytest
from hypothesis import given
from hypothesis import strategies as st

from programme.worklist.numeric.riskgrid import longest_within, risk_grid

DAYS, ENDS = [21, 28], [12.0, 14.0, 16.0]
CHANCE = [[0.004, 0.05, 0.30], [0.10, 0.24, 0.995]]


def test_cells_print_whole_numbers_and_tints():
    rows = risk_grid(DAYS, ENDS, CHANCE, 0.10)
    assert [[cell.text for cell in row.cells] for row in rows] == [["<1", "5", "30"], ["10", "24", ">99"]]
    assert [[cell.step for cell in row.cells] for row in rows] == [[1, 1, 3], [1, 2, 4]]
    assert [row.days for row in rows] == DAYS


def test_the_line_runs_between_what_is_accepted_and_what_is_not():
    rows = risk_grid(DAYS, ENDS, CHANCE, 0.10)
    assert [[cell.edges for cell in row.cells] for row in rows] == [[(), ("cr", "cb"), ()], [("cr",), (), ()]]


def test_letters_stand_in_the_nearest_cell():
    rows = risk_grid(DAYS, ENDS, CHANCE, 0.10, [("F", 27, 12.4), ("L", 21, 14.1), ("M", 20, 13.9)])
    assert rows[1].cells[0].letters == ("F",)
    assert rows[0].cells[1].letters == ("L", "M")
    assert rows[0].cells[1].classes == "g1 cr cb"


@pytest.mark.parametrize(("interval", "end"), [(14, 14), (35, 14), (21, 10), (21, 18)])
def test_a_choice_outside_the_grid_has_no_letter(interval, end):
    rows = risk_grid(DAYS, ENDS, CHANCE, 0.10, [("F", interval, end)])
    assert not [cell for row in rows for cell in row.cells if cell.letters]


def test_a_table_with_a_hole_is_refused():
    with pytest.raises(ValueError, match="as many chances"):
        risk_grid(DAYS, ENDS, [[0.1, 0.2]], 0.1)


@given(st.lists(st.lists(st.floats(0, 1), min_size=4, max_size=4), min_size=3, max_size=3), st.floats(0.01, 0.5))
def test_the_line_parts_every_pair_of_neighbours_that_differ(chance, accepted):
    """A law of the line: it runs between two neighbours exactly when one is accepted and the other is not."""
    rows = risk_grid([1, 2, 3], [1, 2, 3, 4], chance, accepted)
    for r in range(3):
        for c in range(3):
            here, right = rows[r].cells[c], rows[r].cells[c + 1]
            parted = "cr" in here.edges or "cl" in right.edges
            assert parted == ((chance[r][c] <= accepted) != (chance[r][c + 1] <= accepted))


def test_the_longest_interval_for_an_end_target_reads_between_the_columns():
    """By hand: at 13 % the chances are 0.027 and 0.17, so 21 days are within 10 in 100 and 28 are not."""
    assert longest_within(DAYS, ENDS, CHANCE, 0.10, 13.0) == (21, pytest.approx(0.027))
    assert longest_within(DAYS, ENDS, CHANCE, 0.10, 12.0) == (28, pytest.approx(0.10))


def test_no_interval_is_named_beyond_the_grid_or_where_none_is_accepted():
    assert longest_within(DAYS, ENDS, CHANCE, 0.10, 11.9) is None
    assert longest_within(DAYS, ENDS, CHANCE, 0.10, 16.0) is None
