"""What is known already when a result arrives: people, codes, the row it may replace, the value before it."""

from __future__ import annotations

from datetime import date, datetime
from zoneinfo import ZoneInfo

from django.db.models import Q

from patients.models import Antibody, LabResult, Patient, TransfusionNeeds
from programme.core.models import Site
from programme.intake.models import LocalCode, ReadResult, Sender
from programme.intake.numeric.codes import LocalMeaning
from programme.intake.numeric.matching import Person
from programme.intake.numeric.plausible import Earlier
from sessions.models import ExchangeSession, OtherTransfusion, Position, ResultLink, State

MOST_PEOPLE = 20
GIVES_CELLS = (State.RUNNING, State.FINISHED, State.CLOSED, State.ABANDONED)


def local_meanings(site: Site, on: date) -> dict[str, LocalMeaning]:
    """Return what the unit's own codes stand for on a day."""
    rows = LocalCode.objects.filter(site=site, since__lte=on).filter(Q(until__isnull=True) | Q(until__gt=on))
    return {row.code: LocalMeaning(row.analyte, row.unit) for row in rows}


def trusts_references(site: Site, sender: str) -> bool:
    return Sender.objects.filter(site=site, name=sender, is_active=True, trusts_references=True).exists()


def people_near(site: Site, reference: str, birth_date: date | None) -> list[Person]:
    """Return everybody of the unit with that reference in any case, or with that birth date."""
    fits = Q(patient_ref__iexact=reference)
    if birth_date is not None:
        fits |= Q(birth_date=birth_date)
    rows = Patient.objects.of_site(site).filter(fits).order_by("pk")
    exact_first = sorted(rows[:MOST_PEOPLE], key=lambda row: row.patient_ref != reference)
    return [Person(row.pk, row.patient_ref, row.birth_date) for row in exact_first]


def newest_row(site: Site, source: str, result_id: str) -> LabResult | None:
    """Return the newest stored row of a sender's result, None where none was stored."""
    read = ReadResult.objects.filter(site=site, source=source, sent_id=result_id, result__isnull=False)
    newest = read.order_by("-pk").values_list("result", flat=True).first()
    if newest is None:
        return None
    row = LabResult.objects.filter(pk=newest).select_related("patient__site").first()
    while row is not None:
        later = LabResult.objects.filter(supersedes=row).select_related("patient__site").first()
        if later is None:
            return row
        row = later
    return None


def recorded_group(patient: Patient) -> str:
    """Return the recorded group as 'O+', empty where ABO or RhD is not recorded."""
    needs = TransfusionNeeds.objects.filter(patient=patient).first()
    return f"{needs.abo}{needs.rhd}" if needs is not None and needs.abo and needs.rhd else ""


def recorded_antibodies(patient: Patient) -> list[str]:
    """Return the names of all antibodies ever found in a person."""
    return list(Antibody.objects.filter(patient=patient).order_by("name").values_list("name", flat=True).distinct())


def earlier_value(patient: Patient, analyte: str, taken_at: datetime, *, but: LabResult | None) -> Earlier | None:
    """Return the newest value that counts before a moment, and whether red cells are recorded in between."""
    rows = LabResult.objects.in_force().filter(patient=patient, analyte=analyte, taken_at__lt=taken_at)
    if but is not None:
        rows = rows.exclude(pk=but.pk)
    row = rows.order_by("-taken_at", "-pk").first()
    if row is None:
        return None
    until = taken_at.astimezone(ZoneInfo(patient.site.time_zone)).date()
    is_after = ResultLink.objects.filter(result=row, position=Position.AFTER).exists()
    since = {"on__gt" if is_after else "on__gte": row.taken_on, "on__lte": until}
    sessions = ExchangeSession.objects.filter(patient=patient, state__in=GIVES_CELLS, **since)
    others = OtherTransfusion.objects.filter(patient=patient, withdrawn_reason="", on__range=(row.taken_on, until))
    return Earlier(row.value, row.taken_on, sessions.exists() or others.exists())
