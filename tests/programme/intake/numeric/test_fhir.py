"""FHIR R4 resources: examples published with the standard, every status, and what must be refused."""

from __future__ import annotations

import json
from datetime import UTC, date, datetime
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given
from hypothesis import strategies as st

from programme.intake.numeric import fhir
from programme.intake.numeric.arrivals import CORRECTED, FINAL, PRELIMINARY, WITHDRAWN, Envelope, Unreadable
from programme.intake.numeric.codes import Measured, NotTaken, read_value

LONDON = ZoneInfo("Europe/London")
HERE = Envelope("Tidewater Laboratory", LONDON)

# HL7's own examples, Observation/f005, f202 and f204 (hl7.org/fhir/R4, observation examples), without narrative,
# performer and reference ranges.
F005 = {
    "resourceType": "Observation", "id": "f005", "status": "final",
    "identifier": [{"use": "official", "system": "http://www.bmc.nl/zorgportal/identifiers/observations",
                    "value": "6327"}],
    "code": {"coding": [{"system": "http://loinc.org", "code": "718-7",
                         "display": "Hemoglobin [Mass/volume] in Blood"}]},
    "subject": {"reference": "Patient/f001", "display": "P. van de Heuvel"},
    "effectivePeriod": {"start": "2013-04-02T10:30:10+01:00", "end": "2013-04-05T10:30:10+01:00"},
    "issued": "2013-04-05T15:30:10+01:00",
    "valueQuantity": {"value": 7.2, "unit": "g/dl", "system": "http://unitsofmeasure.org", "code": "g/dL"},
}  # fmt: skip
F202 = {
    "resourceType": "Observation", "id": "f202", "status": "entered-in-error",
    "code": {"coding": [{"system": "http://acme.lab", "code": "BT"},
                        {"system": "http://loinc.org", "code": "8310-5", "display": "Body temperature"}]},
    "subject": {"reference": "Patient/f201", "display": "Roel"},
    "valueQuantity": {"value": 39, "unit": "degrees C", "system": "http://unitsofmeasure.org", "code": "Cel"},
}  # fmt: skip
F204 = {
    "resourceType": "Observation", "id": "f204", "status": "final",
    "identifier": [{"system": "https://intranet.aumc.nl/labvalues", "value": "1304-03720-Creatinine"}],
    "code": {"coding": [{"system": "https://intranet.aumc.nl/labtestcodes", "code": "20005",
                         "display": "Creatinine(Serum)"}]},
    "subject": {"reference": "Patient/f201", "display": "Roel"},
    "valueQuantity": {"value": 122, "unit": "umol/L", "system": "http://snomed.info/sct", "code": "258814008"},
}  # fmt: skip


def observation(**changes):
    """An Observation of our own, with the person contained; a change to None leaves a field out."""
    whole = {
        "resourceType": "Observation",
        "id": "o1",
        "status": "final",
        "contained": [{"resourceType": "Patient", "id": "p", "birthDate": "1994-03-14"}],
        "subject": {"reference": "#p", "identifier": {"value": "R001"}},
        "code": {"coding": [{"system": "http://loinc.org", "code": "4625-0"}]},
        "effectiveDateTime": "2026-06-01T07:15:00+01:00",
        "valueQuantity": {"value": 31.5, "unit": "%", "system": "http://unitsofmeasure.org", "code": "%"},
        **changes,
    }
    return {name: value for name, value in whole.items() if value is not None}


def read(resource):
    return fhir.read(json.dumps(resource).encode(), HERE)


def only(resource):
    (arrival,) = read(resource)
    return arrival


def bundle(*resources, kind="transaction"):
    entries = [
        {"fullUrl": f"urn:uuid:{number}", "resource": one, "request": {"method": "POST", "url": one["resourceType"]}}
        for number, one in enumerate(resources)
    ]
    return {"resourceType": "Bundle", "type": kind, "entry": entries}


# Published examples


def test_haemoglobin_f005_is_72_g_per_litre_by_its_unit_code():
    arrival = only(F005)
    assert (arrival.code, arrival.code_system, arrival.value_text, arrival.unit) == ("718-7", "loinc", "7.2", "g/dL")
    assert read_value(arrival, {}) == Measured("718-7", 72.0)
    assert (arrival.result_id, arrival.status, arrival.reference) == ("6327", FINAL, "Patient/f001")
    assert arrival.taken_at == datetime(2013, 4, 2, 9, 30, 10, tzinfo=UTC)
    assert not arrival.time_known  # a period of three days
    assert arrival.birth_date is None  # so it waits for a person


def test_temperature_f202_was_entered_in_error_and_gives_no_value():
    arrival = only(F202)
    assert (arrival.status, arrival.value_text, arrival.code) == (WITHDRAWN, "", "8310-5")


def test_creatinine_f204_has_a_local_code_only_and_is_not_guessed():
    arrival = only(F204)
    assert (arrival.code, arrival.code_system, arrival.unit) == ("20005", "local", "umol/L")
    not_taken = read_value(arrival, {})
    assert isinstance(not_taken, NotTaken) and not_taken.reason == "unknown_code"


@pytest.mark.parametrize(
    ("said", "status"),
    [
        ("preliminary", PRELIMINARY), ("final", FINAL), ("amended", CORRECTED), ("corrected", CORRECTED),
        ("cancelled", WITHDRAWN), ("entered-in-error", WITHDRAWN), ("registered", None),
    ],
)  # fmt: skip
def test_every_status_of_the_standard(said, status):
    """The eight codes of ObservationStatus (hl7.org/fhir/R4); the eighth, 'unknown', is refused below."""
    assert [one.status for one in read(observation(status=said))] == ([] if status is None else [status])


# People


def test_the_person_is_contained_or_in_the_bundle():
    assert (only(observation()).reference, only(observation()).birth_date) == ("R001", date(1994, 3, 14))
    patient = {
        "resourceType": "Patient", "id": "x", "identifier": [{"value": "R001"}], "birthDate": "1994-03-14",
    }  # fmt: skip
    for subject in (
        {"identifier": {"value": "R001"}},
        {"reference": "urn:uuid:0"},
        {"reference": "Patient/x", "identifier": {"value": "R001"}},
    ):
        one = only(bundle(patient, observation(contained=None, subject=subject)))
        assert (one.reference, one.birth_date, one.result_id) == ("R001", date(1994, 3, 14), "o1")


def test_without_a_birth_date_the_result_goes_on_without():
    for born in (None, "1994", "1994-03"):
        contained = [{"resourceType": "Patient", "id": "p", **({"birthDate": born} if born else {})}]
        assert only(observation(contained=contained)).birth_date is None
    assert only(observation(contained=None, subject={"identifier": {"value": "R001"}})).birth_date is None


def test_a_subject_that_says_two_people_is_refused():
    contained = [{"resourceType": "Patient", "id": "p", "identifier": [{"value": "R002"}]}]
    with pytest.raises(Unreadable, match=r"subject\.identifier is 'R001', and the Patient it refers to is 'R002'"):
        read(observation(contained=contained))


# Reports, bundles, components


def report(*references, status="final", **changes):
    return {
        "resourceType": "DiagnosticReport",
        "status": status,
        "code": {"text": "Haemoglobins"},
        "subject": {"reference": "#p", "identifier": {"value": "R001"}},
        "result": [{"reference": one} for one in references],
        **changes,
    }


def test_a_report_brings_what_it_contains_and_lends_it_its_person():
    patient = {"resourceType": "Patient", "id": "p", "birthDate": "1994-03-14"}
    inside = [observation(id=f"o{n}", contained=None, subject=None) for n in (1, 2)]
    arrivals = read(report("#o1", "#o2", contained=[patient, *inside]))
    assert [(one.result_id, one.reference, one.birth_date) for one in arrivals] == [
        ("o1", "R001", date(1994, 3, 14)), ("o2", "R001", date(1994, 3, 14)),
    ]  # fmt: skip
    taken_back = read(report("#o1", contained=[patient, *inside], status="entered-in-error"))
    assert [one.status for one in taken_back] == [WITHDRAWN]


def test_a_report_in_a_bundle_counts_its_observations_once():
    arrivals = read(bundle(observation(), report("urn:uuid:0"), kind="batch"))
    assert [one.status for one in arrivals] == [FINAL]
    assert [one.status for one in read(bundle(observation(), report("urn:uuid:0", status="cancelled")))] == [WITHDRAWN]


def test_components_are_results_of_their_own():
    parts = [
        {
            "code": {"coding": [{"system": "http://loinc.org", "code": code}]},
            "valueQuantity": {"value": value, "unit": "%"},
        }
        for code, value in (("4625-0", 31.5), ("4576-5", 4))
    ]
    arrivals = read(observation(valueQuantity=None, component=parts))
    assert [(one.result_id, one.code, one.value_text) for one in arrivals] == [
        ("o1|4625-0", "4625-0", "31.5"), ("o1|4576-5", "4576-5", "4"),
    ]  # fmt: skip


def test_without_identifier_and_id_person_code_and_time_stand_for_a_result():
    corrected = observation(id=None, status="corrected", valueQuantity={"value": 30, "unit": "%"})
    later = observation(id=None, effectiveDateTime="2026-06-01T07:16:00+01:00")
    assert only(observation(id=None)).result_id == only(corrected).result_id != only(later).result_id


# Values and times


@pytest.mark.parametrize(
    ("value", "expected"),
    [
        ({"valueQuantity": {"value": 5, "comparator": "<", "unit": "%"}}, ("<", "5", "%")),
        ({"valueQuantity": {"value": 5, "comparator": "<=", "unit": "%"}}, ("", "<=5", "%")),
        ({"valueString": "<5"}, ("<", "5", "")),
        ({"valueString": "O Pos"}, ("", "O Pos", "")),
        ({"valueCodeableConcept": {"coding": [{"code": "x", "display": "O Pos"}]}}, ("", "O Pos", "")),
        ({"valueInteger": 7}, ("", "7", "")),
        ({"valueBoolean": True}, ("", "", "")),
        ({"dataAbsentReason": {"text": "clotted"}}, ("", "", "")),
    ],
)
def test_values_as_they_are_given_on(value, expected):
    arrival = only(observation(valueQuantity=None) | value)
    assert (arrival.comparator, arrival.value_text, arrival.unit) == expected


@pytest.mark.parametrize(
    ("effective", "expected", "known"),
    [
        ({"effectiveDateTime": "2026-06-01T08:15:30.25Z"}, datetime(2026, 6, 1, 8, 15, 30, 250000, UTC), True),
        ({"effectiveInstant": "2026-06-01T08:15:30+01:00"}, datetime(2026, 6, 1, 7, 15, 30, 0, UTC), True),
        ({"effectiveDateTime": "2026-06-01"}, datetime(2026, 5, 31, 23, tzinfo=UTC), False),
        ({"effectiveDateTime": "2026-06"}, None, False),
        ({"effectivePeriod": {"start": "2026-06-01T08:15:00Z"}}, datetime(2026, 6, 1, 8, 15, tzinfo=UTC), True),
        ({}, None, False),
    ],
)
def test_times(effective, expected, known):
    arrival = only(observation(effectiveDateTime=None) | effective)
    assert (arrival.taken_at, arrival.time_known) == (expected, known)


def test_a_number_keeps_the_digits_that_were_written():
    body = json.dumps(observation()).replace("31.5", "31.500000000000000000001").encode()
    (arrival,) = fhir.read(body, HERE)
    assert arrival.value_text == "31.500000000000000000001"


# What is refused


@pytest.mark.parametrize(
    ("resource", "said"),
    [
        (observation(status="unknown"), r"Observation\.status is 'unknown'"),
        (observation(status="nonsense"), "status"),
        (observation(status={"a": 1}), "status"),
        (observation(status=None), "status"),
        (observation(id=None, effectiveDateTime=None), "no identifier, id or effective time"),
        (observation(code=None), "code is empty"),
        (observation(subject=None), "subject is missing"),
        (observation(contained=None), "contained Patient that is not there"),
        (observation(valueQuantity={"value": "92", "unit": "%"}), "not written as a number"),
        (observation(valueString="x"), "2 values"),
        (observation(effectiveDateTime="2026-06-01T08:15:00"), "time with offset"),
        (observation(effectiveDateTime="2026-02-30"), "no day"),
        (observation(effectiveDateTime="2026-06-01T25:15:00Z"), "no time"),
        (observation(modifierExtension=[{"url": "x"}]), "modifierExtension"),
        (observation(implicitRules="x"), "implicitRules"),
        (observation(note="x"), "note is not a list"),
        (observation(contained=[1]), "contained is not a list of objects"),
        ({"resourceType": "Patient"}, "resourceType is 'Patient'"),
        ({}, "resourceType"),
        (bundle(observation(), kind="collection"), "Bundle.type"),
        (bundle(), "no Observation"),
        (report("Observation/1"), r"result\[0\] refers to an Observation that is not in the message"),
        ({"resourceType": "Bundle", "type": "batch", "entry": [{"resource": F005}]}, "request is missing"),
    ],
)
def test_what_cannot_be_read_says_where_and_what_is_allowed(resource, said):
    with pytest.raises(Unreadable, match=said):
        read(resource)


@pytest.mark.parametrize(
    ("body", "said"),
    [
        (b"", "not JSON: line 1"),
        (b"\xff\xfe{}", "not UTF-8"),
        (b"[]", "not a JSON object"),
        (b'{"a": NaN}', "NaN is no number"),
        (b'{"status": "final", "status": "preliminary"}', "'status' stands twice"),
        (b'{"a": {"b": 1, "b": 1}}', "'b' stands twice"),
        (b'{"a":' * 41 + b"1" + b"}" * 41, "nested more than 40 deep"),
        (b"[" * 900_000, "nested more than 40 deep"),
        (b'{"a": "\\u0000"}', "control character"),
        (b'{"a": "\\ud800"}', "surrogates"),
        (b'{"a": "' + b"x" * 1_000_000 + b'"}', "allowed are 1000000"),
        (b'{"a": 1' + b"0" * 100_000 + b"}", "resourceType"),
    ],
)
def test_json_that_is_refused(body, said):
    with pytest.raises(Unreadable, match=said):
        fhir.read(body, HERE)


JSON = st.recursive(
    st.none() | st.booleans() | st.floats(allow_nan=False) | st.text(max_size=5) | st.sampled_from(["final", "#p"]),
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(st.text(max_size=5), inner, max_size=3),
    max_leaves=6,
)


@given(st.sampled_from(sorted(observation())), JSON, st.booleans())
def test_any_field_may_be_anything_and_nothing_breaks(name, value, in_bundle):
    """A law: a parser answers with results or with Unreadable, and with nothing else."""
    resource = observation() | {name: value}
    if in_bundle and isinstance(resource["resourceType"], str):
        resource = bundle(resource)
    try:
        assert all(one.reference for one in read(resource))
    except Unreadable as refusal:
        assert str(refusal)


def test_a_report_that_is_refused_in_a_batch_leaves_nothing_of_itself():
    fine = observation(id="o1", contained=None)
    inside = [*observation()["contained"], fine, observation(id="o2", contained=None, status="unknown")]
    broken = {**report("#o1", "#o2", contained=inside), "status": "cancelled"}
    taken = fhir.read_entries(json.dumps(bundle(broken, observation(id="o9"), kind="batch")).encode(), HERE)
    assert [arrival.result_id for arrival in taken.arrivals] == ["o9"]
    assert list(taken.refused) == [0]


@pytest.mark.parametrize("fault", ["result", "method", "contained"])
def test_what_a_refused_report_may_take_back_does_not_stand_as_final(fault):
    """The report takes o1 back, and cannot be read: whatever is wrong with it, o1 is not taken for a result."""
    back = {**report("Observation/o1", "Observation/o9"), "status": "entered-in-error"}
    if fault != "result":
        back["result"] = back["result"][:1]
    if fault == "contained":
        back["contained"] = [1]
    batch = bundle(observation(id="o1"), back, observation(id="o2"), kind="batch")
    if fault == "method":
        batch["entry"][1]["request"]["method"] = "DELETE"
    taken = fhir.read_entries(json.dumps(batch).encode(), HERE)
    assert [arrival.result_id for arrival in taken.arrivals] == ["o2"]
    assert sorted(taken.refused) == [0, 1]
    assert "report of this batch that was refused" in taken.refused[0]


def test_a_bundle_of_too_many_entries_is_refused_as_a_whole():
    many = {"resourceType": "Bundle", "type": "batch", "entry": [{}] * (fhir.MOST_ENTRIES + 1)}
    with pytest.raises(Unreadable, match="allowed are at most 2000"):
        read(many)
