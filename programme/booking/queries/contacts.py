"""Who did not come and has to be reached, when it goes to the consultant, and who waits for an earlier place."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date, datetime, timedelta
from zoneinfo import ZoneInfo

from django.db.models import Exists, OuterRef, Q

from patients.models import Patient, Standing
from programme.booking.models import Booking, Contact, Waiting
from programme.booking.numeric.missed import is_child, to_consultant_on
from programme.booking.numeric.places import RankedPlace
from programme.booking.queries.blood import holidays_around
from programme.booking.queries.free import SiteCalendar, site_calendar
from programme.booking.queries.placing import ToPlace, people_of, places_for
from programme.core.models import Site
from programme.core.settings_of_site import site_settings

WEEKS_AHEAD = 5


@dataclass(frozen=True, slots=True)
class ToReach:
    """Somebody who did not come and has no place. to_consultant_on: the day from which it is the consultant's too."""

    patient_ref: str
    name: str
    missed_on: date
    latest_safe: date | None
    tries: int
    last_outcome: str
    last_on: date | None
    next_try_on: date
    to_consultant_on: date
    is_child: bool
    today: date

    @property
    def is_escalated(self) -> bool:
        return self.to_consultant_on <= self.today

    @property
    def is_due(self) -> bool:
        return self.next_try_on <= self.today


@dataclass(frozen=True, slots=True)
class Waits:
    """Somebody who would take an earlier place. earlier: the best free one before theirs."""

    pk: int
    version: int
    patient_ref: str
    name: str
    since: date
    not_before: date | None
    words: str
    booked_on: date | None
    booking_pk: int | None
    earlier: RankedPlace | None


@dataclass(frozen=True, slots=True)
class ContactsPage:
    """Who has to be reached, the consultant's first, and who waits."""

    to_reach: tuple[ToReach, ...]
    waiting: tuple[Waits, ...]
    escalate_after_days: int


def read_contacts(site: Site, now: datetime) -> ContactsPage:
    """Return who did not come and has no place, and the waiting list. Fixed number of queries.

    now: local to the site.
    """
    settings, today = site_settings(site, now), now.date()
    rows = {row.pk: row for row in people_of(site, now, settings)}
    after = round(settings["escalate_after_days"])
    return ContactsPage(_to_reach(site, rows, today, after), _waiting(site, rows, today), after)


def _to_reach(site: Site, rows: Mapping[int, ToPlace], today: date, after_days: int) -> tuple[ToReach, ...]:
    """Who did not come since the last exchange and has no booking."""
    missed = {pk: row.missed_on for pk, row in rows.items() if row.missed_on is not None and row.next_booked is None}
    tries = _tries(site, min(missed.values(), default=today))
    born = dict(Patient.objects.of_site(site).filter(pk__in=missed).values_list("pk", "birth_date"))
    holidays = holidays_around(site, today)
    found = []
    for pk, missed_on in missed.items():
        made = [one for one in tries[pk] if _day(one, site) >= missed_on]
        last = made[-1] if made else None
        found.append(
            ToReach(
                patient_ref=rows[pk].patient_ref,
                name=rows[pk].name,
                missed_on=missed_on,
                latest_safe=rows[pk].seeker.latest_safe,
                tries=len(made),
                last_outcome="" if last is None else last.get_outcome_display(),
                last_on=None if last is None else _day(last, site),
                next_try_on=today if last is None else last.next_try_on or today,
                to_consultant_on=to_consultant_on(missed_on, after_days, holidays),
                is_child=is_child(born[pk], today),
                today=today,
            )
        )
    return tuple(sorted(found, key=lambda one: (one.to_consultant_on, one.name.casefold())))


def _waiting(site: Site, rows: Mapping[int, ToPlace], today: date) -> tuple[Waits, ...]:
    """Who would take an earlier place, longest first, each with the best one that is free before theirs."""
    calendar = site_calendar(site, today, today + timedelta(days=7 * WEEKS_AHEAD))
    waiting = Waiting.objects.filter(patient__site=site, ended_on__isnull=True).select_related("patient")
    found = []
    for one in waiting.order_by("since", "pk"):
        row = rows.get(one.patient_id)
        held = None if row is None else row.next_booked
        before = calendar.last if held is None else held.on - timedelta(days=1)
        after = one.not_before or today
        places = () if row is None else places_for(row, calendar, giving_up=None if held is None else held.on)
        found.append(
            Waits(
                pk=one.pk,
                version=one.version,
                patient_ref=one.patient.patient_ref,
                name=one.patient.shown_name,
                since=one.since,
                not_before=one.not_before,
                words=one.words,
                booked_on=None if held is None else held.on,
                booking_pk=None if held is None else held.pk,
                earlier=next((place for place in places if after <= place.place.on <= before), None),
            )
        )
    return tuple(found)


def who_waits(freed: Booking, now: datetime) -> tuple[str, ...]:
    """Return who would take a place that fell away: it is earlier than theirs, and they can have one on its day.

    Who waits longest first. now: local to the site.
    """
    site, today = freed.patient.site, now.date()
    held = Booking.objects.standing().filter(patient=OuterRef("patient"), on__range=(today, freed.on))
    rows = Waiting.objects.filter(
        Q(not_before__isnull=True) | Q(not_before__lte=freed.on), ~Exists(held),
        patient__site=freed.patient.site_id, patient__standing=Standing.ACTIVE, ended_on__isnull=True,
    ).exclude(patient=freed.patient_id)  # fmt: skip
    waiting = list(rows.select_related("patient").order_by("since", "pk"))
    people = people_of(site, now, site_settings(site, now), only=[row.patient_id for row in waiting])
    calendar = site_calendar(site, freed.on, freed.on)
    can = {row.pk for row in people if _has_place_on(row, calendar, freed.on)}
    return tuple(row.patient.shown_name for row in waiting if row.patient_id in can)


def _has_place_on(row: ToPlace, calendar: SiteCalendar, on: date) -> bool:
    held = row.next_booked
    places = places_for(row, calendar, giving_up=None if held is None else held.on)
    return any(one.place.on == on for one in places)


def _tries(site: Site, since: date) -> defaultdict[int, list[Contact]]:
    found: defaultdict[int, list[Contact]] = defaultdict(list)
    midnight = datetime(since.year, since.month, since.day, tzinfo=ZoneInfo(site.time_zone))
    for row in Contact.objects.filter(patient__site=site, at__gte=midnight).order_by("at", "pk"):
        found[row.patient_id].append(row)
    return found


def _day(row: Contact, site: Site) -> date:
    return row.at.astimezone(ZoneInfo(site.time_zone)).date()
