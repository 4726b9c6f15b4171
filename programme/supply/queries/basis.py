"""What the blood of booked sessions rests on: plan, needs, sample and order-by day, for many bookings at once."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Collection, Sequence
from dataclasses import dataclass, replace
from datetime import date, datetime, timedelta
from typing import Any
from zoneinfo import ZoneInfo

from django.db.models import Max

from patients.models import CheckDone, CrossmatchSample
from patients.numeric.checks import ANTIBODIES_ELSEWHERE
from patients.services import local_day
from programme.booking.models import STANDING, Booking, BookingState
from programme.booking.numeric.workdays import OrderBy, working_days_before
from programme.booking.queries.blood import LONGEST_LEAD_DAYS, blood_lead, needs_of
from programme.booking.queries.free import bank_holidays, open_days
from programme.core.models import Site
from programme.core.settings_of_site import site_settings
from programme.planning.models import Suggestion
from programme.planning.queries import units_on
from programme.supply.models import BloodOrder, OrderState
from programme.supply.numeric.groups import GroupSamples, group_samples
from programme.supply.numeric.needs import OrderNeeds, group_words, order_needs
from sessions.day.models import Prescription
from sessions.day.numeric.blood_match import Needed
from sessions.day.numeric.foreseen import ForeseenDay, series_foreseen
from sessions.day.numeric.samples import (
    SampleRule,
    Span,
    earliest_taken,
    holds_at,
    holds_until,
    sample_rule,
    sample_spans,
    sampling_hours,
)
from sessions.day.queries import foreseen_after
from sessions.models import ExchangeSession, OtherTransfusion

REACH_DAYS = 42
"""Bookings so far ahead get an order drafted: beyond the longest usual lead time. Chosen here."""
LONGEST_SAMPLE_DAYS = 15  # the longest validity that a site can set, and a day


@dataclass(frozen=True, slots=True)
class Planned:
    """Units of the session: by the signed plan of that day, as the plan of a day before foresaw them, else by the
    suggestion; None with the reason.

    for_day: the day that the suggestion's units were reckoned for, where they could not be reckoned for the booked day.
    """

    units: int | None
    source: dict[str, Any]
    why_not: str = ""
    for_day: date | None = None


@dataclass(frozen=True, slots=True)
class SampleNow:
    """The crossmatch sample of a booking. holds: at the start; None where none was taken for it yet.

    spans: when one can still be taken. to_end_from: the first of these moments from which one holds to the booked end,
    None where none does. short_of_end: the one taken holds at the start but not to the booked end.
    """

    rule: SampleRule
    spans: tuple[Span, ...]
    to_end_from: datetime | None
    taken_at: datetime | None
    holds: bool | None
    until: datetime | None
    short_of_end: bool

    @property
    def first(self) -> datetime | None:
        """The first open moment for a sample."""
        return self.spans[0].first if self.spans else None

    @property
    def last(self) -> datetime | None:
        """The last open moment for a sample."""
        return self.spans[-1].last if self.spans else None

    @property
    def window_falls_short(self) -> bool:
        """Whether a sample of the first of these moments holds at the start and not to the booked end."""
        return bool(self.spans) and self.to_end_from != self.first

    @property
    def one_day(self) -> bool:
        """Whether all of it lies on one day."""
        return len(self.spans) == 1


@dataclass(frozen=True, slots=True)
class Basis:
    """All that an order for one booking rests on. answer_by: the working day before its start."""

    booking_pk: int
    starts: datetime
    planned: Planned
    needs: OrderNeeds
    needed: Needed
    order_by: OrderBy
    answer_by: date
    sample: SampleNow
    group: GroupSamples
    elsewhere_on: date | None


def unordered(site: Site, *, at: datetime, reach_days: int = REACH_DAYS) -> Sequence[Booking]:
    """Return the standing bookings in reach that wait for an order, by day and start; one query.

    Left out are people for whom an order is open whose booking fell away: that order is moved or released first, so
    that units are not asked for twice.
    """
    today = local_day(at, site)
    rows = Booking.objects.filter(
        chair__site=site, state__in=STANDING, on__range=(today, today + timedelta(days=reach_days))
    )
    gone = [BookingState.MOVED, BookingState.MISSED, BookingState.CANCELLED]
    held = BloodOrder.objects.open().filter(site=site, booking__state__in=gone)
    rows = rows.filter(blood_orders__isnull=True).exclude(patient__in=held.values("patient"))
    return list(rows.select_related("patient__site").order_by("on", "starts", "pk"))


def released(site: Site, *, at: datetime, reach_days: int = REACH_DAYS) -> dict[Booking, BloodOrder]:
    """Return the standing bookings in reach whose every order was released, with the newest of these; one query."""
    today = local_day(at, site)
    rows = BloodOrder.objects.filter(
        site=site, booking__state__in=STANDING, booking__on__range=(today, today + timedelta(days=reach_days))
    ).select_related("booking__patient__site")
    newest: dict[Booking, BloodOrder] = {}
    for row in rows.order_by("number"):
        newest[row.booking] = row
    return {booking: row for booking, row in newest.items() if row.state == OrderState.CANCELLED}


def bases(site: Site, bookings: Sequence[Booking], *, now: datetime) -> dict[int, Basis]:
    """Return what the blood of each booking rests on, by its key; a fixed number of queries.

    bookings: with their patients read. Nothing is read where there are none.
    """
    if not bookings:
        return {}
    reader = _Reader(site, bookings, now)
    return {booking.pk: reader.basis(booking) for booking in bookings}


class _Reader:
    """The rows behind many bookings, read once."""

    def __init__(self, site: Site, bookings: Sequence[Booking], now: datetime) -> None:
        self.now, self.zone = now, ZoneInfo(site.time_zone)
        self.settings = site_settings(site, now)
        people = {booking.patient_id for booking in bookings}
        first, last = min(row.on for row in bookings), max(row.on for row in bookings)
        self.needed, self.other = needs_of(people)
        suggested = Suggestion.objects.filter(patient__in=people).select_related("patient__forecast")
        self.suggestions = {row.patient_id: row for row in suggested}
        self.booked_on = _booked_on(people, local_day(now, site))
        self.next_on = {pk: days[0] for pk, days in self.booked_on.items()}
        self.on_day = units_on(site, self.next_on, self.suggestions, today=local_day(now, site), settings=self.settings)
        self.signed = _signed(people, first, last)
        self.foreseen = foreseen_after(people, local_day(now, site))
        self.transfused = _transfused(people)
        self.samples = _samples(people, now)
        self.groups_found = _groups_found(people, self.zone)
        self.elsewhere = _asked_elsewhere(people)
        days = open_days(site, first - timedelta(days=LONGEST_SAMPLE_DAYS), last)
        self.open_days = {day.on for day in days if day.open}
        self.holidays = frozenset(bank_holidays(site, first - timedelta(days=LONGEST_LEAD_DAYS), last))

    def basis(self, booking: Booking) -> Basis:
        needed = self.needed[booking.patient_id]
        needs = order_needs(
            needed,
            other=self.other.get(booking.patient_id, ""),
            freshest_days=int(self.settings["blood_freshest_days"]) or None,
        )
        by = blood_lead(needed, self.settings, self.holidays).order_by(booking.on)
        starts = booking.starts_at(self.zone)
        return Basis(
            booking_pk=booking.pk,
            starts=starts,
            planned=self._planned(booking),
            needs=needs,
            needed=needed,
            order_by=by,
            answer_by=working_days_before(booking.on, 1, self.holidays),
            sample=self._sample(booking, starts),
            group=group_samples(self.groups_found[booking.patient_id], needs.group),
            elsewhere_on=self.elsewhere.get(booking.patient_id),
        )

    def _planned(self, booking: Booking) -> Planned:
        plan = self.signed.get((booking.patient_id, booking.on))
        if plan is not None:
            return Planned(
                plan.units or None, {"prescription": plan.number}, "" if plan.units else "the plan has none."
            )
        row = self.suggestions.get(booking.patient_id)
        if row is None:
            return Planned(None, {}, "there is no suggestion yet.")
        if row.status != "ok":
            return Planned(None, {"data_version": row.data_version}, row.reason)
        source: dict[str, Any] = {"data_version": row.data_version}
        further = self._in_series(booking, row)
        if further is not None and further.units:
            return Planned(further.units, source | {"foreseen_for": further.on.isoformat()})
        units = (row.body.get("session") or {}).get("units")
        is_next = self.next_on.get(booking.patient_id) == booking.on
        there = self.on_day.get(booking.patient_id) if is_next and booking.on != row.next_date else None
        if there is not None:
            source |= {"for_day": booking.on.isoformat(), "hbs_before_pct": round(there.hbs_before_pct, 1)}
            return Planned(there.units, source)
        why = "" if units else "the suggestion has no red cells."
        # A later booking follows the session in between, so the suggestion says nothing of HbS on its day.
        return Planned(units or None, source, why, row.next_date if is_next and booking.on != row.next_date else None)

    def _in_series(self, booking: Booking, row: Suggestion) -> ForeseenDay | None:
        """The further session of a series that a booking is for: by the plan of the first, else by the suggestion."""
        booked, series = self.booked_on.get(booking.patient_id, []), self.foreseen.get(booking.patient_id)
        if series is not None:
            return series.session_of(booking.on, booked)
        series = series_foreseen((row.options or {}).get("series"), row.body.get("end_target_hbs_pct"))
        return series.session_of(booking.on, booked, begins=booked[0]) if series is not None and booked else None

    def _rule(self, booking: Booking) -> tuple[date | None, SampleRule]:
        """The last day with red cells before a booking, one on which they are booked to be given counts, and the rule
        for its sample."""
        given = [on for on in self.transfused[booking.patient_id] if on < booking.on]
        coming = [on for on in self.booked_on.get(booking.patient_id, ()) if on < booking.on]
        last = max([*given, *coming], default=None)
        rule = sample_rule(
            booking.on,
            last_transfused=last,
            pregnant_until=booking.patient.last_pregnant_day(booking.on),
            settings=self.settings,
        )
        if rule.recent and coming and last not in given:
            rule = replace(rule, why=f"red cells booked for {coming[-1].isoformat()}")
        return last, rule

    def _sample(self, booking: Booking, starts: datetime) -> SampleNow:
        last, rule = self._rule(booking)
        spans = sample_spans(starts, rule=rule, hours=sampling_hours(self.settings), open_days=self.open_days)
        spans = tuple(Span(max(one.first, self.now), one.last) for one in spans if one.last >= self.now)
        ends = datetime.combine(booking.on, booking.ends, tzinfo=self.zone)
        whole = earliest_taken(ends, rule)
        to_end_from = next((max(one.first, whole) for one in spans if one.last >= whole), None)
        taken = self.samples[booking.patient_id]
        # One that holds is good for a second exchange too; of others, those since the last red cells were meant for it.
        holding = [at for at in taken if holds_at(at.astimezone(self.zone), starts, rule)]
        meant = [at for at in taken if last is None or at.astimezone(self.zone).date() > last]
        newest = max(holding or meant, default=None)
        if newest is None:
            return SampleNow(rule, spans, to_end_from, None, None, None, short_of_end=False)
        local = newest.astimezone(self.zone)
        short = bool(holding) and not holds_at(local, ends, rule)
        return SampleNow(rule, spans, to_end_from, local, bool(holding), holds_until(local, rule), short)


def _signed(people: Collection[int], first: date, last: date) -> dict[tuple[int, date], Prescription]:
    """The plans in force of those days, by person and day."""
    rows = Prescription.objects.in_force().filter(
        exchange_session__patient__in=people, exchange_session__on__range=(first, last)
    )
    rows = rows.exclude(exchange_session__state__in=["cancelled", "abandoned"]).select_related("exchange_session")
    return {(row.exchange_session.patient_id, row.exchange_session.on): row for row in rows}


def _booked_on(people: Collection[int], today: date) -> dict[int, list[date]]:
    """The days from today on for which each is booked, in order; nobody without one."""
    rows = Booking.objects.filter(patient__in=people, state__in=[*STANDING, BookingState.CAME], on__gte=today)
    found: defaultdict[int, list[date]] = defaultdict(list)
    for pk, on in rows.order_by("on").values_list("patient_id", "on"):
        found[pk].append(on)
    return dict(found)


def _transfused(people: Collection[int]) -> defaultdict[int, list[date]]:
    """Days with red cells, newest of each kind, by person; two queries."""
    found: defaultdict[int, list[date]] = defaultdict(list)
    done = ExchangeSession.objects.filter(patient__in=people, state__in=["running", "finished", "closed", "abandoned"])
    others = OtherTransfusion.objects.filter(patient__in=people, withdrawn_reason="")
    for rows in (done, others):
        for pk, on in rows.values("patient_id").annotate(newest=Max("on")).values_list("patient_id", "newest"):
            found[pk].append(on)
    return found


def _samples(people: Collection[int], now: datetime) -> defaultdict[int, list[datetime]]:
    rows = CrossmatchSample.objects.filter(
        patient__in=people, withdrawn_reason="", taken_at__range=(now - timedelta(days=LONGEST_SAMPLE_DAYS), now)
    )
    found: defaultdict[int, list[datetime]] = defaultdict(list)
    for pk, at in rows.values_list("patient_id", "taken_at"):
        found[pk].append(at)
    return found


def _groups_found(people: Collection[int], zone: ZoneInfo) -> defaultdict[int, list[tuple[datetime, str]]]:
    """Every sample on which a group was found, by person, in the zone of the site; one query."""
    rows = CrossmatchSample.objects.filter(patient__in=people, withdrawn_reason="").exclude(abo="")
    found: defaultdict[int, list[tuple[datetime, str]]] = defaultdict(list)
    for pk, at, abo, rhd in rows.values_list("patient_id", "taken_at", "abo", "rhd"):
        found[pk].append((at.astimezone(zone), group_words(abo, rhd)))
    return found


def _asked_elsewhere(people: Collection[int]) -> dict[int, date]:
    """The day on which antibodies known elsewhere were last asked for, by person; one query."""
    rows = CheckDone.objects.filter(
        patient__in=people, check_name=ANTIBODIES_ELSEWHERE, withdrawn_at__isnull=True
    ).order_by()
    return dict(rows.values("patient_id").annotate(newest=Max("on")).values_list("patient_id", "newest"))
