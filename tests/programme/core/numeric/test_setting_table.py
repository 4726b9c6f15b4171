"""Every site setting has a range that holds its default, a unit or none on purpose, and a ground."""

import math

import pytest

from programme.core.numeric.setting_table import DEFAULTS, SETTING_TABLE, SETTINGS


@pytest.mark.parametrize("row", SETTING_TABLE, ids=lambda row: row.name)
def test_a_row_allows_its_default_and_refuses_what_lies_outside(row):
    assert row.low < row.high
    assert row.check(row.default) == row.default == DEFAULTS[row.name]
    for outside in (row.low - 1, row.high + 1, math.nan, math.inf):
        with pytest.raises(ValueError, match=f"{row.name}: .* is not allowed; allowed is"):
            row.check(outside)
    assert row.words
    assert row.ground


def test_names_are_used_once():
    assert len(SETTINGS) == len(SETTING_TABLE) == len(DEFAULTS)
