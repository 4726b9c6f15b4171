"""Days as people type them, and as every field and page writes them."""

import re
from datetime import date

MONTHS = ("jan", "feb", "mar", "apr", "may", "jun", "jul", "aug", "sep", "oct", "nov", "dec")
ISO_DAY = re.compile(r"(\d{4})-(\d{1,2})-(\d{1,2})")
NUMBER_DAY = re.compile(r"(\d{1,2})[/.](\d{1,2})[/.](\d{4})")
WORD_DAY = re.compile(r"(\d{1,2})\s+([A-Za-z]{3,9})\.?\s+(\d{4})")


def read_day(text: str) -> date:
    """Return the day in '14 Mar 2011', '2011-03-14' or '14/03/2011' (day first); raise ValueError with a sentence."""
    text = text.strip()
    if found := ISO_DAY.fullmatch(text):
        year, month, day = (int(part) for part in found.groups())
    elif found := NUMBER_DAY.fullmatch(text):
        day, month, year = (int(part) for part in found.groups())
    elif (found := WORD_DAY.fullmatch(text)) and found[2][:3].lower() in MONTHS:
        day, month, year = int(found[1]), MONTHS.index(found[2][:3].lower()) + 1, int(found[3])
    else:
        raise ValueError(f"{text[:24]!r} is not a date. Write it as 14 Mar 2011, 14/03/2011 or 2011-03-14.")
    try:
        return date(year, month, day)
    except ValueError:
        raise ValueError(f"{text[:24]!r} is not a day of the calendar.") from None


def written_day(on: date | None) -> str:
    """Write a day as the fields show it: '14 Mar 2011'."""
    return "" if on is None else f"{on.day} {on:%b} {on.year}"
