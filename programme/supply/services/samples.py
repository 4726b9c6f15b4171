"""The crossmatch sample as it is recorded: one that was taken after the start of its exchange does not pass unasked."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from zoneinfo import ZoneInfo

from django.core.exceptions import ValidationError
from django.db import transaction

from patients import services as people
from patients.models import CrossmatchSample, Patient
from programme.core.models import User
from programme.core.settings_of_site import site_settings
from programme.supply.queries.samples import start_of
from sessions.day.numeric.samples import earliest_taken
from sessions.day.queries import sample_rule_of

LONGEST_NOTE = 200


@transaction.atomic
def record_sample(
    *, patient: Patient, taken_at: datetime, actor: User, at: datetime, note: str = "", why_after: str = ""
) -> CrossmatchSample:
    """Record a crossmatch sample of a person.

    why_after: what it is for where it was taken after the start of the exchange of that day: nothing that was given
    from that start on can have been crossmatched on it. Raises ValidationError, saying when one is allowed, without it.
    """
    Patient.objects.select_for_update().get(pk=patient.pk)
    local = taken_at.astimezone(ZoneInfo(patient.site.time_zone))
    start = start_of(patient, local.date())
    said = note.strip()
    if start is not None and start < local:
        if not why_after.strip():
            raise ValidationError({"taken_at": _allowed(patient, local, start, at)})
        said = "; ".join(filter(None, [said, f"after the start, for: {why_after.strip()}"]))
    if len(said) > LONGEST_NOTE:
        raise ValidationError({"note": f"Note and reason have {len(said)} characters; allowed are {LONGEST_NOTE}."})
    return people.record_sample(patient=patient, taken_at=taken_at, note=said, actor=actor, at=at)


def _allowed(patient: Patient, taken: datetime, start: datetime, at: datetime) -> str:
    """Say why a sample is refused, and from when to when one for that exchange is taken."""
    settings = site_settings(patient.site, at)
    rule = sample_rule_of(patient, start.date(), settings)
    first = earliest_taken(start, rule)
    last = (start.astimezone(UTC) - timedelta(hours=settings["crossmatch_hours"])).astimezone(start.tzinfo)
    return (
        f"{taken:%H:%M} is after the start of the exchange of {_day(start)} at {start:%H:%M}. Allowed for it is "
        f"{_day(first)} {first:%H:%M} to {_day(last)} {last:%H:%M} ({rule.why}; the laboratory needs "
        f"{settings['crossmatch_hours']:g} h). For a later unit or exchange, say below what it is for."
    )


def _day(at: datetime) -> str:
    return f"{at:%a} {at.day} {at:%b}"
