"""The places that one person can have, and one booking of theirs. Fixed number of queries."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from datetime import date, datetime, timedelta
from zoneinfo import ZoneInfo

from patients.models import Patient
from programme.booking.models import STANDING, Booking, BookingState
from programme.booking.numeric.calendar import Place
from programme.booking.numeric.places import FreePlace, RankedPlace
from programme.booking.queries.chairs import displaced
from programme.booking.queries.free import site_calendar
from programme.booking.queries.no_place import why_no_place
from programme.booking.queries.placing import ToPlace, every_place_for, people_of, places_for, without
from programme.core.settings_of_site import site_settings
from sessions.models import ExchangeSession, State

AHEAD_DAYS = 35  # at least so far, and three weeks beyond the last safe day; chosen here
BEYOND_DAYS = 21
RANKED_SHOWN = 8


@dataclass(frozen=True, slots=True)
class PlacesPage:
    """Where one person can be booked. row: None for somebody who is not on the programme now.

    in_series: the first of each day for a further session of a series that has begun. has_other: they have another
    place, so that a reason may be needed for one so near to it. why_none: which limit holds, where they can have no
    place at all.
    """

    row: ToPlace | None
    ranked: tuple[RankedPlace, ...]
    others: tuple[FreePlace, ...]
    until: date
    has_other: bool = False
    why_none: str = ""
    in_series: tuple[FreePlace, ...] = ()

    @property
    def any_far_late(self) -> bool:
        return any(one.far_late for one in (*self.ranked, *self.others))


def read_places(patient: Patient, now: datetime, *, instead_of: Booking | None = None) -> PlacesPage:
    """Return the places for a person, ranked, then every other; instead_of: the booking that would give way."""
    today, settings = now.date(), site_settings(patient.site, now)
    row = next(iter(people_of(patient.site, now, settings, only=[patient.pk])), None)
    until = today + timedelta(days=AHEAD_DAYS)
    if row is None:
        return PlacesPage(None, (), (), until)
    until = max(until, (row.due_by or today) + timedelta(days=BEYOND_DAYS))
    calendar = site_calendar(patient.site, today, until)
    given = None
    if instead_of is not None:
        calendar, given = calendar.without(instead_of.pk), instead_of.on
    found = [
        one for one in places_for(row, calendar, giving_up=given)
        if instead_of is None or _key(one.place) != (instead_of.on, instead_of.chair_id, instead_of.starts)
    ][:RANKED_SHOWN]  # fmt: skip
    shown = {one.place.key for one in found}
    more = [one for one in every_place_for(row, calendar, giving_up=given) if one.place.key not in shown]
    further = _first_of_each_day(one for one in more if row.seeker.goes_on(one.place.on))
    others = tuple(one for one in more if one not in further)
    why = "" if found or more or row.locked else why_no_place(row, calendar)
    return PlacesPage(row, tuple(found), others, until, bool(without(row.seeker, given).booked), why, further)


def _first_of_each_day(found: Iterable[FreePlace]) -> tuple[FreePlace, ...]:
    of_day: dict[date, FreePlace] = {}
    for one in sorted(found, key=lambda one: one.place.key):
        of_day.setdefault(one.place.on, one)
    return tuple(of_day.values())


def _key(place: Place) -> tuple[date, int, object]:
    return (place.on, place.chair_pk, place.starts)


@dataclass(frozen=True, slots=True)
class BookingPage:
    """One booking with what may be done about it now. called_off: why its session was cancelled, '' where none was."""

    booking: Booking
    places: PlacesPage | None
    stands: bool
    trouble: str
    called_off: str
    may_confirm: bool
    may_say_came: bool
    may_say_missed: bool
    earlier: Booking | None
    later: Booking | None


def trouble_of(booking: Booking, today: date) -> str:
    """Why a standing booking cannot be kept, in words; '' where it can."""
    found = displaced(booking.patient.site, today, only=booking.patient_id)
    return next((one.why for one in found if one.booking.pk == booking.pk), "")


def has_begun(booking: Booking, at: datetime) -> bool:
    """Whether the booked start has passed; before it nobody has missed it."""
    zone = ZoneInfo(booking.patient.site.time_zone)
    return at >= booking.starts_at(zone)


def read_booking(booking: Booking, now: datetime) -> BookingPage:
    """Return a booking, what can be done with it today and, while it stands, the places it could move to."""
    stands, today = booking.state in STANDING, now.date()
    arrived = booking.on <= today
    return BookingPage(
        booking=booking,
        places=read_places(booking.patient, now, instead_of=booking) if stands else None,
        stands=stands,
        trouble=trouble_of(booking, today) if stands else "",
        called_off=_called_off(booking),
        may_confirm=booking.state == BookingState.BOOKED,
        may_say_came=arrived and (stands or booking.state == BookingState.MISSED),
        may_say_missed=has_begun(booking, now) and (stands or booking.state == BookingState.CAME),
        earlier=booking.moved_from,
        later=getattr(booking, "moved_to", None),
    )


def _called_off(booking: Booking) -> str:
    sessions = ExchangeSession.objects.filter(patient=booking.patient_id, on=booking.on, state=State.CANCELLED)
    return sessions.order_by("-pk").values_list("ended_reason", flat=True).first() or ""
