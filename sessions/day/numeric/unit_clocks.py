"""The clocks of one unit at the chair, and how long the crossmatch sample behind it holds.

A unit ends within 4 h, at most 50 mL go in during its first 15 minutes: clinical pages of NZ Blood. Counting the 4 h
from leaving storage, and a limit for the start, are common practice; all are site settings. The sample must be valid at
the start of each unit: 3 days when transfused or pregnant in the last 3 months (Milkins et al., Transfus Med
2013;23:3-35, as quoted). Laboratories count that by the clock, or by calendar days with the day of the sample as the
first (a notice of Exeter laboratory, 2015: Monday's sample to the end of Wednesday).
"""

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import UTC, date, datetime, time, timedelta


@dataclass(frozen=True, slots=True)
class UnitClocks:
    """When the clocks of a unit run out. None: cannot be said, because it was not recorded when it left storage.

    slow_until: end of the slow start, at most slow_ml of it before; None until it is started.
    from_start: end_by counts from the start of the unit, for want of the moment at which it left storage.
    """

    start_by: datetime | None
    end_by: datetime | None
    slow_until: datetime | None
    slow_ml: float
    from_start: bool


def unit_clocks(
    *, out_of_storage_at: datetime | None, started_at: datetime | None, settings: Mapping[str, float]
) -> UnitClocks:
    """Return the clocks of one unit. Where it is not known when it left storage, the end counts from the start.

    settings: site settings unit_start_limit_min, unit_end_hours, slow_first_min, slow_first_ml.
    """
    first = out_of_storage_at or started_at
    limit, hours = timedelta(minutes=settings["unit_start_limit_min"]), timedelta(hours=settings["unit_end_hours"])
    return UnitClocks(
        start_by=None if out_of_storage_at is None else later(out_of_storage_at, limit),
        end_by=None if first is None else later(first, hours),
        slow_until=None if started_at is None else later(started_at, timedelta(minutes=settings["slow_first_min"])),
        slow_ml=settings["slow_first_ml"],
        from_start=out_of_storage_at is None and started_at is not None,
    )


def later(moment: datetime, by: timedelta) -> datetime:
    """Return a moment so much later, in the same zone: real time passes, also over a change of clocks."""
    return (moment.astimezone(UTC) + by).astimezone(moment.tzinfo)


def minutes_between(first: datetime, last: datetime) -> float:
    """Return the real time from `first` to `last`. [min]

    Two moments of one zone are compared by their clocks in Python, so an hour that is repeated would count as none.
    """
    return (last.astimezone(UTC) - first.astimezone(UTC)) / timedelta(minutes=1)


def sample_valid_before(taken_at: datetime, *, hours: float, by_calendar_day: bool) -> datetime:
    """Return the last moment of a sample by the clock, or the midnight that ends its last calendar day.

    taken_at: with the site's own time zone, in which calendar days are counted; hours: site setting. By the clock, real
    hours count, also over a change of clocks. By calendar days the hours are rounded up to whole days, the first of
    them the day of the sample.
    """
    if not by_calendar_day:
        return later(taken_at, timedelta(hours=hours))
    days = -int(-hours // 24)
    return datetime.combine(taken_at.date() + timedelta(days=days), time(0), tzinfo=taken_at.tzinfo)


def sample_is_valid(taken_at: datetime, at: datetime, *, hours: float, by_calendar_day: bool) -> bool:
    """Say whether a sample taken at `taken_at` holds for a unit started at `at`; at its last moment it still does.

    By calendar days the last moment is the one before midnight.
    """
    end = sample_valid_before(taken_at, hours=hours, by_calendar_day=by_calendar_day)
    inside = at < end if by_calendar_day else at <= end
    return taken_at <= at and inside


def is_expired(expires_on: date, expires_at: time | None, now: datetime) -> bool:
    """Say whether a unit is past its expiry at the local moment `now`: its whole last day counts, or to the minute."""
    if expires_at is None:
        return now.date() > expires_on
    return now > datetime.combine(expires_on, expires_at, tzinfo=now.tzinfo)


DISCARD = (
    "It may not be returned to stock and is discarded, unless the blood bank decides otherwise: then say who decided. "
    "Local policy holds."
)
"""The 30 minute rule: red cells out of temperature control for longer are discarded (Thomas et al., Transfusion 2013,
doi 10.1111/j.1537-2995.2012.03890.x, abstract); 60 minutes in Canada since 2016 (CSA Z902-15, as told by Canadian Blood
Services)."""


def clock_faults(clocks: UnitClocks, at: datetime) -> tuple[str, ...]:
    """Return what keeps a unit from being started at `at`: nothing, or that it can no longer end in time."""
    if clocks.end_by is not None and minutes_between(clocks.end_by, at) >= 0.0:
        return (
            f"This unit had to end by {clocks.end_by:%H:%M}, counted from storage: it may not be started any more.",
        )
    return ()


def out_too_long(out_at: datetime | None, back_at: datetime, *, limit_min: float) -> str:
    """Return why a unit that was not started may not go back to stock, '' where it was back within the limit.

    out_at: when it left controlled storage, None where nobody recorded it. Both in the zone in which they are said.
    limit_min: site setting unit_return_limit_min. At the limit itself it is back in time.
    """
    if out_at is None:
        return (
            "It was not recorded when this unit left controlled storage, so nobody can say that it was back in time. "
            f"{DISCARD}"
        )
    minutes = minutes_between(out_at, back_at)
    if minutes <= limit_min:
        return ""
    return (
        f"Out of controlled storage from {out_at:%H:%M} to {back_at:%H:%M}, {minutes:.0f} min; the limit here is "
        f"{limit_min:.0f} min. {DISCARD}"
    )


def hung_words(
    place: int, *, out_of_storage_at: datetime | None, started_at: datetime | None, ended_at: datetime | None,
    hours: float,
) -> str:  # fmt: skip
    """Return the sentence for a unit that ended later than `hours` [h] after leaving storage, or after its start where
    nobody noted that; '' where it ended in time or nothing can be said."""
    first = out_of_storage_at or started_at
    if first is None or ended_at is None or (minutes := minutes_between(first, ended_at)) <= 60.0 * hours:
        return ""
    since = "left storage" if out_of_storage_at is not None else "was started"
    took = f"{int(minutes // 60)} h {int(minutes % 60):02d} min"
    return f"unit {place} ended {took} after it {since}; allowed is {hours:g} h"


def late_start(clocks: UnitClocks, at: datetime) -> str:
    """Return the sentence for a start past the site's limit, '' within it or where nothing can be said."""
    minutes = 0.0 if clocks.start_by is None else minutes_between(clocks.start_by, at)
    if clocks.start_by is None or minutes <= 0.0:
        return ""
    return (
        f"Out of storage {minutes:.0f} min longer than the limit for starting ({clocks.start_by:%H:%M}); it must still "
        "end in time. Say why it is started, or put it away."
    )
