"""How long the blood bank keeps units for a person, where it did not say."""

from datetime import datetime, time, timedelta


def held_by_rule(for_at: datetime, days: float) -> datetime:
    """Return the last minute of the day that lies so many days after the planned one.

    for_at: in the zone of the site. days: site setting blood_held_days. Common practice; each blood bank has its own.
    """
    last = for_at.date() + timedelta(days=round(days))
    return datetime.combine(last, time(23, 59), tzinfo=for_at.tzinfo)
