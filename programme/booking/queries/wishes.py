"""What suits one person, and when they are away."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date

from patients.models import Patient
from programme.booking.models import Away, Contact, Waiting, Wishes


@dataclass(frozen=True, slots=True)
class PersonDiary:
    """The diary's own records of one person. away: those that are not over and not withdrawn."""

    wishes: Wishes | None
    away: tuple[Away, ...]
    contacts: tuple[Contact, ...]
    waiting: Waiting | None


def wishes_of(patient: Patient) -> Wishes | None:
    """Return a person's wishes, None where none are recorded."""
    return Wishes.objects.filter(patient=patient).first()


def person_diary(patient: Patient, today: date) -> PersonDiary:
    """Return what the diary keeps about one person; four queries."""
    return PersonDiary(
        wishes_of(patient),
        tuple(Away.objects.filter(patient=patient, until__gte=today, withdrawn_reason="").order_by("since", "pk")),
        tuple(Contact.objects.filter(patient=patient).select_related("by").order_by("-at", "-pk")),
        Waiting.objects.filter(patient=patient, ended_on__isnull=True).select_related("by").first(),
    )
