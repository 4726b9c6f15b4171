"""Whose record is past the time for which the unit keeps it: of those who have left the programme, in fixed queries."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from datetime import date, datetime
from zoneinfo import ZoneInfo

from django.db.models import Max, Model, QuerySet

from patients.models import (
    BodyMeasure,
    CheckDone,
    Consent,
    CourseNote,
    CrossmatchSample,
    LabResult,
    Patient,
    Standing,
)
from programme.booking.models import Booking, BookingState, Contact
from programme.core.models import Site
from programme.core.settings_of_site import site_settings
from programme.custody.numeric.retention import Kept, Known, Rules, kept_until
from sessions.day.models import AdverseEvent, FollowUp
from sessions.models import DonationUnit, ExchangeSession, HaemolysisSign, OtherTransfusion, UnitState

Latest = dict[int, date]
AT_CHAIR = (UnitState.RUNNING, UnitState.GIVEN)


@dataclass(frozen=True, slots=True)
class KeptLine:
    """One record: whose it is, when they left, what the rules go by and what follows."""

    name: str
    patient_ref: str
    left_on: date | None
    known: Known
    kept: Kept


@dataclass(frozen=True, slots=True)
class KeptPage:
    """Records past their time, the longest past first; those of which it cannot be said; how many others have left."""

    rules: Rules
    past: tuple[KeptLine, ...]
    unsaid: tuple[KeptLine, ...]
    others: int


def kept_page(site: Site, at: datetime) -> KeptPage:
    """Return the page as of a moment."""
    rules, today = rules_of(site, at), at.astimezone(ZoneInfo(site.time_zone)).date()
    lines = list(_lines(site, rules))
    past = [line for line in lines if line.kept.until is not None and line.kept.until < today]
    unsaid = [line for line in lines if line.kept.until is None]
    past.sort(key=lambda line: (line.kept.until or today, line.patient_ref))
    return KeptPage(rules, tuple(past), tuple(unsaid), len(lines) - len(past) - len(unsaid))


def rules_of(site: Site, at: datetime) -> Rules:
    """Return the rules in force at a unit."""
    found = site_settings(site, at)
    return Rules(int(found["keep_years_contact"]), int(found["keep_until_age"]), int(found["keep_years_blood"]))


def _lines(site: Site, rules: Rules) -> Iterable[KeptLine]:
    people = list(Patient.objects.of_site(site).filter(standing=Standing.LEFT).order_by("patient_ref"))
    contact, blood = _last_contact(site), _last_blood(site)
    for one in people:
        days = [day for day in (contact.get(one.pk), blood.get(one.pk), one.standing_since) if day is not None]
        known = Known(one.birth_date, max(days, default=None), blood.get(one.pk))
        yield KeptLine(one.shown_name, one.patient_ref, one.standing_since, known, kept_until(known, rules))


def _last_contact(site: Site) -> Latest:
    came = Booking.objects.filter(state=BookingState.CAME)
    return _latest(
        site,
        ("patient", "on", came),
        ("patient", "at__date", Contact.objects.all()),
        ("patient", "taken_on", LabResult.objects.all()),
        ("patient", "on", BodyMeasure.objects.all()),
        ("patient", "taken_at__date", CrossmatchSample.objects.all()),
        ("patient", "given_on", Consent.objects.all()),
        ("patient", "on", CourseNote.objects.all()),
        ("patient", "on", CheckDone.objects.all()),
        ("patient", "on", ExchangeSession.objects.carried_out()),
        ("patient", "on", HaemolysisSign.objects.all()),
        ("patient", "at__date", AdverseEvent.objects.all()),
        ("patient", "done_at__date", FollowUp.objects.exclude(done_at=None)),
    )


def _last_blood(site: Site) -> Latest:
    """Of each the last day of a session, a unit or another transfusion: each may have been red cells of a donor."""
    given = DonationUnit.objects.filter(state__in=AT_CHAIR)
    return _latest(site, ("patient", "on", ExchangeSession.objects.carried_out()),
                   ("exchange_session__patient", "exchange_session__on", given),
                   ("patient", "on", OtherTransfusion.objects.all()))  # fmt: skip


def _latest(site: Site, *sources: tuple[str, str, QuerySet[Model]]) -> Latest:
    found: Latest = {}
    for person, day, rows in sources:
        left = rows.filter(**{f"{person}__site": site, f"{person}__standing": Standing.LEFT})
        for key, last in left.order_by().values_list(person).annotate(last=Max(day)):
            found[key] = max(last, found.get(key, last))
    return found
