"""What a plan was made from, and what of that has been corrected since: a signature stands only on what it named."""

from __future__ import annotations

from collections.abc import Iterable
from datetime import date, datetime
from typing import Any
from zoneinfo import ZoneInfo

from django.db.models import Q

from patients.models import (
    FLAGS,
    STORED_UNIT,
    Analyte,
    Antibody,
    BodyMeasure,
    Goals,
    LabResult,
    Patient,
    ResultStatus,
    TransfusionNeeds,
)
from sessions.day import rows
from sessions.day.models import Prescription
from sessions.models import LockLift, OtherTransfusion, StoredForecast


def standing_of(patient: Patient, on: date) -> dict[str, Any]:
    """Return what a plan of the day `on` rests on beside today's figures, as its inputs name it. Seven queries."""
    goals = Goals.objects.begun(on).filter(patient=patient).first()
    needs = TransfusionNeeds.objects.filter(patient=patient).values_list("version", flat=True).first()
    antibodies = Antibody.objects.filter(patient=patient, withdrawn_reason="").order_by("pk")
    given = OtherTransfusion.objects.filter(patient=patient, on__lte=on, withdrawn_reason="").order_by("pk")
    return {
        "goals": None if goals is None else goals.pk,
        "needs_version": needs,
        "antibodies": list(antibodies.values_list("pk", flat=True)),
        "transfusions": list(given.values_list("pk", flat=True)),
        "signs": open_signs(patient),
        "flags": [name for name in FLAGS if getattr(patient, name)],
        "pregnant": patient.is_pregnant(on),
        "body": _body_of(patient, on),
    }


def _body_of(patient: Patient, on: date) -> dict[str, Any]:
    """What the blood volume is reckoned from beside the weight, which is named with its measure. One query."""
    heights = BodyMeasure.objects.filter(patient=patient, on__lte=on, height_cm__isnull=False, withdrawn_reason="")
    return {
        "height_cm": heights.order_by("-on", "-pk").values_list("height_cm", flat=True).first(),
        "sex": patient.sex,
        "born": None if patient.birth_date is None else patient.birth_date.isoformat(),
    }


def changed_since(plan: Prescription, patient: Patient, on: date) -> tuple[str, ...]:
    """Return a sentence for every input of the plan that was corrected, withdrawn or decided anew; about 11 queries.

    An HbS that arrives for a plan made on a forecast is no correction: the plan named no result.
    """
    zone = ZoneInfo(patient.site.time_zone)
    named, now = plan.inputs, standing_of(patient, on)
    said = [*_results(named, patient, on, zone), *_weight(named, patient, on)]
    if "goals" not in named:
        return tuple(said)
    if now["goals"] != named["goals"]:
        said.append("The goals were decided anew.")
    if now["needs_version"] != named["needs_version"]:
        said.append("What blood the person must have was changed.")
    said += _antibodies(patient, named["antibodies"], now["antibodies"])
    if now["flags"] != named.get("flags", now["flags"]):
        words = ", ".join(FLAGS[name] for name in now["flags"]) or "none"
        said.append(f"The flags that set limits are now: {words}.")
    said += _body(named.get("body", now["body"]), now["body"])
    if now["transfusions"] != named.get("transfusions", now["transfusions"]):
        said.append("Red cells given outside an exchange were recorded or withdrawn: Hb and HbS can be others now.")
    if now["pregnant"] and not named.get("pregnant"):
        said.append("A pregnancy was recorded: the volume formulas do not hold.")
    if set(now["signs"]) - set(named.get("signs", now["signs"])) or _locked_by_figures(patient):
        said.append("Possible haemolysis: no red cells until a haematologist has decided.")
    return tuple(said)


def result_keys(named: dict[str, Any]) -> list[int]:
    """Return the keys of the results that a plan rests on."""
    keys = [(named.get(name) or {}).get("result") for name in ("hb", "hbs")]
    keys += (named.get("hbs") or {}).get("with") or []
    return [key for key in keys if key is not None]


def _results(named: dict[str, Any], patient: Patient, on: date, zone: ZoneInfo) -> Iterable[str]:
    """Results that were corrected, and an Hb newer than the one that every limit of the plan hangs on."""
    keys, hb = result_keys(named), named.get("hb") or {}
    corrected = Q(pk__in=keys, superseded_by__isnull=False)
    new = Q(supersedes__isnull=True) | Q(supersedes__status=ResultStatus.PRELIMINARY)
    newer = new & Q(
        analyte=Analyte.HB, superseded_by__isnull=True, link__isnull=True, taken_on__lte=on,
        taken_at__gt=hb["taken_at"], status=ResultStatus.FINAL, held_reason="",
    ) if hb.get("result") and hb.get("taken_at") else Q(pk__in=[])  # fmt: skip
    rows = LabResult.objects.filter(corrected | newer, patient=patient).distinct().order_by("pk")
    for row in rows:
        if row.pk not in keys:
            continue
        newest = row
        while later := LabResult.objects.filter(supersedes=newest).first():
            newest = later
        yield _corrected(row, newest, zone)
    others = [row for row in rows if row.pk not in keys]
    latest = max(others, key=lambda row: (row.taken_at, row.pk), default=None)
    if latest is not None and latest.value != hb["value"]:
        came = f"{latest.value:g} g/L of {_when(latest.taken_at, zone)}"
        yield f"A newer Hb came, {came}; the plan rests on {hb['value']:g}."


def _corrected(old: LabResult, newest: LabResult, zone: ZoneInfo) -> str:
    unit = STORED_UNIT[old.analyte]
    what = f"{old.get_analyte_display()} {old.value:g} {unit} of {_when(old.taken_at, zone)}"
    why = f": {newest.why.rstrip('. ')}" if newest.why else ""
    if newest.status == ResultStatus.WITHDRAWN:
        return f"{what} was withdrawn{why}."
    if newest.value == old.value:
        return f"{what} was corrected (time or method){why}."
    return f"{what} was corrected to {newest.value:g} {unit}{why}."


def _weight(named: dict[str, Any], patient: Patient, on: date) -> Iterable[str]:
    """The weight that the plan rests on was withdrawn, or the person was weighed again since and weighs otherwise."""
    old = named.get("weight") or {}
    key, since = old.get("measure"), old.get("on")
    if since is None:
        return
    measures = BodyMeasure.objects.filter(patient=patient, on__range=(since, on), weight_kg__isnull=False)
    rows = sorted(measures, key=lambda row: (row.on, row.pk))
    for row in rows:
        if row.pk == key and row.withdrawn_reason:
            yield f"The weight of {row.weight_kg:g} kg was withdrawn: {row.withdrawn_reason.rstrip('. ')}."
    # A weight of the last session is named by its day alone; a measure of that same day was passed over for it.
    first = (date.fromisoformat(since), float("inf") if key is None else key)
    newer = [row for row in rows if not row.withdrawn_reason and (row.on, row.pk) > first]
    if newer and newer[-1].weight_kg != old["value"]:
        new = newer[-1]
        came = f"{new.weight_kg:g} kg of {new.on.day} {new.on:%b}"
        yield f"A newer weight came, {came}; the plan rests on {old['value']:g}."


def _body(old: dict[str, Any], now: dict[str, Any]) -> Iterable[str]:
    """Height, sex and birth date give the blood volume, and with it every share, deficit and limit of the plan."""
    if now["height_cm"] != old["height_cm"]:
        was, height = (_centimetres(body["height_cm"]) for body in (old, now))
        yield f"The height recorded is now {height}; the blood volume of the plan rests on {was}."
    if now["sex"] != old["sex"]:
        yield "The sex recorded is another now; the blood volume of the plan rests on the one before."
    if now["born"] != old["born"]:
        was, born = (body["born"] or "none" for body in (old, now))
        yield f"The birth date recorded is now {born}; the plan rests on {was}."


def _centimetres(height_cm: float | None) -> str:
    return "none" if height_cm is None else f"{height_cm:g} cm"


def _antibodies(patient: Patient, named: list[int], now: list[int]) -> Iterable[str]:
    changed = set(named) ^ set(now)
    for name, gone in Antibody.objects.filter(patient=patient, pk__in=changed).values_list("name", "withdrawn_reason"):
        yield f"{name} was withdrawn from the antibodies." if gone else f"{name} was added to the antibodies."


def open_signs(patient: Patient) -> list[int]:
    """Return the signs of haemolysis that no lift of the lock has judged yet; one query, two where there are any."""
    signs = rows.SIGNS.rows(patient=patient.pk)
    if not signs:
        return []
    lift = LockLift.objects.filter(patient=patient).order_by("-on", "-at").first()
    return [
        row.pk
        for row in signs
        if lift is None or row.on > lift.on or (row.noted_at is not None and row.noted_at > lift.at)
    ]


def _locked_by_figures(patient: Patient) -> bool:
    return StoredForecast.objects.filter(patient=patient, locked__isnull=False).exists()


def _when(at: datetime, zone: ZoneInfo) -> str:
    local = at.astimezone(zone)
    return f"{local.day} {local:%b}, {local:%H:%M}"
