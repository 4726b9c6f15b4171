"""Figures as bytes: exact both ways, missing ones not numbers, and another form is refused."""

import math

import numpy as np
import pytest

from sessions.numeric.packed import FIGURES, OtherForm, method_code, pack, unpack

ROW = dict.fromkeys(FIGURES) | {"method": ""}


def test_figures_are_bytes_as_the_standard_of_floating_point_lays_them_out():
    """IEEE 754-2019, binary64: 1.0 is 3FF0000000000000, −2.0 C000000000000000 (worked examples of its table 3.5)."""
    packed = pack(ROW | {"day": 1.0, "known_day": -2.0})
    assert packed[:16] == bytes.fromhex("3FF0000000000000")[::-1] + bytes.fromhex("C000000000000000")[::-1]
    assert len(packed) == 8 * len(FIGURES)


def test_what_was_packed_comes_back_exactly_and_what_is_missing_is_not_a_number():
    given = {"day": 739_000, "hbs_before_pct": 0.1, "gap_known": True, "hbs_after_result": 2**53 - 1, "reason": 0}
    (row,) = unpack([pack(ROW | given)])
    back = dict(zip(FIGURES, row.tolist(), strict=True))
    assert {name: back[name] for name in given} == given
    assert back.pop("method") == -1
    assert all(math.isnan(value) for name, value in back.items() if name not in given)
    assert unpack([]).shape == (0, len(FIGURES))
    np.testing.assert_array_equal(unpack([pack(ROW)] * 2)[0], unpack([pack(ROW)])[0])


def test_a_method_is_told_by_the_checksum_of_its_name():
    """CBF43926 is the check value of CRC-32 (ISO 3309) over the digits 1 to 9: Williams R, A painless guide to CRC
    error detection algorithms, 1993."""
    assert method_code("123456789") == 0xCBF43926
    assert method_code("") == -1


@pytest.mark.parametrize("packed", [b"", b"\0" * 8])
def test_rows_of_another_form_are_refused(packed):
    with pytest.raises(OtherForm, match="rebuild_facts"):
        unpack([pack(ROW), packed])
