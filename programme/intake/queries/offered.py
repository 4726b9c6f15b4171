"""What can be decided about one item, with the names of the people who may be meant."""

from __future__ import annotations

from patients.models import Patient
from programme.intake.models import InboxItem
from programme.intake.numeric.choices import WHOSE, Choice, choices_for, near_keys


def offered(item: InboxItem) -> tuple[Choice, ...]:
    """Return the choices of an item, the safe one first."""
    near: list[tuple[int, str]] = []
    if item.reason in WHOSE:
        keys = near_keys(item.about)
        people = Patient.objects.filter(pk__in=keys, site_id=item.site_id).in_bulk()
        near = [(key, f"{people[key].shown_name}, {people[key].patient_ref}") for key in keys if key in people]
    return choices_for(item.reason, near=near, units=item.about.get("units", ()))
