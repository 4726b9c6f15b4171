"""Who of another unit read about people of this one, and nobody here has acknowledged it yet."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime

from patients.models import Patient
from programme.core import break_glass
from programme.core.models import GlassReason, Site


@dataclass(frozen=True, slots=True)
class Opened:
    """One breaking of the glass, and about whom. since, until: moments, shown in the unit's zone."""

    key: int
    patient_ref: str
    name: str
    who: str
    role: str
    unit: str
    kind: str
    words: str
    since: datetime
    until: datetime


def opened_elsewhere(site: Site, patient: Patient | None = None) -> list[Opened]:
    """Return what is not acknowledged, of one person or of the unit. One query, two of a unit that has any."""
    rows = break_glass.unseen(site, None if patient is None else patient.pk)
    known = {} if patient is None else {patient.pk: patient}
    if rows and patient is None:
        known = Patient.objects.in_bulk([row.patient_key for row in rows])
    return [
        Opened(
            row.pk, known[row.patient_key].patient_ref, known[row.patient_key].shown_name, row.user.full_name,
            row.user.role_words, row.user.site.name, GlassReason(row.kind).label, row.words, row.since, row.until,
        )
        for row in rows
    ]  # fmt: skip
