"""The course on one page of paper, for a reader who has no access to the programme."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime

from patients.models import Patient
from programme.core.numeric.words import listed
from programme.core.settings_of_site import site_texts
from programme.worklist.numeric.words import capital, full_day_words
from programme.worklist.queries.clinic import Clinic, read_clinic
from programme.worklist.queries.course import CoursePage, read_course
from programme.worklist.queries.history import Decision, SessionRow

SESSIONS_PRINTED = 6


@dataclass(frozen=True, slots=True)
class SummaryPage:
    """What the paper says. made_from: the ground of the figures, and that a print goes out of date."""

    course: CoursePage
    clinic: Clinic
    born: str
    sessions: tuple[SessionRow, ...]
    decision: Decision | None
    overdue: str
    unrecorded: str
    family_doctor: str
    own_lines: tuple[str, ...]
    leaflet: str
    whom_to_call: str
    data_version: int
    forecast_made: str


def read_summary(patient: Patient, now: datetime) -> SummaryPage:
    """Return the summary of one person at the local moment `now`; the queries of the course and its clinic, and two."""
    course = read_course(patient, now)
    clinic = read_clinic(patient, course, now)
    texts = site_texts(patient.site, now)
    return SummaryPage(
        course=course,
        clinic=clinic,
        born="birth date not recorded" if patient.birth_date is None else f"born {full_day_words(patient.birth_date)}",
        sessions=course.sessions[:SESSIONS_PRINTED],
        decision=course.decisions[0] if course.decisions else None,
        overdue=capital(listed(clinic.overdue)),
        unrecorded=capital(listed([line.words for line in clinic.checks if line.last == "no record"])),
        family_doctor=texts["family_doctor"],
        own_lines=tuple(line for line in texts["own_summary"].splitlines() if line.strip()),
        leaflet=texts["leaflet"],
        whom_to_call=texts["whom_to_call"],
        data_version=patient.data_version,
        forecast_made=_made(patient),
    )


def _made(patient: Patient) -> str:
    forecast = getattr(patient, "forecast", None)
    return "no forecast was made" if forecast is None else f"forecast of {full_day_words(forecast.as_of)}"
