"""Figures, days and counts as the pages say them. Nothing here is read from a clock."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import date

COUNTS = (
    "none", "one", "two", "three", "four", "five", "six", "seven", "eight", "nine", "ten", "eleven", "twelve",
    "thirteen", "fourteen", "fifteen", "sixteen", "seventeen", "eighteen", "nineteen", "twenty",
)  # fmt: skip
DAYS_A_MONTH = 365.25 / 12


def count_words(n: int) -> str:
    """Return a count as a word up to twenty, in figures beyond."""
    return COUNTS[n] if 0 <= n < len(COUNTS) else str(n)


def figure(value: float, places: int = 0) -> str:
    """Return `value` with `places` decimals, a true minus and no minus on a zero."""
    text = f"{value:.{places}f}"
    if float(text) == 0:
        text = text.lstrip("-")
    return text.replace("-", "\u2212")


def chance_words(chance: float) -> str:
    """Return a chance (0..1) in 100 as whole number; 'under 1' and 'over 99' at the ends, where 0 and 100 would lie."""
    hundred = 100 * chance
    if hundred < 1:
        return "under 1"
    return "over 99" if hundred > 99 else f"{hundred:.0f}"


def day_words(day: date, today: date) -> str:
    """Return 'Fri 19 Dec', with the year when it is not this one."""
    year = "" if day.year == today.year else f" {day.year}"
    return f"{day:%a} {day.day} {day:%b}{year}"


def short_day_words(day: date, today: date) -> str:
    """Return 'today', or '19 Dec' with the year when it is not this one."""
    if day == today:
        return "today"
    year = "" if day.year == today.year else f" {day.year}"
    return f"{day.day} {day:%b}{year}"


def full_day_words(day: date) -> str:
    """Return '19 Dec 2025'."""
    return f"{day.day} {day:%b %Y}"


def span_words(first: date, last: date, today: date) -> str:
    """Return '25\u201328 Nov' or '26 Nov\u20135 Dec'."""
    if first == last:
        return short_day_words(first, today)
    if (first.year, first.month) == (last.year, last.month):
        return f"{first.day}\u2013{last.day} {last:%b}" + ("" if last.year == today.year else f" {last.year}")
    return f"{first.day} {first:%b}\u2013{last.day} {last:%b}" + ("" if last.year == today.year else f" {last.year}")


def age_words(days: int) -> str:
    """Return how old something is: days up to four weeks, then weeks, from four months on months."""
    if days <= 28:
        return f"{days} day" + ("" if days == 1 else "s")
    if days < 4 * DAYS_A_MONTH:
        return f"{days // 7} weeks"
    return f"{int(days // DAYS_A_MONTH)} months"


def capital(text: str) -> str:
    """Return `text` with its first letter large."""
    return text[:1].upper() + text[1:]


def missing_words(has_come: Mapping[str, bool], on: date, today: date) -> str:
    """Say which results after the session of a day have not come, in the order given; '' where all have."""
    missing = [name for name, here in has_come.items() if not here]
    after = f"after the session of {day_words(on, today)}"
    if not missing:
        return ""
    if len(missing) == len(has_come):
        return f"results {after} have not come"
    return f"{' and '.join(missing)} {after} {'has' if len(missing) == 1 else 'have'} not come"
