"""The number by which an open list sees that it is old."""

from __future__ import annotations

from django.db.models import Count, Sum

from patients.models import Patient
from programme.core.models import Site


def list_version(site: Site) -> str:
    """Return a text that changes with every clinical write about anybody of the unit, and with every new person."""
    found = Patient.objects.of_site(site).aggregate(people=Count("pk"), writes=Sum("data_version"))
    return f"{found['people']}.{found['writes'] or 0}"
