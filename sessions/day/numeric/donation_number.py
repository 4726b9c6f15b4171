"""Donation numbers and the other codes of a unit, as a scanner sends them or a person types them.

The number has 13 characters (facility 5, year 2, serial 6). Its check character is ISO 7064 mod 37,2, worked as in the
JPAC Red Book, annex 2. In a barcode the number follows '=', and two flag characters follow it; they carry the check
as 60 + its value, or a use of their own below 60. Identifiers of the other codes ('=%' group, '=<' product, '=>' day
and '&>' day and time of expiry): ICCBBA ST-001; the layout of what follows them is from memory. The code lists of that
standard belong to a licence and are not kept here: a site enters the few that it uses.
"""

import re
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date, time, timedelta

ALPHABET = "0123456789ABCDEFGHIJKLMNOPQRSTUVWXYZ*"
MODULUS = 37
LENGTH = 13
CHECK_IN_FLAGS = 60
NUMBER = re.compile(r"[A-NP-Z1-9][A-NP-Z0-9]{4}\d{8}")
GROUP_LINE = re.compile(r"([A-Z0-9]{2})\s*[=:]\s*(O|A|B|AB)\s*([+\-\u2212])", re.IGNORECASE)
BETWEEN = re.compile(r"[\s\-\u2010-\u2015.]+")


class BadCode(ValueError):
    """What was scanned or typed cannot be read; the message says where and what is allowed."""


@dataclass(frozen=True, slots=True)
class Group:
    """ABO group ('O', 'A', 'B', 'AB') and D ('+' or '-')."""

    abo: str
    rhd: str


@dataclass(frozen=True, slots=True)
class Expiry:
    """The last day of a unit, and the last minute where the code says one; else the whole day counts."""

    on: date
    at: time | None = None


@dataclass(frozen=True, slots=True)
class Scan:
    """One code as read: `kind` is number, group, product or expiry; the value is that of its kind."""

    kind: str
    number: str = ""
    group: Group | None = None
    product: str = ""
    expiry: Expiry | None = None


def check_value(text: str) -> int:
    """Return the ISO 7064 mod 37,2 check value 0 to 36 of letters, digits and '*'.

    Formula: value of each character times 2^(its place from the right, from 1), summed; 38 less the sum mod 37; mod 37.
    Source: JPAC Red Book, annex 2. Raises: BadCode for any other character.
    """
    total = 0
    for place, character in enumerate(reversed(text), start=1):
        value = ALPHABET.find(character)
        if value < 0:
            raise BadCode(f"{character!r} cannot stand in a donation number; allowed are capital letters and digits.")
        total += value * 2**place
    return (MODULUS + 1 - total % MODULUS) % MODULUS


def check_character(number: str) -> str:
    """Return the check character that is printed beside a donation number, for the eye and the keyboard."""
    return ALPHABET[check_value(number)]


def spaced(number: str) -> str:
    """Return a donation number in its three groups: facility, year, serial. Other texts stay as they are."""
    return f"{number[:5]} {number[5:7]} {number[7:]}" if len(number) == LENGTH else number


def read_number(text: str) -> str:
    """Return the donation number in what was scanned ('=' first) or typed (with its check character last).

    Spaces, hyphens and small letters are accepted. A number typed without its check character is refused: one wrong
    key would make it another unit's. Raises: BadCode.
    """
    said = BETWEEN.sub("", text).upper()
    if said.startswith("="):
        return _scanned(said[1:])
    if said.startswith(("&", "%", "<", ">")):
        raise BadCode(f"{text.strip()[:20]!r} is another code of the label; scan or type the donation number.")
    if len(said) == LENGTH + 2 and said[LENGTH:].isdecimal():
        return _with_flags(said[:LENGTH], said[LENGTH:], needs_check=True)
    if len(said) == LENGTH + 3:  # as printed: number, two flag characters, check character
        said = said[:LENGTH] + said[-1]
    if len(said) == LENGTH:
        _well_formed(said)
        raise BadCode(
            "The check character is missing: type the number and then the one character that stands beside it in a box."
        )
    if len(said) != LENGTH + 1:
        raise BadCode(
            f"{len(said)} characters: a donation number has {LENGTH}, and its check character after them when typed."
        )
    number, check = _well_formed(said[:LENGTH]), said[LENGTH]
    if check != check_character(number):
        raise BadCode(
            f"{spaced(number)} and check character {check} do not belong together: one of the characters is not right. "
            "Read the label again, character by character."
        )
    return number


def _scanned(said: str) -> str:
    if not said or not said[0].isalnum():
        raise BadCode("This is another code of the label; scan the donation number.")
    if len(said) != LENGTH + 2:
        raise BadCode(f"{len(said)} characters were scanned after '='; a donation number has {LENGTH} and two flags.")
    return _with_flags(said[:LENGTH], said[LENGTH:], needs_check=False)


def _with_flags(number: str, flags: str, *, needs_check: bool) -> str:
    _well_formed(number)
    carries_check = flags.isdecimal() and CHECK_IN_FLAGS <= int(flags) < CHECK_IN_FLAGS + MODULUS
    if carries_check and int(flags) - CHECK_IN_FLAGS != check_value(number):
        raise BadCode(f"{spaced(number)} does not fit its check in the flags {flags}: scan it again.")
    if needs_check and not carries_check:
        raise BadCode(
            f"{LENGTH + 2} characters without a check: scan with the leading '=', or type the boxed character."
        )
    return number


def _well_formed(number: str) -> str:
    if not NUMBER.fullmatch(number):
        raise BadCode(
            f"{number[:20]!r} is no donation number; it has five letters or digits (never the letter O), two digits of "
            "the year and six digits."
        )
    return number


def read_scan(text: str, *, groups: Mapping[str, Group] | None = None) -> Scan:
    """Return what one scan says; a text without an identifier is read as a typed donation number.

    groups: the site's own list of group codes, two characters to group. Raises: BadCode.
    """
    said = BETWEEN.sub("", text).upper()
    if said.startswith("=%"):
        return Scan("group", group=_group(said[2:], groups or {}))
    if said.startswith("=<"):
        return Scan("product", product=_product(said[2:]))
    if said.startswith(("=>", "&>")):
        return Scan("expiry", expiry=_expiry(said[2:], with_time=said.startswith("&")))
    return Scan("number", number=read_number(text))


def _group(said: str, groups: Mapping[str, Group]) -> Group:
    found = groups.get(said[:2])
    if found is None:
        raise BadCode(
            f"Group code {said[:2]!r} is not in the site's own list (settings, texts): choose the group as printed."
        )
    return found


def _product(said: str) -> str:
    if not re.fullmatch(r"[A-Z0-9]{8}", said):
        raise BadCode(f"{said[:20]!r} is no product code; it has eight letters or digits.")
    return said


def _expiry(said: str, *, with_time: bool) -> Expiry:
    """Century digit, year 2, day of the year 3; then hour 2 and minute 2 where there is a time."""
    length = 10 if with_time else 6
    if not (said.isdecimal() and len(said) == length and said[0] == "0"):
        raise BadCode(f"{said[:20]!r} is no expiry; it has {length} digits, the first of them 0 for this century.")
    year, day = 2000 + int(said[1:3]), int(said[3:6])
    on = date(year, 1, 1) + timedelta(days=day - 1)
    if day < 1 or on.year != year:
        raise BadCode(f"Day {day} does not exist in {year}.")
    if not with_time:
        return Expiry(on)
    try:
        return Expiry(on, time(int(said[6:8]), int(said[8:10])))
    except ValueError:
        raise BadCode(f"{said[6:8]}:{said[8:10]} is no time of day.") from None


def read_group_codes(text: str) -> dict[str, Group]:
    """Return a site's own list of group codes, one a line such as '99 = O+'; empty lines and '#' lines are skipped.

    Raises: BadCode naming the line.
    """
    found: dict[str, Group] = {}
    for place, line in enumerate(text.splitlines(), start=1):
        said = line.strip()
        if not said or said.startswith("#"):
            continue
        match = GROUP_LINE.fullmatch(said)
        if match is None:
            raise BadCode(f"Line {place}: {said[:30]!r}; write a code of two characters and a group, such as 99 = O+.")
        if match[1].upper() in found:
            raise BadCode(f"Line {place}: code {match[1]} stands in the list twice.")
        found[match[1].upper()] = Group(match[2].upper(), "+" if match[3] == "+" else "-")
    return found
