"""Times of day as people type them."""

from __future__ import annotations

import re
from dataclasses import dataclass
from datetime import date, datetime, time
from zoneinfo import ZoneInfo

CLOCK = re.compile(r"([01]?\d|2[0-3])[:.]([0-5]\d)")


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
