"""Stored results and the inbox as scripts of the unit read them."""

from __future__ import annotations

from typing import Any
from zoneinfo import ZoneInfo

from patients.models import LabResult, Patient
from programme.core.models import Site
from programme.intake.models import InboxItem


def results_of(patient: Patient) -> list[dict[str, Any]]:
    """Return every stored row of a person's results, oldest sample first, and whether it counts."""
    zone = ZoneInfo(patient.site.time_zone)
    counts = set(LabResult.objects.in_force().filter(patient=patient).values_list("pk", flat=True))
    rows = LabResult.objects.filter(patient=patient).order_by("taken_at", "pk")
    return [
        {
            "code": row.analyte,
            "value": row.value,
            "unit": row.unit,
            "taken_at": row.taken_at.astimezone(zone).isoformat(),
            "status": row.status,
            "source": row.source,
            "source_key": row.source_key,
            "in_force": row.pk in counts,
            "held": row.held_reason or None,
        }
        for row in rows
    ]


def inbox_of(site: Site) -> list[dict[str, Any]]:
    """Return what waits for a person, the most urgent first. patient_ref: None where nobody is certain."""
    zone = ZoneInfo(site.time_zone)
    items = InboxItem.objects.filter(site=site).waiting().most_urgent_first()
    return [
        {
            "received_at": item.raw.received_at.astimezone(zone).isoformat(),
            "source": item.raw.sender if item.read_result is None else item.read_result.source,
            "patient_ref": None if item.patient is None else item.patient.patient_ref,
            "reason": item.sentence,
            "code": item.reason,
            "severity": item.get_severity_display().lower(),
        }
        for item in items.select_related("raw", "read_result", "patient")
    ]
