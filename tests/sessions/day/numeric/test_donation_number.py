"""Donation numbers: published check characters, every single slip of a key, and all that a scanner may send."""

import string
from datetime import date, time

import pytest
from hypothesis import given
from hypothesis import strategies as st

from sessions.day.numeric.donation_number import (
    ALPHABET,
    BadCode,
    Expiry,
    Group,
    check_character,
    check_value,
    read_group_codes,
    read_number,
    read_scan,
    spaced,
)

RED_BOOK = "G123498654321"


@pytest.mark.parametrize(
    ("text", "check"),
    [
        # JPAC Red Book, annex 2 (worked example: sum 148354, check value 17, keyboard character H, flags 77)
        (RED_BOOK, "H"),
        # Documentation and tests of python-stdnum, module iso7064.mod_37_2 (read there, not installed)
        ("G123489654321", "Y"),
        ("A999915000001", "M"),
        ("LMOSBYFCTRSSJCB3X6U9DUBLKNIH03FO6X963TGXYAHG", "*"),
        ("G7N286AL39FFQNU6BH8SMJB5VGMBCB6WPGMWJK800VU7K", "P"),
    ],
)
def test_check_characters_are_those_published(text, check):
    assert check_character(text) == check


def test_the_worked_example_of_the_red_book_gives_its_sum_and_flags():
    total = sum(ALPHABET.index(c) * 2 ** (13 - place) for place, c in enumerate(RED_BOOK))
    assert total == 148354
    assert check_value(RED_BOOK) == 17
    assert read_number(f"={RED_BOOK}77") == RED_BOOK


def by_horner(text):
    """ISO 7064 the other way: the hybrid-free pure system as a recursion, P = (P + a) * 2 mod 37, and 1 = P + check."""
    p = 0
    for character in text:
        p = (p + ALPHABET.index(character)) * 2 % 37
    return (1 - p) % 37


numbers = st.from_regex(r"[A-NP-Z1-9][A-NP-Z0-9]{4}[0-9]{8}", fullmatch=True).filter(str.isascii)


@given(numbers)
def test_the_check_agrees_with_the_recursive_form_of_the_standard(number):
    """Independent computation: the recursive procedure of ISO 7064 for pure systems."""
    assert check_value(number) == by_horner(number)
    full = number + check_character(number)
    assert (
        sum(ALPHABET.index(c) * 2 ** (len(full) - 1 - k) for k, c in enumerate(full)) % 37 == 1
    )  # law of the standard


def test_every_wrong_key_and_every_swap_of_neighbours_is_caught():
    """Law: ISO 7064 mod 37,2 finds all single substitutions and all transpositions of neighbours."""
    right = RED_BOOK + "H"
    wrong = {
        right[:k] + c + right[k + 1 :]
        for k in range(14)
        for c in string.digits + string.ascii_uppercase
        if c != right[k]
    }
    wrong |= {right[:k] + right[k + 1] + right[k] + right[k + 2 :] for k in range(13) if right[k] != right[k + 1]}
    assert len(wrong) == 14 * 35 + 13
    for text in sorted(wrong):
        with pytest.raises(BadCode):
            read_number(text)


@pytest.mark.parametrize(
    "text",
    [
        "G123498654321H",
        "g1234 98 654321 h",
        " G1234-98-654321 H ",
        "G1234 98 654321 00 H",  # with the printed flags
        "=G12349865432100",
        "=g12349865432113",
        "=G12349865432177",
        "G12349865432177",  # a scanner that drops the '='
    ],
)
def test_a_number_is_read_however_it_comes(text):
    assert read_number(text) == RED_BOOK


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("G123498654321", "check character is missing"),
        ("G123498654312H", "do not belong together"),
        ("G123498654321J", "do not belong together"),
        ("=G12349865432178", "does not fit its check"),
        ("=G123498654321", "13 characters were scanned"),
        ("G12349865432100", "15 characters without a check"),
        ("G12349865", "9 characters: a donation number has 13"),
        ("", "0 characters"),
        ("O123498654321A", "never the letter O"),
        ("G1234AB654321A", "no donation number"),
        ("=<E0336V00", "another code"),
        ("&>0261531400", "another code"),
        ("G1234\u00e48654321H", "no donation number"),
    ],
)
def test_what_is_no_number_is_refused_with_what_is_allowed(text, words):
    with pytest.raises(BadCode, match=words):
        read_number(text)


@given(st.text(max_size=40))
def test_no_text_breaks_the_reading(text):
    try:
        scan = read_scan(text)
    except BadCode as error:
        assert str(error)
    else:
        assert scan.kind in ("number", "group", "product", "expiry")


def test_each_code_of_a_label_is_known_by_its_identifier():
    """Identifiers: ICCBBA ST-001; the layout of the expiry from memory. The group codes are the site's own list."""
    groups = {"X1": Group("O", "-")}
    assert read_scan("=%X100", groups=groups).group == Group("O", "-")
    assert read_scan("=<e0336v00").product == "E0336V00"
    assert read_scan("=>026153").expiry == Expiry(date(2026, 6, 2))
    assert read_scan("&>0261531400").expiry == Expiry(date(2026, 6, 2), time(14, 0))
    assert read_scan("=>024366").expiry == Expiry(date(2024, 12, 31))
    assert read_scan(f"={RED_BOOK}00").number == RED_BOOK


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("=%X200", "not in the site's own list"),
        ("=<E0336", "no product code"),
        ("=>026366", "Day 366 does not exist in 2026"),
        ("=>026000", "Day 0 does not exist"),
        ("=>926153", "first of them 0"),
        ("&>0261532460", "no time of day"),
    ],
)
def test_a_code_that_cannot_be_is_refused(text, words):
    with pytest.raises(BadCode, match=words):
        read_scan(text)


def test_a_sites_list_of_group_codes_is_read_line_by_line():
    assert read_group_codes("# own list\n\nX1 = O-\nx2: AB+\n") == {"X1": Group("O", "-"), "X2": Group("AB", "+")}
    with pytest.raises(BadCode, match="Line 2"):
        read_group_codes("X1 = O-\nX1 = C+")
    with pytest.raises(BadCode, match="twice"):
        read_group_codes("X1 = O-\nX1 = A+")


def test_a_number_is_shown_in_its_three_groups():
    assert spaced(RED_BOOK) == "G1234 98 654321"
    assert spaced("local 7") == "local 7"
