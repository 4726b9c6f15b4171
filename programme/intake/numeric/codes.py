"""Which codes and units are taken, and how a value becomes one in the stored unit. Nothing else is guessed.

This material contains content from LOINC (http://loinc.org). LOINC is copyright © Regenstrief Institute, Inc. and the
Logical Observation Identifiers Names and Codes (LOINC) Committee and is available at no cost under the license at
http://loinc.org/license. LOINC® is a registered United States trademark of Regenstrief Institute, Inc.

Units are those of UCUM (Regenstrief Institute, https://ucum.org), in its case-sensitive form, in which the litre may be
written L or l. A valid check digit alone proves nothing: wrong codes with right digits are in circulation, so the list
is exact.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from types import MappingProxyType

from programme.core.numeric.quantities import BadNumber, parse_number
from programme.intake.numeric.arrivals import LOINC, Arrival

BILIRUBIN_G_PER_MOL = 584.66
CREATININE_G_PER_MOL = 113.12
"""Molar masses of C33H36N4O6 and C4H7N3O, from their atomic weights."""


def _umol_l_per_mg_dl(g_per_mol: float) -> float:
    """Return how many µmol/L one mg/dL is: 10 mg/L over the molar mass."""
    return 10_000.0 / g_per_mol


@dataclass(frozen=True, slots=True)
class Quantity:
    """What a code stands for. analyte: its stored name. units: factor of each allowed unit to the stored one.

    low, high: what is possible at all, in the stored unit; a value beyond is no result but a mistake.
    """

    analyte: str
    name: str
    stored_unit: str
    units: Mapping[str, float]
    low: float
    high: float


def _quantity(analyte: str, name: str, low: float, high: float, units: dict[str, float]) -> Quantity:
    return Quantity(analyte, name, next(iter(units)), MappingProxyType(units), low, high)


_PCT = {"%": 1.0}
_G_L = {"g/L": 1.0, "g/l": 1.0, "g/dL": 10.0, "g/dl": 10.0}
_HCT = {"L/L": 1.0, "l/l": 1.0, "%": 0.01}
_COUNT = {"10*9/L": 1.0, "10*9/l": 1.0, "10*3/uL": 1.0, "10*3/ul": 1.0}
_U_L = {"U/L": 1.0, "U/l": 1.0}
_UMOL = {"umol/L": 1.0, "umol/l": 1.0}

HB = _quantity("718-7", "Hb", 20, 250, _G_L)
HBS = _quantity("4625-0", "HbS", 0, 100, _PCT)
HBA = _quantity("4546-8", "HbA", 0, 100, _PCT)
HBF = _quantity("4576-5", "HbF", 0, 100, _PCT)
HBC = _quantity("4563-3", "HbC", 0, 100, _PCT)
HBA2 = _quantity("4551-8", "HbA2", 0, 100, _PCT)
HCT = _quantity("20570-8", "haematocrit", 0, 1, _HCT)
RETIC_COUNT = _quantity("14196-0", "reticulocytes", 0, 2000, _COUNT)
RETIC_PCT = _quantity("4679-7", "reticulocytes, share", 0, 100, _PCT)
FERRITIN = _quantity("2276-4", "ferritin", 0, 200_000, {"ug/L": 1.0, "ug/l": 1.0, "ng/mL": 1.0, "ng/ml": 1.0})
BILIRUBIN = _quantity("14631-6", "bilirubin", 0, 2000, _UMOL)
LDH = _quantity("2532-0", "LDH", 0, 50_000, _U_L)
ALT = _quantity("1742-6", "ALT", 0, 50_000, _U_L)
CREATININE = _quantity("14682-9", "creatinine", 0, 5000, _UMOL)

_BILIRUBIN_MASS = Quantity(
    BILIRUBIN.analyte, BILIRUBIN.name, "umol/L",
    MappingProxyType(dict.fromkeys(("mg/dL", "mg/dl"), _umol_l_per_mg_dl(BILIRUBIN_G_PER_MOL))), 0, 2000,
)  # fmt: skip
_CREATININE_MASS = Quantity(
    CREATININE.analyte, CREATININE.name, "umol/L",
    MappingProxyType(dict.fromkeys(("mg/dL", "mg/dl"), _umol_l_per_mg_dl(CREATININE_G_PER_MOL))), 0, 5000,
)  # fmt: skip

ALLOWED: Mapping[str, Quantity] = MappingProxyType(
    {
        "718-7": HB,
        "4625-0": HBS,
        "4546-8": HBA,
        "4576-5": HBF,
        "32682-7": HBF,  # by electrophoresis
        "4563-3": HBC,
        "4551-8": HBA2,
        "4552-6": HBA2,  # by electrophoresis
        "20570-8": HCT,
        "4544-3": HCT,  # by automated count
        "14196-0": RETIC_COUNT,
        "60474-4": RETIC_COUNT,  # by automated count
        "4679-7": RETIC_PCT,
        "2276-4": FERRITIN,
        "14631-6": BILIRUBIN,
        "1975-2": _BILIRUBIN_MASS,  # from memory
        "2532-0": LDH,
        "14804-9": LDH,  # by lactate to pyruvate
        "1742-6": ALT,  # from memory
        "14682-9": CREATININE,
        "2160-0": _CREATININE_MASS,
    }
)
"""LOINC codes that are taken, each with its units. Codes marked so were not read in two public sources."""

BLOOD_GROUP = "882-1"
"""ABO and Rh group of the blood (LOINC, from memory): compared with what is recorded, never filed as a number."""
ANTIBODY_SCREEN = "890-4"
"""Blood group antibody screen of serum or plasma (LOINC, from memory): told to people unless it is clearly negative."""
NO_ANTIBODIES = frozenset({"NEG", "NEGATIVE", "NOT DETECTED", "NONE DETECTED", "NO ANTIBODIES DETECTED"})
GROUPS = frozenset(f"{abo}{rhd}" for abo in ("O", "A", "B", "AB") for rhd in ("+", "-"))

BY_ANALYTE: Mapping[str, Quantity] = MappingProxyType(
    {row.analyte: row for row in (HB, HBS, HBA, HBF, HBC, HBA2, HCT, RETIC_COUNT, RETIC_PCT, FERRITIN, BILIRUBIN, LDH,
                                  ALT, CREATININE)}
)  # fmt: skip


@dataclass(frozen=True, slots=True)
class LocalMeaning:
    """What a unit says its own code stands for: analyte '' where it is ignored, unit (UCUM) where none is sent."""

    analyte: str
    unit: str = ""


@dataclass(frozen=True, slots=True)
class Measured:
    """A value in the stored unit of its analyte; comparator as sent ('', '<' or '>')."""

    analyte: str
    value: float
    comparator: str = ""


@dataclass(frozen=True, slots=True)
class NotTaken:
    """Why an arrival cannot be taken as it is: reason code, sentence, and units in which it would be possible."""

    reason: str
    sentence: str
    possible_units: tuple[str, ...] = ()
    analyte: str = ""


def meaning(arrival: Arrival, local: Mapping[str, LocalMeaning]) -> tuple[Quantity | None, str]:
    """Return what the code of an arrival stands for and the unit that counts; None where the code is not known."""
    if arrival.code_system == LOINC:
        return ALLOWED.get(arrival.code), arrival.unit
    known = local.get(arrival.code)
    if known is None:
        return None, arrival.unit
    return BY_ANALYTE.get(known.analyte), arrival.unit or known.unit


def never_ignored(code: str) -> bool:
    """Say whether a code is one that is taken by itself, or told to people; no unit can have it ignored."""
    return code in ALLOWED or code in (BLOOD_GROUP, ANTIBODY_SCREEN)


def is_ignored(arrival: Arrival, local: Mapping[str, LocalMeaning]) -> bool:
    """Say whether the unit agreed that results under exactly this code are ignored."""
    known = local.get(arrival.code)
    return known is not None and not known.analyte and not never_ignored(arrival.code)


def read_value(arrival: Arrival, local: Mapping[str, LocalMeaning]) -> Measured | NotTaken:
    """Return the value of an arrival in its stored unit, or why a person must look at it."""
    quantity, unit = meaning(arrival, local)
    if quantity is None:
        return NotTaken("unknown_code", f"The code {arrival.code!r} is not on the list of codes that are taken.")
    if not unit:
        possible = _possible_units(quantity, arrival.value_text)
        return NotTaken("no_unit", f"No unit was sent. {_likely(quantity, arrival, possible)}", possible,
                        quantity.analyte)  # fmt: skip
    if unit not in quantity.units:
        allowed = ", ".join(quantity.units)
        return NotTaken("unknown_unit", f"{quantity.name} in {unit!r} is not taken; allowed is {allowed}.", (),
                        quantity.analyte)  # fmt: skip
    value = _number(arrival.value_text)
    if value is None:
        return NotTaken("not_a_number", f"{arrival.value_text[:24]!r} is not a number.", (), quantity.analyte)
    stored = _stored(quantity, value, unit)
    if not quantity.low <= stored <= quantity.high:
        words = f"{quantity.name} of {stored:g} {quantity.stored_unit} is not possible; allowed is "
        return NotTaken("impossible", f"{words}{quantity.low:g} to {quantity.high:g}.", (), quantity.analyte)
    return Measured(quantity.analyte, stored, arrival.comparator)


def _number(text: str) -> float | None:
    try:
        return parse_number(text, name="value", low=-1e9, high=1e9)
    except BadNumber:
        return None


def _stored(quantity: Quantity, value: float, unit: str) -> float:
    """Convert without inventing digits: a factor of ten must not turn 9.4 into 94.00000000000001."""
    factor = quantity.units[unit]
    return value if factor == 1.0 else float(f"{value * factor:.10g}")


def _possible_units(quantity: Quantity, value_text: str) -> tuple[str, ...]:
    value = _number(value_text)
    if value is None or not math.isfinite(value):
        return ()
    one_of_each: dict[float, str] = {}
    for unit, factor in quantity.units.items():
        one_of_each.setdefault(factor, unit)
    return tuple(u for u in one_of_each.values() if quantity.low <= _stored(quantity, value, u) <= quantity.high)


def _likely(quantity: Quantity, arrival: Arrival, possible: tuple[str, ...]) -> str:
    if len(possible) != 1:
        return "Ask the laboratory."
    value = _stored(quantity, float(_number(arrival.value_text) or 0), possible[0])
    likely = f"Only {possible[0]} is possible"
    return f"{likely}." if possible[0] == quantity.stored_unit else f"{likely}: {value:g} {quantity.stored_unit}."


def screen_is_negative(text: str) -> bool:
    """Say whether an antibody screen is clearly negative; whatever is not in these words is for a person."""
    return " ".join(text.upper().split()).rstrip(".") in NO_ANTIBODIES


_RH = {"+": "+", "-": "-", "POS": "+", "NEG": "-", "POSITIVE": "+", "NEGATIVE": "-"}


def read_group(text: str) -> str:
    """Return a blood group as 'O+' from the usual ways of writing it, empty where it is none."""
    words = text.upper().replace("RHD", " ").replace("RH", " ").replace("+", " +").replace("-", " -").split()
    if len(words) != 2:
        return ""
    group = words[0] + _RH.get(words[1], "?")
    return group if group in GROUPS else ""
