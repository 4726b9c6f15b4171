"""Days and times of day as people type them."""

from __future__ import annotations

import re
from dataclasses import dataclass
from datetime import date, datetime, time
from zoneinfo import ZoneInfo

MONTHS = ("jan", "feb", "mar", "apr", "may", "jun", "jul", "aug", "sep", "oct", "nov", "dec")
ISO_DAY = re.compile(r"(\d{4})-(\d{1,2})-(\d{1,2})")
NUMBER_DAY = re.compile(r"(\d{1,2})[/.](\d{1,2})[/.](\d{4})")
WORD_DAY = re.compile(r"(\d{1,2})\s+([A-Za-z]{3,9})\.?\s+(\d{4})")
CLOCK = re.compile(r"([01]?\d|2[0-3])[:.]([0-5]\d)")


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


@dataclass(frozen=True, slots=True)
class TypedMoment:
    """A time of day as typed; `on` None means the day that the form is about."""

    at: time
    on: date | None = None

    def in_zone(self, zone: ZoneInfo, day: date) -> datetime:
        """Return the moment in `zone`; raise ValueError for an hour that the change of clocks leaves out."""
        moment = datetime.combine(self.on or day, self.at, tzinfo=zone)
        there_and_back = moment.astimezone(ZoneInfo("UTC")).astimezone(zone)
        if there_and_back.replace(tzinfo=None) != moment.replace(tzinfo=None):
            raise ValueError(f"{self.at:%H:%M} did not exist on that day: the clocks went forward.")
        return moment


def written_day(on: date | None) -> str:
    """Write a day as the fields show it: '14 Mar 2011'."""
    return "" if on is None else f"{on.day} {on:%b} {on.year}"
