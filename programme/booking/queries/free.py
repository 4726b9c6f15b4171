"""The calendar of a unit: open days, what every chair is used for, who is booked, and the places that are free."""

from __future__ import annotations

from collections import defaultdict
from dataclasses import dataclass, replace
from datetime import date, datetime, time, timedelta
from functools import lru_cache
from typing import TypeVar

import holidays
from django.db.models import Model, Q, QuerySet

from patients.models import Patient, Standing
from programme.booking.models import (
    STANDING,
    Booking,
    BookingState,
    Chair,
    ClosedDay,
    Occupied,
    OpeningHours,
    OtherUse,
    Slot,
    StaffLimit,
)
from programme.booking.numeric.calendar import (
    Closed,
    Dates,
    Day,
    Opening,
    Place,
    SlotRule,
    Staff,
    Taken,
    Use,
    days,
    free_places,
    slots_covered,
    staff_of,
)
from programme.booking.numeric.staff import Run, Staffed
from programme.core.models import Site
from programme.planning.inputs import DIARY_DAYS
from programme.planning.models import Suggestion

Row = TypeVar("Row", bound=Model)

SAMPLE_REACH_DAYS = 15  # a place's crossmatch sample is taken at most so long before; its days are read too


@dataclass(frozen=True, slots=True)
class Booked:
    """A booking as the diary shows it. needs: how many of the exchanges at once it counts for.

    off_programme: that the person has left or is paused, in words; '' while they are on the programme.
    """

    pk: int
    version: int
    patient_pk: int
    patient_ref: str
    name: str
    chair_pk: int
    on: date
    starts: time
    ends: time
    state: str
    needs: int
    chance_over: float | None
    latest_safe: date | None
    late_reason: str
    chair: str = ""
    made_at: datetime | None = None
    off_programme: str = ""

    @property
    def stands(self) -> bool:
        return self.state in STANDING

    @property
    def runs(self) -> bool:
        """Whether staff are needed for it: it stands, or they came."""
        return self.stands or self.state == BookingState.CAME

    @property
    def run(self) -> Run:
        return Run(self.starts, self.ends, self.needs)

    @property
    def state_words(self) -> str:
        return BookingState(self.state).label


@dataclass(frozen=True, slots=True)
class SiteCalendar:
    """A unit from a first to a last day. chairs: (key, name) in their order; moved and cancelled ones are left out.

    before: the days before the first, on which the crossmatch samples of its first places are taken.
    """

    first: date
    last: date
    days: tuple[Day, ...]
    chairs: tuple[tuple[int, str], ...]
    slots: tuple[SlotRule, ...]
    uses: tuple[Use, ...]
    taken: frozenset[Taken]
    bookings: tuple[Booked, ...]
    before: tuple[Day, ...] = ()

    @property
    def room(self) -> dict[date, Staffed]:
        """The staff of each day with the exchanges booked on it; days on which staff are no limit are left out."""
        runs: defaultdict[date, list[Run]] = defaultdict(list)
        for row in self.bookings:
            if row.runs:
                runs[row.on].append(row.run)
        return staff_of(self.days, runs)

    @property
    def open_dates(self) -> frozenset[date]:
        """Days on which samples can be taken for its places: open ones, those before the first too."""
        return frozenset(day.on for day in (*self.before, *self.days) if day.open)

    def without(self, booking_pk: int) -> SiteCalendar:
        """The same calendar as if one booking were given up."""
        gone = next((row for row in self.bookings if row.pk == booking_pk), None)
        if gone is None:
            return self
        covered = slots_covered(gone.on, self.slots, chair_pk=gone.chair_pk, starts=gone.starts, ends=gone.ends)
        held = {(gone.chair_pk, gone.on, slot) for slot in covered}
        others = tuple(row for row in self.bookings if row.pk != booking_pk)
        return replace(self, bookings=others, taken=self.taken - held)

    def day(self, on: date) -> Day | None:
        """The day, None outside this calendar."""
        place = (on - self.first).days
        return self.days[place] if 0 <= place < len(self.days) else None

    def places(
        self, *, since: date | None = None, until: date | None = None, minutes: int = 0, needs: int = 1
    ) -> tuple[Place, ...]:
        """All free places from a day to a day, for somebody who needs the chair so long and counts for so many."""
        first, last = since or self.first, until or self.last
        some = tuple(day for day in self.days if first <= day.on <= last)
        return free_places(
            some,
            slots=self.slots,
            uses=self.uses,
            taken=self.taken,
            room=self.room,
            minutes=minutes,
            needs=needs,
        )

    def places_free(self, on: date, *, minutes: int = 0, needs: int = 1) -> tuple[Place, ...]:
        """The free places of one day; none outside this calendar."""
        day = self.day(on)
        if day is None:
            return ()
        return free_places(
            (day,),
            slots=self.slots,
            uses=self.uses,
            taken=self.taken,
            room=self.room,
            minutes=minutes,
            needs=needs,
        )


def site_calendar(site: Site, first: date, last: date) -> SiteCalendar:
    """Return the calendar of a unit from first to last; eight queries, whatever it holds."""
    reached = open_days(site, first - timedelta(days=SAMPLE_REACH_DAYS), last)
    return SiteCalendar(
        first=first,
        last=last,
        before=reached[:SAMPLE_REACH_DAYS],
        days=reached[SAMPLE_REACH_DAYS:],
        chairs=tuple(_within(Chair.objects.filter(site=site), first, last).values_list("pk", "name")),
        slots=slot_rules(site, first, last),
        uses=tuple(
            Use(
                row.chair_id,
                Dates(row.since, row.until, row.weekday),
                row.words,
                row.starts or time.min,
                row.ends or time.max,
            )
            for row in _within(OtherUse.objects.filter(chair__site=site), first, last).order_by("pk")
        ),
        taken=frozenset(
            Occupied.objects.filter(chair__site=site, on__range=(first, last)).values_list("chair_id", "on", "slot")
        ),
        bookings=bookings_between(site, first, last),
    )


def open_days(site: Site, first: date, last: date) -> tuple[Day, ...]:
    """Return the days of a unit, open or closed with the reason; three queries."""
    return days(
        first,
        last,
        opening=[
            Opening(Dates(row.since, row.until, row.weekday), row.opens, row.closes)
            for row in _within(OpeningHours.objects.filter(site=site), first, last)
        ],
        closed=[
            Closed(row.on, row.words, row.closes, row.works)
            for row in ClosedDay.objects.filter(site=site, on__range=(first, last))
        ],
        holidays=bank_holidays(site, first, last),
        staff=[
            Staff(Dates(row.since, row.until, row.weekday), row.most, row.words)
            for row in _within(StaffLimit.objects.filter(site=site), first, last)
        ],
    )


def known_days(site: Site, first: date, last: date) -> dict[date, bool]:
    """Return whether the unit is open on each day up to the last that its diary has it open; three queries.

    Past that day nothing is known: opening hours that end are entered anew in time. Empty for a unit without any.
    """
    found = {day.on: day.open for day in open_days(site, first, last)}
    end = max((on for on, is_open in found.items() if is_open), default=None)
    return {} if end is None else {on: is_open for on, is_open in found.items() if on <= end}


def suggested_while_closed(site: Site, today: date) -> list[int]:
    """Return the keys of the people whose suggested day, from today on, is one on which the unit is closed."""
    ahead = known_days(site, today, today + timedelta(days=DIARY_DAYS))
    closed = [on for on, is_open in ahead.items() if not is_open]
    found = Suggestion.objects.filter(patient__site=site, next_date__in=closed).order_by("patient")
    return list(found.values_list("patient", flat=True))


def bank_holidays(site: Site, first: date, last: date) -> dict[date, str]:
    """Return the bank holidays of the site's country and region; none where the library knows neither."""
    return {
        on: name
        for year in range(first.year, last.year + 1)
        for on, name in _of_year(site.country, site.region, year)
        if first <= on <= last
    }


@lru_cache(maxsize=64)
def _of_year(country: str, region: str, year: int) -> tuple[tuple[date, str], ...]:
    try:
        found = holidays.country_holidays(country, subdiv=region or None, years=[year])
    except NotImplementedError:
        return ()
    return tuple(sorted((on, str(name)) for on, name in found.items()))


def slot_rules(site: Site, first: date, last: date) -> tuple[SlotRule, ...]:
    """Return every start of every chair of a unit, in the order of the chairs; one query."""
    rows = _within(Slot.objects.filter(chair__site=site), first, last).select_related("chair")
    return tuple(
        SlotRule(
            chair_pk=row.chair_id,
            chair_name=row.chair.name,
            slot=row.number,
            starts=row.starts,
            ends=row.ends,
            dates=Dates(row.since, row.until),
            chair_dates=Dates(row.chair.since, row.chair.until),
        )
        for row in rows.order_by("chair__place", "chair_id", "starts", "number")
    )


def bookings_between(site: Site, first: date, last: date) -> tuple[Booked, ...]:
    """Return who is booked, came or did not come, by day and start; one query."""
    rows = Booking.objects.filter(chair__site=site, on__range=(first, last))
    rows = rows.exclude(state__in=[BookingState.CANCELLED, BookingState.MOVED])
    return tuple(
        Booked(
            pk=row.pk,
            version=row.version,
            patient_pk=row.patient_id,
            patient_ref=row.patient.patient_ref,
            name=row.patient.shown_name,
            chair_pk=row.chair_id,
            on=row.on,
            starts=row.starts,
            ends=row.ends,
            state=row.state,
            needs=counts_for(row.patient),
            chance_over=row.chance_over,
            latest_safe=row.latest_safe,
            late_reason=row.late_reason,
            chair=row.chair.name,
            made_at=row.made_at,
            off_programme=off_programme(row.patient),
        )
        for row in rows.select_related("patient__wishes", "chair").order_by("on", "starts", "pk")
    )


def off_programme(patient: Patient) -> str:
    """Say that a person has left the programme or is paused, since when; '' while they are on it."""
    if patient.standing == Standing.ACTIVE:
        return ""
    since = patient.standing_since
    return (
        f"{patient.get_standing_display()}{f' since {since:%a} {since.day} {since:%b} {since.year}' if since else ''}"
    )


def counts_for(patient: Patient) -> int:
    """Return how many of the exchanges at once a person counts for: two where they need two nurses. Chosen here."""
    wishes = getattr(patient, "wishes", None)
    return 2 if wishes is not None and wishes.needs_two_nurses else 1


def _within(rows: QuerySet[Row], first: date, last: date) -> QuerySet[Row]:
    """Rows whose dates touch the days from first to last."""
    return rows.filter(Q(until__isnull=True) | Q(until__gte=first), since__lte=last)
