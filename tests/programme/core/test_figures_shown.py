"""How figures stand on every page: decimals, thousands, signs. Worked by hand."""

import pytest

from programme.core.templatetags.look import fixed, signed


@pytest.mark.parametrize(
    ("value", "places", "shown"),
    [(-0.0, 0, "0"), (-0.4, 0, "0"), (-0.04, 1, "0.0"), (-0.6, 0, "−1"), (-1806.2, 0, "−1,806"), (0.0, 0, "0"),
     (None, 0, "–")],
)  # fmt: skip
def test_a_figure_has_a_true_minus_and_nought_has_none(value: float | None, places: int, shown: str) -> None:
    assert fixed(value, places) == shown


@pytest.mark.parametrize(("value", "shown"), [(-0.3, "0"), (0.2, "0"), (12.4, "+12"), (-12.4, "−12")])
def test_a_difference_bears_its_sign_unless_it_is_nought(value: float, shown: str) -> None:
    assert signed(value) == shown
