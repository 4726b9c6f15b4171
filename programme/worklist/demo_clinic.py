"""What the invented unit's clinics left behind: ferritin, liver iron, checks, and notes on one course."""

from __future__ import annotations

from datetime import date, datetime, time, timedelta
from zoneinfo import ZoneInfo

from patients import clinic, services
from patients.models import Analyte, Patient
from patients.numeric.checks import ANTIBODIES_ELSEWHERE
from programme.core.models import Role, User

FERRITIN_EVERY, CHECKS_AGO = 120, {"virology": 200, "eyes": 260, "echo": 400}
OVERDUE = ("SM-020", "SM-033", "SM-046")
"""Whose ferritin nobody has asked for since more than three months."""
GROUPED_ONCE, NEVER_ASKED, ASKED_LONG_AGO = "SM-021", "SM-007", "SM-031"
"""Whose group rests on one sample; of whom nobody asked elsewhere for antibodies; and of whom not for a year."""


def tell_clinic(patient: Patient, users: dict[str, User], *, today: date, at: datetime) -> None:
    """Add two years of iron results, the checks of the last year and a note to one person."""
    nurse, number = users[Role.NURSE], int(patient.patient_ref[-2:])
    zone = ZoneInfo(patient.site.time_zone)

    def result(analyte: str, value: float, ago: int) -> None:
        taken = datetime.combine(today - timedelta(days=ago), time(12), tzinfo=zone)
        services.record_result(
            patient=patient, analyte=analyte, value=value, taken_at=taken, time_known=False, actor=nurse, at=at
        )

    newest = 150 if patient.patient_ref in OVERDUE else 20 + number % 60
    for step in range(5):
        ferritin = 640.0 + 17 * (number % 37) - (38 - number % 9) * step
        result(Analyte.FERRITIN, round(ferritin), newest + step * FERRITIN_EVERY)
    result(Analyte.LIVER_IRON, round(3.0 + (number % 11) / 2, 1), 240 + number)
    _tell_blood(patient, nurse, today, at)
    for name, ago in CHECKS_AGO.items():
        clinic.record_check(
            patient=patient, check_name=name, on=today - timedelta(days=ago - number), words="nothing new", actor=nurse,
            at=at,
        )  # fmt: skip


def _tell_blood(patient: Patient, nurse: User, today: date, at: datetime) -> None:
    """The samples before the last two sessions with the group found, and when antibodies known elsewhere were asked."""
    zone, ref = ZoneInfo(patient.site.time_zone), patient.patient_ref
    days = patient.exchange_sessions.order_by("-on").values_list("on", flat=True)[: 1 if ref == GROUPED_ONCE else 2]
    needs = patient.needs
    for on in days:
        taken = datetime.combine(on - timedelta(days=1), time(10), tzinfo=zone)
        sample = services.record_sample(patient=patient, taken_at=taken, actor=nurse, at=at)
        services.record_group_found(sample=sample, abo=needs.abo, rhd=needs.rhd, actor=nurse, at=at)
    if ref != NEVER_ASKED:
        asked = today - timedelta(days=420 if ref == ASKED_LONG_AGO else 90 + int(ref[-2:]))
        clinic.record_check(
            patient=patient, check_name=ANTIBODIES_ELSEWHERE, on=asked, words="none known elsewhere", actor=nurse, at=at
        )


def note_story(patient: Patient, users: dict[str, User], *, today: date, at: datetime) -> None:
    """Note on the course what the picture alone does not say of the person whose drug was stopped."""
    clinic.add_note(
        patient=patient, on=today - timedelta(days=84), words="hydroxycarbamide stopped, wishes a pregnancy",
        actor=users[Role.CONSULTANT], at=at,
    )  # fmt: skip
    clinic.add_note(
        patient=patient, on=today - timedelta(days=30), words="tired in the week before each visit", at=at,
        actor=users[Role.NURSE],
    )  # fmt: skip
