"""Everything stored of one person as one FHIR R4 Bundle of type collection."""

from __future__ import annotations

from datetime import datetime
from zoneinfo import ZoneInfo

from programme.custody.numeric.parts import Json, id_of, stored, urn_of
from programme.custody.numeric.resources import BUILDS, Around, other
from programme.custody.numeric.rows import Place, StoredPerson


def bundle_of(person: StoredPerson, *, made_at: datetime) -> Json:
    """Return the bundle: the Patient first, then a resource for every other row, each with all that is stored of it.

    made_at: with a time zone. Rows refer to each other by fullUrl. Source of the form: HL7 FHIR R4 (2019), Bundle.
    """
    known = {row.place: urn_of(person.site_code, row.place) for row in person.rows}

    def urn(place: Place) -> str | None:
        return known.get(place)

    replaced = frozenset(int(row["supersedes"]) for row in person.of("patients.LabResult") if row["supersedes"])
    sessions = {row.place: row for row in person.of("exchange_sessions.ExchangeSession")}
    around = Around(
        person, sessions, {"reference": known[person.person.place]}, urn, replaced,
        _goals_in_force(person, made_at), made_at,
    )  # fmt: skip
    entries = []
    for row in person.rows:
        resource = {**BUILDS.get(row.table, other)(row, around), "id": id_of(row.place)}
        resource["extension"] = [stored(row, urn)]
        entries.append({"fullUrl": known[row.place], "resource": resource})
    return {
        "resourceType": "Bundle", "type": "collection", "timestamp": made_at.isoformat(),
        "identifier": {"system": f"urn:ebbline:site:{person.site_code}:export",
                       "value": f"{person.patient_ref} {made_at.isoformat()}"},
        "entry": entries,
    }  # fmt: skip


def _goals_in_force(person: StoredPerson, made_at: datetime) -> int | None:
    today = made_at.astimezone(ZoneInfo(person.zone)).date()
    begun = [(row["since"], row.key) for row in person.of("patients.Goals") if row["since"] <= today]
    return max(begun)[1] if begun else None
