"""Who still needs a place, and the free places ranked for them. Fixed number of queries for any number of people."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Collection, Mapping
from dataclasses import dataclass, replace
from datetime import date, datetime, time, timedelta
from typing import Any
from zoneinfo import ZoneInfo

from django.db.models import Exists, OuterRef, Q, QuerySet, Subquery
from django.db.models.fields.json import KeyTransform

from patients.models import CrossmatchSample, Goals, Patient, Standing
from programme.booking.models import GIVEN_UP, STANDING, Away, Booking, BookingState
from programme.booking.numeric.calendar import Dates, Place, fit_together, minutes_needed
from programme.booking.numeric.places import AwayDates, FreePlace, RankedPlace, SampleRules, Seeker, ranked, refusal
from programme.booking.numeric.workdays import BloodLead
from programme.booking.queries.blood import blood_lead, holidays_around, needed_of
from programme.booking.queries.free import SiteCalendar, counts_for
from programme.core.models import Site
from programme.planning.services import PLAN_VERSION
from sessions.day.numeric.durations import minutes_a_unit
from sessions.day.numeric.foreseen import Foreseen, series_foreseen
from sessions.day.numeric.samples import sample_rule, sampling_hours
from sessions.day.queries import foreseen_after
from sessions.forecasting import fit_in_force
from sessions.models import NOT_BEGUN, ExchangeSession, OtherTransfusion, State
from sessions.queries.people import method_for

DONE = (State.FINISHED, State.CLOSED)
OFTEN_MISSES, MISSED_WITHIN_DAYS = 2, 365
"""So many visits missed in a year count as often. Chosen here; not from a source."""

UNITS_UNKNOWN = 6  # a long session, so that a chair is not given for too short a time; chosen here


@dataclass(frozen=True, slots=True)
class HasPlace:
    """A booking that stands from today on. reasoned: somebody gave the reason for its being late, when the last safe
    day and the chance of being over were these."""

    on: date
    pk: int
    reasoned: bool
    safe_then: date | None = None
    chance_then: float | None = None


@dataclass(frozen=True, slots=True)
class ToPlace:
    """Somebody on the programme as the diary sees them. locked: why no exchange can be booked, '' where one can."""

    pk: int
    patient_ref: str
    name: str
    seeker: Seeker
    units: int
    minutes: int
    needs: int
    known: bool
    stale: bool
    locked: str
    missed_lately: int
    missed_on: date | None
    booked: tuple[HasPlace, ...]
    travel: str = ""
    made_from: tuple[int, int | None, str] | None = None  # data version, fit and code of the suggestion
    in_chair: bool = False  # a session of today is not finished yet: the next window follows from how it ends
    series: Foreseen | None = None  # sessions on consecutive days, where one alone does not come to the end target

    @property
    def next_booked(self) -> HasPlace | None:
        return self.booked[0] if self.booked else None

    @property
    def is_settled(self) -> bool:
        """Whether a booking stands that is not after the last safe day, or is and has a reason that holds, or they
        are here."""
        held, who = self.next_booked, self.seeker
        if self.in_chair or held is None:
            return self.in_chair
        if not who.is_late(held.on):
            return True
        return held.reasoned and who.reason_holds(held.on, held.safe_then, held.chance_then)

    @property
    def is_by_hand(self) -> bool:
        """Whether no window is known and no place stands, so that only people can say when they are to come."""
        return not (self.known or self.locked or self.in_chair or self.booked)

    @property
    def due_by(self) -> date | None:
        """The day by which a place is needed: the last safe one, else the best."""
        return self.seeker.latest_safe or self.seeker.best

    @property
    def is_past(self) -> bool:
        return self.seeker.latest_safe is not None and self.seeker.latest_safe < self.seeker.today


def everyone_to_place(
    calendar: SiteCalendar, site: Site, now: datetime, settings: Mapping[str, float]
) -> tuple[ToPlace, ...]:
    """Return who is due within the calendar and has no booking that settles it, most pressing first; eight queries."""
    return due_among(people_of(site, now, settings), calendar.last)


def due_among(found: Collection[ToPlace], last: date) -> tuple[ToPlace, ...]:
    """Return those of these people who need a place by a day, most pressing first."""
    due = [row for row in found if is_due(row, last)]
    return tuple(sorted(due, key=lambda row: (row.due_by or last, row.name.casefold(), row.patient_ref)))


def is_due(row: ToPlace, last: date) -> bool:
    """Whether somebody needs a place by a day and has none that settles it."""
    return row.known and not row.locked and not row.is_settled and row.due_by is not None and row.due_by <= last


def people_of(
    site: Site, now: datetime, settings: Mapping[str, float], *, only: Collection[int] | None = None
) -> tuple[ToPlace, ...]:
    """Return everybody on the programme as the diary sees them, or only these keys; eight queries."""
    today, zone = now.date(), ZoneInfo(site.time_zone)
    patients = list(_patients(site, today, only))
    away, samples = _away(site, today, only), _samples(site, now, only)
    booked, missed, given_up = _bookings(site, today, only)
    fit = fit_in_force(site, today)
    in_force = (None if fit is None else fit.pk, PLAN_VERSION)
    keys = [patient.pk for patient in patients]
    needed, off, foreseen = needed_of(keys), holidays_around(site, today), foreseen_after(keys, today)
    return tuple(
        _to_place(
            patient, now.astimezone(zone), zone, settings, away=tuple(away[patient.pk]), in_force=in_force,
            samples=tuple(samples[patient.pk]), booked=tuple(booked[patient.pk]), missed=missed.get(patient.pk, ()),
            gave_up_today=patient.pk in given_up, blood=blood_lead(needed[patient.pk], settings, off),
            series=foreseen.get(patient.pk),
        )
        for patient in patients
    )  # fmt: skip


def places_for(row: ToPlace, calendar: SiteCalendar, *, giving_up: date | None = None) -> tuple[RankedPlace, ...]:
    """Return the free places of the calendar for one person, ranked; none where no exchange can be booked.

    giving_up: a day on which they are booked and that they would give up; they may have another place on it.
    """
    if row.locked:
        return ()
    free = calendar.places(since=row.seeker.today, minutes=row.minutes, needs=row.needs)
    return ranked(without(row.seeker, giving_up), free, calendar.open_dates, room=calendar.room)


def every_place_for(
    row: ToPlace, calendar: SiteCalendar, *, giving_up: date | None = None, on: date | None = None,
    until: date | None = None,
) -> tuple[FreePlace, ...]:  # fmt: skip
    """Return every free place that this person can have, of one day or of all until a day."""
    if row.locked:
        return ()
    who, open_days = without(row.seeker, giving_up), calendar.open_dates
    if on is None:
        since = max(who.today, who.earliest if who.series is None else min(who.earliest, who.series[0]))
        free = calendar.places(since=since, until=until, minutes=row.minutes, needs=row.needs)
    else:
        free = calendar.places_free(on, minutes=row.minutes, needs=row.needs)
    had: dict[tuple[date, time, time], bool] = {}  # of chairs with the same hours one is judged for all

    def can_have(place: Place) -> bool:
        hours = (place.on, place.starts, place.ends)
        if hours not in had:
            had[hours] = not refusal(who, place, open_days)
        return had[hours]

    can = [place for place in free if can_have(place)]
    days = {on: (who.is_late(on), who.is_far_late(on), who.blood_passed(on)) for on in {place.on for place in can}}
    return tuple(FreePlace(place, *days[place.on]) for place in can)


def without(seeker: Seeker, giving_up: date | None) -> Seeker:
    """The same person as if one booked day were given up."""
    if giving_up is None:
        return seeker
    return replace(seeker, booked=seeker.booked - {giving_up}, gives_up=giving_up)


def _patients(site: Site, today: date, only: Collection[int] | None) -> QuerySet[Patient]:
    sessions = ExchangeSession.objects.filter(patient=OuterRef("pk"), state__in=DONE, on__lte=today).order_by("-on")
    others = OtherTransfusion.objects.filter(patient=OuterRef("pk"), withdrawn_reason="", on__lte=today).order_by("-on")
    goals = Goals.objects.begun(today).filter(patient=OuterRef("pk"))
    todays = ExchangeSession.objects.filter(patient=OuterRef("pk"), on=today)
    rows = Patient.objects.of_site(site).filter(standing=Standing.ACTIVE)
    rows = rows if only is None else rows.filter(pk__in=only)
    return (
        rows.select_related("suggestion", "forecast", "wishes")
        .defer("suggestion__body", "suggestion__options", "forecast__results_used", "forecast__days")
        .annotate(
            chance_by_day=KeyTransform("chance_by_day", "suggestion__options"),
            earliest=KeyTransform("earliest_date", "suggestion__options"),
            series_suggested=KeyTransform("series", "suggestion__options"),
            session_units=KeyTransform("units", KeyTransform("session", "suggestion__body")),
            last_on=Subquery(sessions.values("on")[:1]),
            last_other_on=Subquery(others.values("on")[:1]),
            usual_days=Subquery(goals.values("clinic_days")[:1]),
            decided_method=Subquery(goals.values("method")[:1]),
            shortest_days=Subquery(goals.values("shortest_interval_days")[:1]),
            runs_today=Exists(todays.filter(state=State.RUNNING)),
            planned_today=Exists(todays.filter(state__in=NOT_BEGUN)),
        )
        .order_by("patient_ref")
    )


def _away(site: Site, today: date, only: Collection[int] | None) -> Mapping[int, list[AwayDates]]:
    rows = Away.objects.filter(patient__site=site, until__gte=today, withdrawn_reason="").order_by("since", "pk")
    found: defaultdict[int, list[AwayDates]] = defaultdict(list)
    for row in rows if only is None else rows.filter(patient__in=only):
        found[row.patient_id].append(AwayDates(Dates(row.since, row.until), row.cannot, row.words))
    return found


def _samples(site: Site, now: datetime, only: Collection[int] | None) -> Mapping[int, list[datetime]]:
    """Samples that may still be valid: none is for more than two weeks."""
    rows = CrossmatchSample.objects.filter(
        patient__site=site, withdrawn_reason="", taken_at__gte=now - timedelta(days=15)
    )
    found: defaultdict[int, list[datetime]] = defaultdict(list)
    for pk, taken in (rows if only is None else rows.filter(patient__in=only)).values_list("patient_id", "taken_at"):
        found[pk].append(taken)
    return found


def _bookings(
    site: Site, today: date, only: Collection[int] | None
) -> tuple[Mapping[int, list[HasPlace]], Mapping[int, tuple[date, ...]], Collection[int]]:
    """Return the standing bookings from today on, the visits missed in the last year, by person, and who gave up a
    place of today and has no other today."""
    rows = Booking.objects.filter(
        Q(state__in=[*STANDING, BookingState.MISSED]) | Q(state__in=GIVEN_UP, on=today),
        patient__site=site, on__gte=today - timedelta(days=MISSED_WITHIN_DAYS),
    ).order_by("on", "starts")  # fmt: skip
    booked: defaultdict[int, list[HasPlace]] = defaultdict(list)
    missed: defaultdict[int, tuple[date, ...]] = defaultdict(tuple)
    given_up = set[int]()
    some = (rows if only is None else rows.filter(patient__in=only)).without_kept()
    fields = ("patient_id", "on", "pk", "state", "late_reason", "latest_safe", "chance_over")
    for person, on, pk, state, reason, safe, chance in some.values_list(*fields):
        if state == BookingState.MISSED:
            missed[person] += (on,)
        elif state in GIVEN_UP:
            given_up.add(person)
        elif on >= today:
            booked[person].append(HasPlace(on, pk, bool(reason), safe, chance))
    return booked, missed, {pk for pk in given_up if all(row.on != today for row in booked.get(pk, ()))}


def _to_place(
    patient: Any,
    now: datetime,
    zone: ZoneInfo,
    settings: Mapping[str, float],
    *,
    away: tuple[AwayDates, ...],
    samples: tuple[datetime, ...],
    booked: tuple[HasPlace, ...],
    missed: tuple[date, ...],
    in_force: tuple[int | None, str],
    gave_up_today: bool,
    blood: BloodLead,
    series: Foreseen | None,
) -> ToPlace:
    today = now.date()
    suggestion, forecast = getattr(patient, "suggestion", None), getattr(patient, "forecast", None)
    wishes = getattr(patient, "wishes", None)
    known = suggestion is not None and suggestion.status == "ok"
    units = int(patient.session_units or 0) if known else 0
    earliest = date.fromisoformat(patient.earliest) if known and patient.earliest else today
    begun = series is not None and series.first_on == patient.last_on
    wished = wishes.weekdays if wishes is not None and wishes.weekdays else patient.usual_days or ""
    came = [patient.last_on] if patient.last_on else []
    return ToPlace(
        pk=patient.pk,
        patient_ref=patient.patient_ref,
        name=patient.shown_name,
        seeker=Seeker(
            today=today,
            now=now,
            earliest=max(earliest, today),
            samples_by=sample_rules(patient, today, zone, settings),
            best=None if suggestion is None or not known else suggestion.next_date,
            latest_safe=None if suggestion is None or not known else suggestion.latest_safe_date,
            chance=chances(patient.chance_by_day) if known else {},
            weekdays=frozenset(int(part) for part in wished.split(",") if part),
            not_before=None if wishes is None else wishes.earliest,
            end_by=None if wishes is None else wishes.latest_end,
            away=away,
            booked=frozenset(row.on for row in booked),
            samples=samples,
            often_misses=len(missed) >= OFTEN_MISSES,
            blood=blood,
            furthest=today + timedelta(days=int(settings["book_ahead_days"])),
            shortest_days=int(patient.shortest_days or settings["shortest_interval_days"]),
            series=(series.first_on + timedelta(days=1), series.last_on) if series is not None and begun else None,
        ),
        units=units,
        minutes=minutes_needed(
            units or UNITS_UNKNOWN,
            minutes_a_unit=minutes_a_unit(method_for(patient.vascular_access, patient.decided_method), settings),
            hours_rest=settings["hours_rest"],
        ),
        needs=counts_for(patient),
        known=known,
        stale=suggestion is not None
        and (suggestion.data_version, suggestion.model_fit_id, suggestion.code_version)
        != (patient.data_version, *in_force),
        locked="" if forecast is None or not forecast.locked else forecast.locked["reason"],
        missed_lately=len(missed),
        missed_on=max((on for on in missed if on not in came and on > max(came, default=date.min)), default=None),
        booked=booked,
        travel="" if wishes is None else wishes.travel,
        made_from=None
        if suggestion is None
        else (suggestion.data_version, suggestion.model_fit_id, suggestion.code_version),
        # Who did not come today, or whose place was cancelled or moved, is not here, though a session was planned.
        in_chair=patient.runs_today or (patient.planned_today and today not in missed and not gave_up_today),
        series=series or (series_foreseen(patient.series_suggested, None) if known else None),
    )


def sample_rules(patient: Any, today: date, zone: ZoneInfo, settings: Mapping[str, float]) -> SampleRules:
    """Return the rule for this person's crossmatch samples as of today."""
    given = [on for on in (patient.last_on, patient.last_other_on) if on is not None]
    rule = sample_rule(
        today,
        last_transfused=max(given, default=None),
        pregnant_until=patient.last_pregnant_day(today),
        settings=settings,
    )
    return SampleRules(zone, rule, sampling_hours(settings))


def chances(by_day: Mapping[str, Any] | None) -> dict[date, float]:
    """Return the chance of being over by day, from a suggestion's option `chance_by_day`."""
    if not by_day:
        return {}
    first = date.fromisoformat(by_day["from"])
    return {first + timedelta(days=step): chance for step, chance in enumerate(by_day["chance"]) if chance is not None}


def free_by_week(calendar: SiteCalendar, today: date) -> tuple[tuple[int, int], ...]:
    """Return how many more exchanges fit into each week still to come: (week number, places)."""
    weeks: dict[tuple[int, int], int] = {}
    room, free = calendar.room, defaultdict[date, list[Place]](list)
    for place in calendar.places(since=today):
        free[place.on].append(place)
    for day in calendar.days:
        if day.open and day.on >= today:
            year, week, _ = day.on.isocalendar()
            weeks[year, week] = weeks.get((year, week), 0) + fit_together(free[day.on], room.get(day.on))
    return tuple((week, count) for (_, week), count in sorted(weeks.items()))
