"""Whose record is past the time for which the unit keeps it: of those who have left the programme, in fixed queries."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from datetime import date, datetime
from typing import Any
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
Whose = Mapping[str, Any]
"""Look-ups of the people who are asked about."""
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
    whose = {"site": site, "standing": Standing.LEFT}
    contact, blood = _last_contact(whose), _last_blood(whose)
    for one in Patient.objects.filter(**whose).order_by("patient_ref"):
        known = _known(one, contact, blood)
        yield KeptLine(one.shown_name, one.patient_ref, one.standing_since, known, kept_until(known, rules))


def kept_line(patient: Patient, at: datetime) -> KeptLine:
    """Return until when the record of one person is kept, whether they have left or not."""
    whose = {"pk": patient.pk}
    known = _known(patient, _last_contact(whose), _last_blood(whose))
    kept = kept_until(known, rules_of(patient.site, at))
    return KeptLine(patient.shown_name, patient.patient_ref, patient.standing_since, known, kept)


def _known(patient: Patient, contact: Latest, blood: Latest) -> Known:
    days = [contact.get(patient.pk), blood.get(patient.pk), patient.standing_since]
    return Known(patient.birth_date, max(filter(None, days), default=None), blood.get(patient.pk))


def _last_contact(whose: Whose) -> Latest:
    came = Booking.objects.filter(state=BookingState.CAME)
    return _latest(
        whose,
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


def _last_blood(whose: Whose) -> Latest:
    """Of each the last day of a session, a unit or another transfusion: each may have been red cells of a donor."""
    given = DonationUnit.objects.filter(state__in=AT_CHAIR)
    return _latest(whose, ("patient", "on", ExchangeSession.objects.carried_out()),
                   ("exchange_session__patient", "exchange_session__on", given),
                   ("patient", "on", OtherTransfusion.objects.all()))  # fmt: skip


def _latest(whose: Whose, *sources: tuple[str, str, QuerySet[Model]]) -> Latest:
    found: Latest = {}
    for person, day, rows in sources:
        theirs = rows.filter(**{f"{person}__{name}": value for name, value in whose.items()})
        for key, last in theirs.order_by().values_list(person).annotate(last=Max(day)):
            found[key] = max(last, found.get(key, last))
    return found
