"""The demo's diary: four chairs, what else happens on them, who is booked, moved or did not come, and what suits whom.

What is ahead is written by the same services as the pages; what lies back, which the services rightly refuse to book,
is stored as the unit would have it, with its entry in the trail.
"""

from __future__ import annotations

from datetime import date, datetime, time, timedelta

from django.core.exceptions import ValidationError
from django.db import transaction

from patients.models import Patient
from patients.services import change_of
from programme.booking.models import (
    STANDING,
    Booking,
    BookingState,
    Chair,
    ClosedDay,
    OpeningHours,
    OtherUse,
    Slot,
    StaffLimit,
)
from programme.booking.numeric.reasons import Reasons
from programme.booking.queries.free import open_days, site_calendar
from programme.booking.queries.placing import everyone_to_place, places_for
from programme.booking.services import booking as bookings
from programme.booking.services import chairs, contacts, moves, wishes
from programme.core import trail
from programme.core.models import Role, Site, User
from programme.core.settings_of_site import site_settings

OPEN_SINCE_DAYS = 400
WEEKS = 5
LEFT_OPEN = 3  # every so many of those due still need a place
CHAIR_STARTS = (time(8, 30), time(9, 0), time(9, 0), time(9, 30))
TODAYS = ("SM-042", "SM-036", "SM-008", "SM-023")
BY_MACHINE = ("SM-055", "SM-033")
ARRIVED = ("SM-008", "SM-023", *BY_MACHINE)
MISSED = "SM-017"
LATE = "fallen behind while two chairs were out of use; the first place that there is"


@transaction.atomic
def load_diary(*, site: Site, today: date, at: datetime) -> None:
    """Write the diary of the invented unit; `at` is the present, local to the site."""
    coordinator = User.objects.get(site=site, role=Role.COORDINATOR)
    rows = _set_up(site, today, coordinator, at)
    people = {row.patient_ref: row for row in Patient.objects.of_site(site).select_related("site")}
    _wish(people, today, coordinator, at)
    _book_today(people, rows + _machines(site, today, coordinator, at), today, coordinator, at)
    _did_not_come(people[MISSED], rows[1], today, coordinator, at)
    _came_before(people, rows, today, coordinator, at)
    _book_ahead(site, people, today, coordinator, at)


def _set_up(site: Site, today: date, actor: User, at: datetime) -> list[Chair]:
    since, monday = today - timedelta(days=OPEN_SINCE_DAYS), today + timedelta(days=7 - today.weekday())
    rows = [
        chairs.add(row=Chair(site=site, name=f"Chair {n}", since=since, note=note), actor=actor, at=at)
        for n, note in enumerate(("by the window", "", "", "reclines fully"), start=1)
    ]
    leave, starts = monday + timedelta(days=7), zip(rows, CHAIR_STARTS, strict=True)
    others: list[chairs.Rule] = [
        *(Slot(chair=row, starts=start, ends=time(15), since=since) for row, start in starts),
        *(OpeningHours(site=site, weekday=day, opens=time(8), closes=time(18), since=since) for day in range(5)),
        OtherUse(chair=rows[3], weekday=2, since=monday, words="iron infusions"),
        StaffLimit(site=site, since=leave, until=leave + timedelta(days=4), most=3, words="one nurse on leave"),
        ClosedDay(site=site, on=monday + timedelta(days=17), words="training day"),
    ]  # fmt: skip
    for row in others:
        chairs.add(row=row, actor=actor, at=at)
    return rows


def _machines(site: Site, today: date, actor: User, at: datetime) -> list[Chair]:
    """Two places more, for today only: the machines go from one unit of the invented region to the next."""
    rows = []
    for name in ("Machine 1", "Machine 2"):
        row = Chair(site=site, name=name, since=today, until=today, note="the machine is here today")
        rows.append(chairs.add(row=row, actor=actor, at=at))
        slot = Slot(chair=row, starts=time(9), ends=time(15), since=today)
        chairs.add(row=slot, actor=actor, at=at)
    return rows


def _wish(people: dict[str, Patient], today: date, actor: User, at: datetime) -> None:
    wishes.set_wishes(
        patient=people["SM-002"], version=0, earliest=time(9), travel="two hours by bus", actor=actor, at=at
    )
    wishes.set_wishes(patient=people["SM-021"], version=0, weekdays=[0, 4], note="lectures midweek", actor=actor, at=at)
    wishes.set_wishes(
        patient=people["SM-034"],
        version=0,
        needs_two_nurses=True,
        travel="brought by the grandmother",
        actor=actor,
        at=at,
    )
    first = today + timedelta(days=14 - today.weekday())
    wishes.add_away(
        patient=people["SM-034"],
        since=first,
        until=first + timedelta(days=4),
        cannot=False,
        words="school tests",
        actor=actor,
        at=at,
    )
    wishes.add_away(
        patient=people["SM-005"],
        since=first,
        until=first + timedelta(days=9),
        words="visiting family",
        actor=actor,
        at=at,
    )


def _stored(patient: Patient, chair: Chair, on: date, state: str, actor: User, made_at: datetime) -> Booking:
    """A booking as it would have been made some days ago."""
    slot = chair.slots.get()
    row = Booking(
        patient=patient, chair=chair, on=on, starts=slot.starts, ends=time(15), state=state, made_by=actor,
        made_at=made_at,
    )  # fmt: skip
    row.full_clean()
    row.save()
    if state in (*STANDING, BookingState.CAME):
        bookings.occupy(row, [slot.number])
    trail.write([change_of(patient, "book", row)], actor=actor, at=made_at)
    return row


def _book_today(people: dict[str, Patient], rows: list[Chair], today: date, actor: User, at: datetime) -> None:
    """The six whose day the demo shows, where the unit is open today."""
    if not open_days(actor.site, today, today)[0].open:
        return
    for ref, chair in zip((*TODAYS, *BY_MACHINE), rows, strict=True):
        state = BookingState.CAME if ref in ARRIVED else BookingState.CONFIRMED
        _stored(people[ref], chair, today, state, actor, at - timedelta(days=9))


def _did_not_come(patient: Patient, chair: Chair, today: date, actor: User, at: datetime) -> None:
    """One who missed a visit four days ago and was tried twice since."""
    on = next(
        day.on
        for day in reversed(open_days(actor.site, today - timedelta(days=14), today - timedelta(days=4)))
        if day.open
    )
    row = _stored(patient, chair, on, BookingState.MISSED, actor, at - timedelta(days=20))
    for back, outcome, words in ((3, "tried", ""), (1, "left_word", "left word with a neighbour")):
        when = at - timedelta(days=back)
        contacts.log_contact(patient=patient, booking=row, outcome=outcome, words=words, actor=actor, at=when)


def _came_before(people: dict[str, Patient], rows: list[Chair], today: date, actor: User, at: datetime) -> None:
    """Who is in a chair today had it for each session of the last year, and once did not come the week before."""
    for ref, chair in zip(TODAYS, rows, strict=True):
        past = people[ref].exchange_sessions.carried_out().filter(on__gte=today - timedelta(days=364), on__lt=today)
        days = list(past.order_by("on").values_list("on", flat=True))
        for on in days:
            _stored(people[ref], chair, on, BookingState.CAME, actor, at - timedelta(days=(today - on).days + 20))
        if len(days) > LEFT_OPEN:
            missed = days[LEFT_OPEN] - timedelta(days=7)
            _stored(people[ref], chair, missed, BookingState.MISSED, actor, at - timedelta(days=300))


def _book_ahead(site: Site, people: dict[str, Patient], today: date, actor: User, at: datetime) -> None:
    """The best place for most of those due; one is moved, some are confirmed, some wait for an earlier place."""
    last = today + timedelta(days=7 * WEEKS - 1)
    settings, calendar = site_settings(site, at), site_calendar(site, today, last)
    made: list[Booking] = []
    for place, row in enumerate(everyone_to_place(calendar, site, at, settings)):
        places = places_for(row, site_calendar(site, today, last))
        found = [one for one in places if row.seeker.booked_near(one.place.on) is None]
        safe = next((one for one in found if not one.late), None)
        best = safe or next(iter(found), None)
        if place % LEFT_OPEN == LEFT_OPEN - 1 or best is None or row.patient_ref == MISSED:
            continue
        made.append(
            bookings.book(
                patient=people[row.patient_ref],
                chair_pk=best.place.chair_pk,
                on=best.place.on,
                slot=best.place.slot,
                actor=actor,
                at=at,
                reasons=Reasons(late="" if safe else LATE, far_late_known=best.far_late),
            )
        )
    for booking in made[::3]:
        bookings.confirm(booking=booking, version=booking.version, actor=actor, at=at)
    _move_one(site, made, today, last, actor, at)
    if made:
        wishes.wait(patient=made[-1].patient, words="can come at a day’s notice", actor=actor, at=at)


def _move_one(site: Site, made: list[Booking], today: date, last: date, actor: User, at: datetime) -> None:
    """Move the first that can have another safe day."""
    for booking in made[1::3]:
        calendar = site_calendar(site, today, last)
        free = [place for place in calendar.places(since=today, minutes=360) if place.on < booking.on]
        for place in reversed(free):
            try:
                moves.move(
                    booking=booking, version=booking.version, chair_pk=place.chair_pk, on=place.on, slot=place.slot,
                    ended_by="person", reason="asked for another day", actor=actor, at=at,
                )  # fmt: skip
            except ValidationError:
                booking.refresh_from_db()
                continue
            return
