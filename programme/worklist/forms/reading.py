"""Times of day as people type them."""

from __future__ import annotations

import re
from dataclasses import dataclass
from datetime import date, datetime, time, timedelta
from zoneinfo import ZoneInfo

CLOCK = re.compile(r"([01]?\d|2[0-3])[:.]([0-5]\d)")
LONGEST_AHEAD = timedelta(hours=12)
"""A bare time further ahead than this lies on the other side of midnight. Chosen here."""


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

    def about(self, now: datetime, zone: ZoneInfo) -> datetime:
        """Return the moment in `zone` about `now`: a bare time over 12 h ahead was yesterday evening.

        Raises ValueError as `in_zone`.
        """
        today = now.astimezone(zone).date()
        moment = self.in_zone(zone, today)
        is_yesterday = self.on is None and moment - now > LONGEST_AHEAD
        return self.in_zone(zone, today - timedelta(days=1)) if is_yesterday else moment
