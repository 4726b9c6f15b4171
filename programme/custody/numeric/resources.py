"""Which FHIR R4 resource a stored row becomes, and what of it stands in the elements of the standard.

A row that must not count (withdrawn, superseded, held, given up) has a status that says so: a reader who takes only the
elements of the standard must not take it for one that does.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from datetime import datetime
from typing import Any
from zoneinfo import ZoneInfo

from programme.custody.numeric.parts import Json, Urn, loinc, notes, period, quantity, words
from programme.custody.numeric.rows import Place, Row, StoredPerson
from programme.intake.numeric.codes import BLOOD_GROUP, BY_ANALYTE

OWN_CODES = "urn:ebbline:code"
OWN_UNITS = {"own:lic": "mg/g"}
"""UCUM units of what is measured under a code of our own."""
BODY, WEIGHT, HEIGHT = "85353-1", "29463-7", "8302-2"
"""LOINC codes of the vital signs profiles (HL7 FHIR R4, 2019, Vital Signs)."""
OBSERVED = {"preliminary": "preliminary", "final": "final", "corrected": "corrected", "withdrawn": "entered-in-error"}
DONE = {
    "planned": "preparation", "authorised": "preparation", "running": "in-progress", "finished": "completed",
    "closed": "completed", "cancelled": "not-done",
}  # fmt: skip
ADMINISTERED = {
    "at_chair": "on-hold", "checked": "on-hold", "running": "in-progress", "given": "completed",
}  # fmt: skip
BOOKED = {
    "booked": "booked", "confirmed": "booked", "came": "fulfilled", "missed": "noshow", "cancelled": "cancelled",
    "moved": "cancelled",
}  # fmt: skip


@dataclass(frozen=True, slots=True)
class Around:
    """What a resource may refer to. superseded: keys of results in whose place newer ones stand. sessions: by place."""

    stored: StoredPerson
    sessions: Mapping[Place, Row]
    subject: Json
    urn: Urn
    superseded: frozenset[int]
    goals_in_force: int | None
    made_at: datetime

    def ref(self, row: Row, name: str) -> Json:
        """Return the reference that a field of a row stands for."""
        field = row.field(name)
        address = self.urn(field.points_to) if field.points_to else None
        return {"reference": address} if address else {"display": field.shown}


def unit_of(code: str) -> str:
    """Return the UCUM unit in which what has this code is stored; KeyError for an unknown code."""
    known = BY_ANALYTE.get(code)
    return known.stored_unit if known else OWN_UNITS[code]


Build = Callable[[Row, Around], Json]


def patient(row: Row, around: Around) -> Json:
    """Return the Patient."""
    name = {"family": row["family_name"], "given": [row["given_name"]] if row["given_name"] else []}
    name = {part: said for part, said in name.items() if said}
    said: Json = {
        "resourceType": "Patient",
        "identifier": [{"system": f"urn:ebbline:site:{around.stored.site_code}", "value": row["patient_ref"]}],
        "gender": {"F": "female", "M": "male"}[row["sex"]],
    }
    if name:
        said["name"] = [name]
    if row["birth_date"]:
        said["birthDate"] = row["birth_date"].isoformat()
    if row["language"].strip():
        said["communication"] = [{"language": words(row["language"])}]
    return said


def _observation(around: Around, status: str, code: Json, **parts: Any) -> Json:
    return {"resourceType": "Observation", "status": status, "code": code, "subject": around.subject, **parts}


def result(row: Row, around: Around) -> Json:
    """Return a laboratory result by its LOINC code in its UCUM unit, as the intake of results reads them."""
    code, name = row["analyte"], row.field("analyte").shown
    concept = (
        loinc(code, name) if code in BY_ANALYTE else {"coding": [{"system": OWN_CODES, "code": code}], "text": name}
    )
    status = OBSERVED[row["status"]]
    if row["held_reason"] and status != "entered-in-error":
        status = "preliminary"  # not to be relied on before somebody has decided
    if row.key in around.superseded:
        status = "entered-in-error"
    at = row["taken_at"].isoformat() if row["time_known"] else row["taken_on"].isoformat()
    method = {"method": words(row["method"])} if row["method"].strip() else {}
    return _observation(
        around, status, concept, effectiveDateTime=at, valueQuantity=quantity(row["value"], unit_of(code)), **method,
        **notes(row["held_reason"], row["why"]),
    )  # fmt: skip


def measure(row: Row, around: Around) -> Json:
    """Return weight and height of a day."""
    parts = ((WEIGHT, "body weight", "kg", row["weight_kg"]), (HEIGHT, "body height", "cm", row["height_cm"]))
    said = [
        {"code": loinc(code, name), "valueQuantity": quantity(value, unit)}
        for code, name, unit, value in parts
        if value is not None
    ]
    status = "entered-in-error" if row["withdrawn_reason"] else "final"
    code = loinc(BODY, "weight and height")
    return _observation(around, status, code, effectiveDateTime=row["on"].isoformat(), component=said)


def antibody(row: Row, around: Around) -> Json:
    """Return an antibody once found, with the year where it is known."""
    status = "entered-in-error" if row["withdrawn_reason"] else "final"
    year = {"effectiveDateTime": f"{row['found_year']:04d}"} if row["found_year"] else {}
    code = {"coding": [{"system": OWN_CODES, "code": "antibody"}], "text": "antibody against red cells, once found"}
    return _observation(around, status, code, valueString=row["name"], **year)


def needs(row: Row, around: Around) -> Json:
    """Return the blood group; what else the blood must be stands in the extension."""
    group = f"{row['abo']} RhD {row.field('rhd').shown}" if row["abo"] and row["rhd"] else ""
    value: Json = {"valueString": group} if group else {"dataAbsentReason": words("not recorded")}
    return _observation(around, "final", loinc(BLOOD_GROUP, "ABO and RhD group"), **value)


def sign(row: Row, around: Around) -> Json:
    """Return a sign noted after red cells."""
    code = {"coding": [{"system": OWN_CODES, "code": "sign-after-red-cells"}], "text": "sign noted after red cells"}
    return _observation(
        around, "final", code, effectiveDateTime=row["on"].isoformat(), valueString=row.field("sign").shown,
        **notes(row["note"]),
    )  # fmt: skip


def goals(row: Row, around: Around) -> Json:
    """Return what was decided from a day on; only the newest that has begun is active."""
    state = "active" if row.key == around.goals_in_force else "completed"
    if row["since"] > around.made_at.astimezone(ZoneInfo(around.stored.zone)).date():
        state = "accepted"
    ceiling, hb = row["hbs_ceiling_pct"], row["hb_ceiling_g_l"]
    targets = [
        {"measure": loinc("4625-0", "HbS before a session"), "detailQuantity": quantity(ceiling, "%", "<=")},
        {"measure": loinc("718-7", "Hb after a session"), "detailQuantity": quantity(hb, "g/L", "<=")},
    ]
    return {
        "resourceType": "Goal", "lifecycleStatus": state, "subject": around.subject,
        "description": words(f"HbS at most {ceiling:g} % before a session, Hb at most {hb:g} g/L after it"),
        "startDate": row["since"].isoformat(), "target": targets, **notes(row["reason"]),
    }  # fmt: skip


def exchange(row: Row, around: Around) -> Json:
    """Return an exchange session as a Procedure; one given up after blood had moved is 'stopped'."""
    moved = (row["red_cells_in_ml"] or 0) > 0 or (row["blood_out_ml"] or 0) > 0
    status = DONE.get(row["state"], "stopped" if moved else "not-done")
    when = period(row["started_at"], row["ended_at"])
    performed = {"performedPeriod": when} if when else {"performedDateTime": row["on"].isoformat()}
    why = {"statusReason": words(row["ended_reason"])} if row["ended_reason"].strip() else {}
    return {
        "resourceType": "Procedure", "status": status, "code": words("red cell exchange"),
        "subject": around.subject, **performed, **why, **notes(row["note"]),
    }  # fmt: skip


def step(row: Row, around: Around) -> Json:
    """Return one step as carried out, a part of its session."""
    when = period(row["started_at"], row["ended_at"])
    text = f"step {row['number']}: {row.field('fluid').shown}, {row['in_ml']:g} mL in, {row['out_ml']:g} mL out"
    return {
        "resourceType": "Procedure", "status": "completed", "code": words(text), "subject": around.subject,
        "partOf": [around.ref(row, "exchange_session")], **({"performedPeriod": when} if when else {}),
    }  # fmt: skip


def _session_of(row: Row, around: Around) -> Row:
    place = row.field("exchange_session").points_to
    if place is None:
        raise KeyError("a unit stands without its session")
    return around.sessions[place]


def unit(row: Row, around: Around) -> Json:
    """Return a red cell unit as a MedicationAdministration, the product contained; one returned was not given."""
    begun = row["started_at"] is not None
    status = ADMINISTERED.get(row["state"], "stopped" if begun else "not-done")
    number = row["donation_number"]
    product: Json = {"resourceType": "BiologicallyDerivedProduct", "id": "unit", "productCategory": "cells"}
    if number:
        product["identifier"] = [{"system": "urn:ebbline:donation-number", "value": number}]
    when = period(row["started_at"], row["ended_at"]) or {}
    day = {} if when else {"effectiveDateTime": _session_of(row, around)["on"].isoformat()}
    volume = row["volume_ml"]
    return {
        "resourceType": "MedicationAdministration", "status": status, "contained": [product],
        "medicationCodeableConcept": words(f"red cells, donation number {number or 'not recorded'}"),
        "subject": around.subject, "supportingInformation": [{"reference": "#unit"}],
        "partOf": [around.ref(row, "exchange_session")],
        **({"effectivePeriod": when} if when else day),
        **({"dosage": {"dose": quantity(volume, "mL")}} if volume is not None else {}),
    }  # fmt: skip


def transfusion(row: Row, around: Around) -> Json:
    """Return red cells given outside an exchange session."""
    volume = row["volume_ml"]
    return {
        "resourceType": "MedicationAdministration",
        "status": "entered-in-error" if row["withdrawn_reason"] else "completed",
        "medicationCodeableConcept": words("red cells, outside an exchange session"), "subject": around.subject,
        "effectiveDateTime": row["on"].isoformat(), **notes(row["note"]),
        **({"dosage": {"dose": quantity(volume, "mL")}} if volume is not None else {}),
    }  # fmt: skip


def booking(row: Row, around: Around) -> Json:
    """Return a booked place as an Appointment."""
    zone = ZoneInfo(around.stored.zone)
    start, end = (datetime.combine(row["on"], row[name], tzinfo=zone).isoformat() for name in ("starts", "ends"))
    status = BOOKED[row["state"]]
    taken = "declined" if status == "cancelled" else "accepted" if row["state"] != "booked" else "needs-action"
    why = {"cancelationReason": words(row["ended_reason"])} if row["ended_reason"].strip() else {}
    return {
        "resourceType": "Appointment", "status": status, "start": start, "end": end, **why,
        "description": f"red cell exchange, {row.field('chair').shown}",
        "participant": [{"actor": around.subject, "status": taken}],
    }  # fmt: skip


def consent(row: Row, around: Around) -> Json:
    """Return the consent to the exchange programme."""
    ended = row["withdrawn_on"] is not None or row["valid_until"] < around.made_at.date()
    scope = {"system": "http://terminology.hl7.org/CodeSystem/consentscope", "code": "treatment"}
    return {
        "resourceType": "Consent", "status": "inactive" if ended else "active", "scope": {"coding": [scope]},
        "category": [words("treatment")], "patient": around.subject, "dateTime": row["given_on"].isoformat(),
        "policyRule": words("consent to red cell exchanges, in the unit's own words"),
        "provision": {"period": period(row["given_on"], row["withdrawn_on"] or row["valid_until"])},
    }  # fmt: skip


def sample(row: Row, around: Around) -> Json:
    """Return a group-and-screen sample."""
    return {
        "resourceType": "Specimen", "status": "entered-in-error" if row["withdrawn_reason"] else "available",
        "type": words("blood for group, screen and crossmatch"), "subject": around.subject,
        "collection": {"collectedDateTime": row["taken_at"].isoformat()}, **notes(row["note"]),
    }  # fmt: skip


def reaction(row: Row, around: Around) -> Json:
    """Return a reaction or mishap that happened."""
    return {
        "resourceType": "AdverseEvent", "actuality": "actual", "subject": around.subject,
        "event": words(row.field("kind").shown), "date": row["at"].isoformat(),
        "recordedDate": row["noted_at"].isoformat(),
    }  # fmt: skip


def trail_entry(row: Row, around: Around) -> Json:
    """Return a look at the person as an AuditEvent, a change as the Provenance of the row that was changed."""
    who = {"display": row.field("actor").shown or "Ebbline"}
    if row["chain"].startswith("seen:"):
        return {
            "resourceType": "AuditEvent", "type": {"system": OWN_CODES, "code": "saw"}, "action": "R",
            "recorded": row["at"].isoformat(), "agent": [{"who": who, "requestor": True}],
            "source": {"observer": {"display": "Ebbline"}}, "entity": [{"what": around.subject}],
        }  # fmt: skip
    changed = around.urn((row["row_kind"], row["row_key"])) if row["row_key"] is not None else None
    why = {"reason": [words(row["why"])]} if row["why"].strip() else {}
    return {
        "resourceType": "Provenance", "target": [{"reference": changed} if changed else around.subject],
        "recorded": row["at"].isoformat(), "activity": words(row["action"]), "agent": [{"who": who}], **why,
    }  # fmt: skip


def other(row: Row, around: Around) -> Json:
    """Return a row for which the standard has no fitting resource: all of it stands in the extension."""
    return {"resourceType": "Basic", "code": words(around.stored.titles[row.table]), "subject": around.subject}


BUILDS: Mapping[str, Build] = {
    "patients.Patient": patient,
    "patients.LabResult": result,
    "patients.BodyMeasure": measure,
    "patients.Antibody": antibody,
    "patients.TransfusionNeeds": needs,
    "patients.Goals": goals,
    "patients.Consent": consent,
    "patients.CrossmatchSample": sample,
    "exchange_sessions.ExchangeSession": exchange,
    "exchange_sessions.ExchangeStep": step,
    "exchange_sessions.DonationUnit": unit,
    "exchange_sessions.OtherTransfusion": transfusion,
    "exchange_sessions.HaemolysisSign": sign,
    "exchange_day.AdverseEvent": reaction,
    "booking.Booking": booking,
    "core.TrailEntry": trail_entry,
}
