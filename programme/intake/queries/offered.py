"""What can be decided about one item, with the names of the people who may be meant."""

from __future__ import annotations

from patients.models import Patient
from programme.intake.models import InboxItem, InboxItemQuerySet
from programme.intake.numeric.choices import WHOSE, Choice, choices_for, decided_with, near_keys


def offered(item: InboxItem) -> tuple[Choice, ...]:
    """Return the choices of an item, the safe one first."""
    near: list[tuple[int, str]] = []
    if item.reason in WHOSE:
        keys = near_keys(item.about)
        people = Patient.objects.filter(pk__in=keys, site_id=item.site_id).in_bulk()
        near = [(key, f"{people[key].shown_name}, {people[key].patient_ref}") for key in keys if key in people]
    return choices_for(item.reason, near=near, units=item.about.get("units", ()))


def same_tube(item: InboxItem, choice: str) -> InboxItemQuerySet:
    """Return what is decided together with an item: the other results of its sample that are in doubt like it."""
    reasons = decided_with(item.reason, choice)
    if item.result is None or not reasons:
        return InboxItem.objects.none()
    rows = InboxItem.objects.filter(site=item.site_id, patient=item.patient_id, reason__in=reasons)
    together = rows.filter(result__taken_at=item.result.taken_at).exclude(pk=item.pk).order_by("pk")
    return together.select_related("site", "raw", "read_result", "patient", "result")
