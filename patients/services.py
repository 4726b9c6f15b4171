"""Writing about people: the person, measures, goals, transfusion needs and laboratory results."""

from __future__ import annotations

from collections.abc import Iterable

from django.db.models import F

from patients.models import Patient

MOST_IN_ONE_QUERY = 500


def raise_data_version(patient_pks: Iterable[int]) -> None:
    """Raise the data version of these people by one; part of every clinical write, in its transaction.

    Whatever was reckoned for them before is stale from then on.
    """
    wanted = sorted(set(patient_pks))
    for start in range(0, len(wanted), MOST_IN_ONE_QUERY):
        some = Patient.objects.filter(pk__in=wanted[start : start + MOST_IN_ONE_QUERY])
        some.update(data_version=F("data_version") + 1)
