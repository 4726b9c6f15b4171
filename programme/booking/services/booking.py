"""Booking a chair for a person, and confirming it with them.

Whoever books holds the unit's row for the moment, so that of two people who book at once the second sees what the first
did: the place is then taken, and they are told what is still free. The rows of chair, day and slot are unique besides.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable
from datetime import date, datetime, time, timedelta
from typing import Any
from zoneinfo import ZoneInfo

from django.core.exceptions import ValidationError
from django.db import IntegrityError, transaction

from patients.models import Patient
from patients.services import change_of, state_of
from programme.booking.models import Booking, BookingState, Occupied
from programme.booking.numeric.calendar import Day, Place, SlotRule, ends_at, slots_covered, slots_on
from programme.booking.numeric.places import refusal, spoken
from programme.booking.numeric.reasons import NONE, Reasons
from programme.booking.numeric.staff import Run, Staffed, most_at_once
from programme.booking.queries.free import SiteCalendar, site_calendar, slot_rules
from programme.booking.queries.placing import ToPlace, people_of
from programme.core import trail
from programme.core.models import Site, User
from programme.core.settings_of_site import site_settings

TAKEN = "This place was taken a moment ago."
MOMENT = timedelta(minutes=2)  # chosen here

Follower = Callable[[Booking, Booking | None, User, datetime], str]
_followers: list[Follower] = []


def follow(follower: Follower) -> None:
    """Register `follower`, called in the transaction in which a booking ends or moves, after it.

    It is given the booking that ended, the one that took its place (None where there is none), who and when, and
    returns a sentence on what became of whatever hung on it, such as ordered blood; '' where nothing did.
    """
    if follower not in _followers:
        _followers.append(follower)


def told(ended: Booking, new: Booking | None, *, actor: User, at: datetime) -> str:
    """Tell every follower that a booking ended or moved; return what they say."""
    return " ".join(filter(None, [follower(ended, new, actor, at) for follower in _followers]))


@transaction.atomic
def book(
    *,
    patient: Patient,
    chair_pk: int,
    on: date,
    slot: int,
    actor: User,
    at: datetime,
    reasons: Reasons = NONE,
) -> Booking:
    """Book a place for a person. reasons: what the day needs, being late or too near another place of theirs.

    Raises ValidationError, saying what is allowed, where the place or the person cannot have it; then nothing is kept.
    """
    hold(patient)
    return make_booking(
        patient=patient, chair_pk=chair_pk, on=on, slot=slot, actor=actor, at=at, reasons=reasons
    )  # fmt: skip


def hold(patient: Patient) -> None:
    """Let nobody else book at this unit, or write about this person, until the transaction ends."""
    Site.objects.select_for_update().get(pk=patient.site_id)
    Patient.objects.select_for_update().get(pk=patient.pk)


def make_booking(
    *,
    patient: Patient,
    chair_pk: int,
    on: date,
    slot: int,
    actor: User,
    at: datetime,
    reasons: Reasons = NONE,
    instead_of: Booking | None = None,
) -> Booking:
    """Check and write a booking inside a transaction that holds the unit and the person.

    instead_of: the booking of this person that has given way to it.
    """
    site = patient.site
    now = at.astimezone(ZoneInfo(site.time_zone))
    settings = site_settings(site, at)
    calendar = site_calendar(site, on, on)
    found = people_of(site, now, settings, only=[patient.pk])
    if not found:
        raise ValidationError(f"{patient.shown_name} is not on the programme now; only who is can be booked.")
    row = found[0]
    place = checked_place(row, calendar, chair_pk, on, slot)
    if faults := reasons.missing(row.seeker, on):
        raise ValidationError(faults)
    booking = Booking(
        patient=patient, chair_id=place.chair_pk, on=on, starts=place.starts, ends=place.ends, made_by=actor,
        made_at=at, chance_over=row.seeker.chance.get(on), latest_safe=row.seeker.latest_safe,
        late_reason=reasons.late_for(row.seeker, on), moved_from=instead_of,
    )  # fmt: skip
    booking.full_clean()
    booking.save()
    occupy(booking, place.holds)
    trail.write([change_of(patient, "book", booking, why=reasons.kept(row.seeker, on))], actor=actor, at=at)
    return booking


def occupy(booking: Booking, slots: Iterable[int], *, said: str = TAKEN) -> None:
    """Take these slots of the booking's chair and day; raise ValidationError, as `said`, where somebody has one."""
    rows = [Occupied(booking=booking, chair_id=booking.chair_id, on=booking.on, slot=slot) for slot in slots]
    try:
        with transaction.atomic():
            Occupied.objects.bulk_create(rows)
    except IntegrityError as error:
        raise ValidationError(said) from error


def occupy_again(booking: Booking) -> None:
    """Take the place that a booking names, where it gave it up; raise ValidationError where somebody else has it."""
    rules = slot_rules(booking.patient.site, booking.on, booking.on)
    covered = slots_covered(booking.on, rules, chair_pk=booking.chair_id, starts=booking.starts, ends=booking.ends)
    where = f"{booking.chair.name} at {booking.starts:%H:%M} on {spoken(booking.on)}"
    said = (
        f"{where} has been given to somebody else meanwhile; nothing was recorded. Allowed is any other place that is "
        "free: book them anew there."
    )
    occupy(booking, covered, said=said)


def checked_place(row: ToPlace, calendar: SiteCalendar, chair_pk: int, on: date, slot: int) -> Place:
    """Return the place if it is free and this person can have it; raise ValidationError with what is allowed."""
    if row.locked:
        raise ValidationError(
            f"No exchange can be booked while the haemolysis lock holds ({row.locked}); a consultant lifts it."
        )
    today = row.seeker.today
    if on < today:
        raise ValidationError(f"{spoken(on)} is in the past; allowed is from today, {spoken(today)}, on.")
    free = calendar.places_free(on, minutes=row.minutes, needs=row.needs)
    place = next((place for place in free if (place.chair_pk, place.slot) == (chair_pk, slot)), None)
    if place is None:
        raise ValidationError(f"{_not_free(row, calendar, chair_pk, on, slot)} {_still_free(row, calendar, on)}")
    said = refusal(row.seeker, place, calendar.open_dates)
    if said:
        raise ValidationError(said)
    return place


def _not_free(row: ToPlace, calendar: SiteCalendar, chair_pk: int, on: date, slot: int) -> str:
    """Say why a place is not to be had."""
    day = calendar.day(on)
    if day is None or not day.open:
        why = "" if day is None or not day.why else f" ({day.why})"
        return f"The unit is closed on {spoken(on)}{why}."
    rules = [rule for rule in slots_on(on, calendar.slots) if rule.chair_pk == chair_pk]
    rule = next((rule for rule in rules if rule.slot == slot), None)
    if rule is None:
        return f"There is no such chair and start on {spoken(on)}."
    ends = ends_at(rule.starts, rule.ends, row.minutes)
    use = next((use for use in calendar.uses if use.takes(chair_pk, on, rule.starts, ends or time.max)), None)
    if use is not None:
        return f"{rule.chair_name} is used for something else on {spoken(on)}: {use.said}."
    if (chair_pk, on, slot) in calendar.taken:
        return _taken(row, calendar, on, rule)
    staffed = calendar.room.get(on)
    if staffed is not None and ends is not None and not staffed.has_room(Run(rule.starts, ends, row.needs)):
        return _no_staff(row, day, staffed, rule.starts, ends)
    closes = "" if day.closes is None else f"; the unit closes at {day.closes:%H:%M}"
    return f"{rule.chair_name} from {rule.starts:%H:%M} is too short for {row.minutes} min{closes}."


def _no_staff(row: ToPlace, day: Day, staffed: Staffed, starts: time, ends: time) -> str:
    """Say how many staff can run at once on a day, and how many they have already."""
    when = f"{spoken(day.on)}{f' ({day.staff_words})' if day.staff_words else ''}"
    if not staffed.most:
        return f"Staff can run no exchange on {when}."
    have, two = most_at_once(staffed.runs, starts, ends), " This one counts for two." if row.needs > 1 else ""
    return (
        f"Staff can run {staffed.most} {'exchange' if staffed.most == 1 else 'exchanges'} at once on {when}; "
        f"from {starts:%H:%M} to {ends:%H:%M} they have {have or 'none'} already.{two}"
    )


def _taken(row: ToPlace, calendar: SiteCalendar, on: date, rule: SlotRule) -> str:
    """Say since when a start is taken, and name nobody whom it was given to."""
    held = [
        one for one in calendar.bookings
        if (one.chair_pk, one.on) == (rule.chair_pk, on) and one.state != BookingState.MISSED
        and one.starts < rule.ends and rule.starts < one.ends
    ]  # fmt: skip
    if any(one.patient_pk == row.pk for one in held):
        return f"They have {rule.chair_name} at {rule.starts:%H:%M} on {spoken(on)} already."
    made = max((one.made_at for one in held if one.made_at is not None), default=None)
    if made is None or row.seeker.now - made < MOMENT:
        return TAKEN
    since = made.astimezone(row.seeker.now.tzinfo)
    return (
        f"{rule.chair_name} at {rule.starts:%H:%M} on {spoken(on)} has been booked for somebody else since "
        f"{spoken(since.date())}, {since:%H:%M}."
    )


def _still_free(row: ToPlace, calendar: SiteCalendar, on: date) -> str:
    free = calendar.places_free(on, minutes=row.minutes, needs=row.needs)
    if not free:
        return "Nothing is free that day; choose another."
    return f"Free that day: {', '.join(f'{place.chair_name} {place.starts:%H:%M}' for place in free)}."


@transaction.atomic
def confirm(*, booking: Booking, version: int, actor: User, at: datetime) -> None:
    """Record that the person knows of their place and will come."""
    hold(booking.patient)
    change_state(
        booking, version, BookingState.CONFIRMED, (BookingState.BOOKED,), action="confirm booking", actor=actor, at=at
    )


def change_state(
    booking: Booking,
    version: int,
    state: BookingState,
    allowed: tuple[BookingState, ...],
    *,
    action: str,
    actor: User,
    at: datetime,
    why: str = "",
    **more: Any,
) -> None:
    """Put a booking into another state, with its entry in the trail; raise ValidationError from a state not allowed."""
    booking.refresh_from_db()
    if booking.state not in allowed:
        words = " or ".join(BookingState(one).label for one in allowed)
        raise ValidationError(f"This booking is {booking.get_state_display()}; that can be done while it is {words}.")
    before = state_of(booking)
    booking.version, booking.state = version, state
    for name, value in more.items():
        setattr(booking, name, value)
    booking.save_changes(["state", *more])
    entry = change_of(booking.patient, action, booking, before=before, why=why)
    trail.write([entry], actor=actor, at=at)
