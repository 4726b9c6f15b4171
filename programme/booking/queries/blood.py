"""What people's blood must be, and how long ahead it is ordered: one reading for placing and for ordering."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Collection, Mapping
from datetime import date, datetime, timedelta
from zoneinfo import ZoneInfo

from patients.models import Antibody, TransfusionNeeds
from programme.booking.models import Booking
from programme.booking.numeric.places import blood_words
from programme.booking.numeric.workdays import BloodLead, LeadTimes
from programme.booking.queries.free import bank_holidays
from programme.core.models import Site
from programme.core.settings_of_site import site_settings
from sessions.day.numeric.blood_match import Needed, is_rare

LONGEST_LEAD_DAYS = 120  # working days of the longest lead that a site can set, as days, with holidays to spare
HOLIDAYS_AHEAD_DAYS = 500  # further than anybody is booked


def needed_of(people: Collection[int]) -> dict[int, Needed]:
    """Return what the blood of these people must be, by key; two queries."""
    return needs_of(people)[0]


def needs_of(people: Collection[int]) -> tuple[dict[int, Needed], dict[int, str]]:
    """Return the same, and in words whatever else is asked for, where anything is; two queries."""
    found = Antibody.objects.filter(patient__in=people, withdrawn_reason="").order_by("found_year", "name")
    antibodies: defaultdict[int, list[str]] = defaultdict(list)
    for pk, name in found.values_list("patient_id", "name"):
        antibodies[pk].append(name)
    rows = {row.patient_id: row for row in TransfusionNeeds.objects.filter(patient__in=people)}
    needed = {}
    for pk in people:
        row = rows.get(pk) or TransfusionNeeds()
        needed[pk] = Needed(
            row.abo, row.rhd, row.own_type, row.antigens_to_avoid, row.hbs_negative, tuple(antibodies[pk])
        )
    return needed, {pk: row.other for pk, row in rows.items()}


def blood_lead(needed: Needed, settings: Mapping[str, float], holidays: frozenset[date]) -> BloodLead:
    """Return how long ahead blood of this kind is ordered at a site with these settings."""
    lead = LeadTimes(
        ordinary=int(settings["lead_days"]),
        antibody=int(settings["lead_days_antibody"]),
        rare=int(settings["lead_days_rare"]),
        holiday_extra=int(settings["lead_days_holiday_extra"]),
    )
    return BloodLead(lead, bool(needed.antibodies), is_rare(needed), holidays)


def blood_of_place(booking: Booking, at: datetime, *, goes_with: date | None = None) -> str:
    """Say of a booked place that the day to order its blood had passed, as it was said where it was offered; else ''.

    goes_with: the day of the place that was given up for it, whose order moves along.
    """
    site = booking.patient.site
    today = at.astimezone(ZoneInfo(site.time_zone)).date()
    needed = needed_of([booking.patient_id])[booking.patient_id]
    lead = blood_lead(needed, site_settings(site, at), holidays_around(site, today))
    return blood_words(lead.passed(booking.on, today, goes_with=goes_with))


def holidays_around(site: Site, today: date) -> frozenset[date]:
    """Return the bank holidays that matter for blood of any place that can be booked from today on; no query."""
    first = today - timedelta(days=LONGEST_LEAD_DAYS)
    return frozenset(bank_holidays(site, first, today + timedelta(days=HOLIDAYS_AHEAD_DAYS)))
