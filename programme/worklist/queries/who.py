"""Who this is and what blood they must have: the strip on every page about one person. Fixed number of queries."""

from __future__ import annotations

import math
from dataclasses import dataclass
from datetime import date
from typing import Any

from patients.models import Antibody, Patient, TransfusionNeeds
from programme.core.numeric.words import listed
from programme.worklist.numeric.words import figure, short_day_words
from sessions.models import HaemolysisSign
from sessions.numeric.mixing import bound_words
from sessions.numeric.volume import blood_volume_ml, volume_rule
from sessions.queries.people import PersonRecord

MINUS = "\u2212"


@dataclass(frozen=True, slots=True)
class Fact:
    """One fact with its unit; `reckoned` figures are set in italic."""

    label: str
    figure: str
    unit: str = ""
    reckoned: bool = False


@dataclass(frozen=True, slots=True)
class Blood:
    """What blood they must have; `group` says so where nothing is recorded."""

    group: str
    recorded: bool
    units: str
    antibodies: tuple[tuple[str, str], ...]  # (name, ' 2014' or ' 2014, elsewhere')
    own_type: str
    other: str
    last_sign: str


@dataclass(frozen=True, slots=True)
class Who:
    patient_ref: str
    name: str
    born: str
    sex: str
    facts: tuple[Fact, ...]
    blood: Blood


def who(patient: Patient, record: PersonRecord, today: date, *, mixing: float = math.nan) -> Who:
    """Return the strip of one person; three queries. mixing: effective over formula blood volume, nan where unknown."""
    return Who(
        patient_ref=patient.patient_ref,
        name=patient.shown_name,
        born=_born(patient, today),
        sex=patient.get_sex_display(),
        facts=tuple(_facts(patient, record, today, mixing)),
        blood=blood_needed(patient, today),
    )


def volume_of(record: PersonRecord) -> tuple[float, str]:
    """Return the blood volume of a person [mL], nan where the weight is missing, and the rule in words."""
    body: dict[str, Any] = {
        "female": record.female, "height_cm": record.height_cm, "weight_kg": record.weight_kg,
        "age_years": record.age_years,
    }  # fmt: skip
    if math.isnan(record.weight_kg):
        return math.nan, "no weight is recorded"
    return float(blood_volume_ml(**body)), volume_rule(**body)


def _born(patient: Patient, today: date) -> str:
    if patient.birth_date is None:
        return "birth date not recorded, adult rules apply"
    born, age = patient.birth_date, patient.age_years(today) or 0.0
    return f"born {born.day} {born:%b %Y}, {math.floor(age)}"


def _facts(patient: Patient, record: PersonRecord, today: date, mixing: float) -> list[Fact]:
    volume, _ = volume_of(record)
    litres = "cannot say" if math.isnan(volume) else figure(volume / 1000, 2)
    unit = "L by the formula, which does not hold in pregnancy" if record.pregnant else "L"
    facts = [
        Fact(_genotype(patient), f"untransfused {record.untransfused_pct:.0f}", "%"),
        Fact("weight", *_weight(record, today)),
        Fact("height", "not recorded" if math.isnan(record.height_cm) else f"{record.height_cm:g}",
             "" if math.isnan(record.height_cm) else "cm"),
        Fact("blood volume", litres, "" if math.isnan(volume) else unit),
    ]  # fmt: skip
    if record.pregnant and patient.pregnant_since:
        facts.insert(0, Fact("pregnant", f"since {short_day_words(patient.pregnant_since, today)}"))
    if not math.isnan(volume * mixing):
        at_bound = ", held at its bound" if bound_words(mixing) else ""
        facts.append(Fact("mixes like", figure(volume * mixing / 1000, 2), f"L{at_bound}", reckoned=True))
    facts += [
        Fact("access", patient.vascular_access or "not recorded"),
        Fact("spleen", patient.get_spleen_display() if patient.spleen else "not recorded"),
        Fact("ceiling", f"{record.hbs_ceiling_pct:g}", "%"),
        Fact("accepted chance", f"{100 * record.accepted_chance:.0f}", "in 100"),
    ]
    if patient.flag_words:
        facts.append(Fact("flag", listed(patient.flag_words)))
    if patient.language:
        facts.append(Fact("speaks", patient.language))
    return facts


def _genotype(patient: Patient) -> str:
    if not patient.genotype:
        return "genotype not recorded,"
    return f"Hb{patient.genotype}" if patient.genotype in ("SS", "SC") else patient.get_genotype_display()


def _weight(record: PersonRecord, today: date) -> tuple[str, str]:
    if record.weight_on is None or math.isnan(record.weight_kg):
        return "not recorded", ""
    return figure(record.weight_kg, 1), f"kg, {short_day_words(record.weight_on, today)}"


def blood_needed(patient: Patient, today: date) -> Blood:
    """Return what blood a person must have; three queries."""
    needs = TransfusionNeeds.objects.filter(patient=patient).first()
    found = Antibody.objects.filter(patient=patient, withdrawn_reason="").order_by("found_year", "name")
    antibodies = tuple((row.name, _when_found(row)) for row in found)
    sign = HaemolysisSign.objects.filter(patient=patient).order_by("-on", "-pk").first()
    last_sign = "" if sign is None else f"{sign.get_sign_display()}, {short_day_words(sign.on, today)}"
    if needs is None or not needs.abo:
        return Blood("Blood group not recorded: no units can be chosen.", False, "", antibodies, "", "", last_sign)
    rhd = {"+": ", D positive", "-": ", D negative"}.get(needs.rhd, ", D not recorded")
    return Blood(
        group=f"Group {needs.abo}{rhd}.",
        recorded=True,
        units=_units(needs),
        antibodies=antibodies,
        own_type=needs.own_type.replace("-", MINUS),
        other=needs.other,
        last_sign=last_sign,
    )


def _when_found(row: Antibody) -> str:
    year = f" {row.found_year}" if row.found_year else ""
    return f"{year} elsewhere" if row.found_elsewhere else year


def _units(needs: TransfusionNeeds) -> str:
    avoid = [part for part in needs.antigens_to_avoid.replace(";", ",").replace(",", " ").split() if part]
    negatives = " ".join(f"{part.rstrip('-' + MINUS)}{MINUS}" for part in avoid)
    parts = [part for part in (negatives, "HbS-negative" if needs.hbs_negative else "") if part]
    return f"Units {', '.join(parts)}." if parts else ""
