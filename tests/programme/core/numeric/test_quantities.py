"""The one parser through which numbers enter."""

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from programme.core.numeric.quantities import BadNumber, parse_number, read_haemoglobin


@pytest.mark.parametrize(
    ("text", "value"),
    [
        ("12", 12.0),
        (" 12.50 ", 12.5),
        (".5", 0.5),
        ("5.", 5.0),
        ("+3", 3.0),
        ("-3", -3.0),
        ("\u22123", -3.0),
        ("1e2", 100.0),
    ],
)
def test_plain_numbers_are_read(text, value):
    assert parse_number(text, name="x", low=-1000, high=1000) == value


@pytest.mark.parametrize(
    "text",
    [
        "",
        " ",
        "ten",
        "nan",
        "NaN",
        "inf",
        "-inf",
        "Infinity",
        "1,5",
        "1 5",
        "0x10",
        "1_000",
        "12%",
        "--3",
        "1e",
        ".",
        "1" * 25,
    ],
)
def test_anything_else_is_refused_with_name_and_range(text):
    with pytest.raises(BadNumber, match=r"weight: .* is not a number from 2 to 300 kg\."):
        parse_number(text, name="weight", low=2, high=300, unit="kg")


@pytest.mark.parametrize("text", ["1.99", "301", "1e300", "1e999", "-5"])
def test_a_number_outside_the_range_says_what_is_allowed(text):
    with pytest.raises(BadNumber, match="outside what is allowed, a number from 2 to 300 kg"):
        parse_number(text, name="weight", low=2, high=300, unit="kg")


@given(st.floats(allow_nan=True, allow_infinity=True))
def test_what_comes_out_is_finite_and_in_range(value):
    try:
        read = parse_number(repr(value), name="x", low=-50, high=50)
    except BadNumber:
        assert not (math.isfinite(value) and -50 <= value <= 50) or len(repr(value)) > 24
    else:
        assert read == value
        assert -50 <= read <= 50


@given(st.text(max_size=30))
def test_no_text_breaks_the_parser(text):
    try:
        assert math.isfinite(parse_number(text, name="x", low=-1e9, high=1e9))
    except BadNumber as error:
        assert str(error).startswith("x: ")


@given(st.integers(min_value=300, max_value=2000))
def test_haemoglobin_reads_the_same_in_either_unit(tenths):
    """The same blood in g/L and in g/dL gives the same figure, and the unit that was understood."""
    in_g_l, in_g_dl = f"{tenths / 10:.1f}", f"{tenths / 100:.2f}"
    assert read_haemoglobin(in_g_l).g_l == pytest.approx(tenths / 10)
    assert read_haemoglobin(in_g_dl).g_l == pytest.approx(tenths / 10)
    assert not read_haemoglobin(in_g_l).was_g_dl
    assert read_haemoglobin(in_g_dl).was_g_dl


@pytest.mark.parametrize("text", ["2.9", "20.1", "25", "29.9", "200.1", "900"])
def test_haemoglobin_that_could_be_neither_unit_is_refused(text):
    with pytest.raises(BadNumber, match=r"30 to 200 g/L \(or 3 to 20 g/dL\)"):
        read_haemoglobin(text)
