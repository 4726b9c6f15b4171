"""Codes and units: an exact list, checked against the check digit of LOINC and conversions from outside."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime

import pytest
from scipy import constants

from programme.intake.numeric import codes
from programme.intake.numeric.arrivals import LOCAL, LOINC, Arrival, arrival_of

SENT = Arrival(
    reference="R001", birth_date=None, code="718-7", code_system=LOINC, value_text="9.4", comparator="", unit="g/dL",
    taken_at=datetime(2026, 6, 1, 8, tzinfo=UTC), result_id="A1", status="final", source="Tidewater Laboratory",
)  # fmt: skip


def check_digit(digits: str) -> int:
    """The check digit of LOINC: modulus 10 (LOINC Users' Guide, appendix on the check digit; the rule of Luhn)."""
    doubled = [int(d) for d in str(int(digits[::-1][::2][::-1]) * 2)]
    others = [int(d) for d in digits[::-1][1::2]]
    return -(sum(doubled) + sum(others)) % 10


def test_the_check_digit_as_the_guide_works_it_out():
    assert [check_digit(number) for number in ("4625", "718", "20570", "4563")] == [0, 7, 8, 3]


@pytest.mark.parametrize("code", [*codes.ALLOWED, codes.BLOOD_GROUP])
def test_every_code_that_is_taken_has_the_check_digit_of_loinc(code):
    number, digit = code.split("-")
    assert check_digit(number) == int(digit)


@pytest.mark.parametrize("code", ["4625-4", "4576-9", "4576-3", "35499-4", "67881-8", "32682-8", "30350-3", "789-8"])
def test_wrong_codes_that_are_in_circulation_are_not_taken(code):
    """Six with a wrong digit, and two that are right codes of something else (venous Hb, red cell count)."""
    found = codes.read_value(replace(SENT, code=code), {})
    assert isinstance(found, codes.NotTaken) and found.reason == "unknown_code"


@pytest.mark.parametrize(
    ("code", "value", "unit", "analyte", "stored"),
    [
        ("718-7", "7.2", "g/dL", "718-7", 72.0),  # the haemoglobin of example f005 of HL7 FHIR
        ("718-7", "9.4", "g/dl", "718-7", 94.0),
        ("718-7", "94", "g/L", "718-7", 94.0),
        ("4625-0", "31.2", "%", "4625-0", 31.2),  # a percentage is not divided by 100 a second time
        ("32682-7", "4", "%", "4576-5", 4.0),
        ("20570-8", "29", "%", "20570-8", 0.29),
        ("4544-3", "0.29", "L/L", "20570-8", 0.29),
        ("2276-4", "1200", "ng/mL", "2276-4", 1200.0),
        ("14804-9", "300", "U/L", "2532-0", 300.0),
        ("14196-0", "250", "10*9/L", "14196-0", 250.0),
    ],
)
def test_a_value_is_converted_to_the_stored_unit(code, value, unit, analyte, stored):
    found = codes.read_value(replace(SENT, code=code, value_text=value, unit=unit), {})
    assert found == codes.Measured(analyte, stored)


@pytest.mark.parametrize(
    ("code", "analyte", "atoms"),
    [("1975-2", "14631-6", (33, 36, 4, 6)), ("2160-0", "14682-9", (4, 7, 3, 1))],
)
def test_mass_becomes_amount_by_the_molar_mass(code, analyte, atoms):
    """Bilirubin C33H36N4O6 and creatinine C4H7N3O, with the atomic weights of IUPAC (2021, abridged)."""
    molar_g = sum(many * weight for many, weight in zip(atoms, (12.011, 1.008, 14.007, 15.999), strict=True))
    umol_l = constants.milli / constants.deci / molar_g / constants.micro
    found = codes.read_value(replace(SENT, code=code, value_text="1", unit="mg/dL"), {})
    assert isinstance(found, codes.Measured) and found.analyte == analyte
    assert found.value == pytest.approx(umol_l, rel=1e-4)


@pytest.mark.parametrize(
    ("code", "unit"), [("718-7", "mmol/L"), ("718-7", "G/DL"), ("4625-0", "g/L"), ("4625-0", "1"), ("14631-6", "mg/dL"),
                       ("14682-9", "mg/dL"), ("718-7", "g%")]
)  # fmt: skip
def test_a_unit_that_does_not_belong_to_the_code_is_not_taken(code, unit):
    found = codes.read_value(replace(SENT, code=code, unit=unit), {})
    assert isinstance(found, codes.NotTaken) and found.reason == "unknown_unit"
    assert "allowed is" in found.sentence


def test_without_a_unit_only_what_is_possible_is_named_and_nothing_taken():
    found = codes.read_value(replace(SENT, unit=""), {})
    assert isinstance(found, codes.NotTaken) and found.possible_units == ("g/dL",)
    assert "94 g/L" in found.sentence
    both = codes.read_value(replace(SENT, unit="", value_text="22"), {})
    assert both.possible_units == ("g/L", "g/dL") and "Ask the laboratory" in both.sentence


@pytest.mark.parametrize("text", ["", "nan", "inf", "1e400", "9,4", "see note", "9.4.1"])
def test_what_is_no_number_is_not_taken(text):
    found = codes.read_value(replace(SENT, value_text=text), {})
    assert isinstance(found, codes.NotTaken) and found.reason in ("not_a_number", "impossible")


def test_a_local_code_stands_for_what_the_unit_says_and_never_for_a_loinc_code():
    local = {"SICKLE": codes.LocalMeaning("4625-0", "%")}
    mine = replace(SENT, code="SICKLE", code_system=LOCAL, value_text="31", unit="")
    assert codes.read_value(mine, local) == codes.Measured("4625-0", 31.0)
    assert codes.read_value(mine, {}).reason == "unknown_code"
    assert codes.read_value(replace(mine, code="718-7"), local).reason == "unknown_code"


@pytest.mark.parametrize(
    ("text", "group"),
    [("O+", "O+"), ("O POS", "O+"), ("AB RhD negative", "AB-"), ("a rh pos", "A+"), ("O", ""), ("C+", ""), ("", "")],
)
def test_a_group_is_read_from_the_usual_ways_of_writing_it(text, group):
    assert codes.read_group(text) == group


def test_an_arrival_is_the_same_after_it_was_kept_as_text():
    assert arrival_of(SENT.said()) == SENT
