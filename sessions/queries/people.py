"""People as they are on a day, as the planner reads them: a whole site, or some of its people, in few queries."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Collection, Sequence
from dataclasses import dataclass
from datetime import date, datetime, time, timedelta
from typing import Any
from zoneinfo import ZoneInfo

import numpy as np
from django.db.models import OuterRef, Q, Subquery

from patients.models import Analyte, BodyMeasure, Goals, LabResult, Patient
from patients.numeric.untransfused import untransfused_share_pct
from programme.core.models import Site
from sessions.models import (
    ExchangeSession,
    HaemolysisSign,
    LockLift,
    Method,
    Origin,
    OtherTransfusion,
    State,
    UnitState,
)

WATCHED_ANALYTES = (Analyte.HB, Analyte.HBA, Analyte.HBS)


@dataclass(frozen=True, slots=True)
class OpenTransfusion:
    """Red cells given since the last session. hb_g: nan where the amount is not known."""

    on: date
    hb_g: float


@dataclass(frozen=True, slots=True)
class PersonRecord:
    """One person on the programme as on a day; a number nobody recorded is nan.

    height_cm, weight_kg, weight_on: newest on or before the day, a weight also that of a session brought in or entered
    afterwards. goals_since: None where no goals were ever set and the site's defaults stand. usual_interval_days,
    end_target_hbs_pct, hb_floor_g_l, units_most: None where not set. open_transfusions: since last_on. method: how a
    session is done where nobody says otherwise. open_signs: signs of haemolysis after the newest lift of the lock.
    given_on: the day of a session that runs and in which red cells were begun; it is no last session yet.
    """

    pk: int
    patient_ref: str
    shown_name: str
    data_version: int
    standing: str
    female: bool
    birth_date: date | None
    age_years: float
    genotype: str
    untransfused_pct: float
    height_cm: float
    weight_kg: float
    weight_on: date | None
    flag_brain: bool
    flag_heart: bool
    flag_lung_pressure: bool
    pregnant: bool
    method: Method
    last_on: date | None
    last_given_up: bool
    goals_since: date | None
    review_on: date | None
    hbs_ceiling_pct: float
    accepted_chance: float
    hb_ceiling_g_l: float
    greatest_rise_g_l: float
    hb_floor_g_l: float | None
    shortest_interval_days: int
    longest_interval_days: int
    usual_interval_days: int | None
    end_target_hbs_pct: float | None
    units_most: int | None
    clinic_weekdays: tuple[int, ...]
    open_transfusions: tuple[OpenTransfusion, ...]
    open_signs: tuple[tuple[date, str], ...]
    given_on: date | None

    @property
    def one_arm(self) -> bool:
        return self.method == Method.ONE_ARM

    @property
    def soonest_days(self) -> int:
        """How long after the last session the next can come at the earliest: the shortest interval, or, where that
        one was given up, the next day."""
        return 1 if self.last_given_up else self.shortest_interval_days

    @property
    def is_flagged(self) -> bool:
        return self.flag_brain or self.flag_heart or self.flag_lung_pressure


def people_inputs(
    site: Site,
    on: date,
    settings: dict[str, float],
    *,
    patient_pks: Sequence[int] | None = None,
    goals_instead: Goals | None = None,
) -> tuple[PersonRecord, ...]:
    """Return everyone active at `site` as on the day `on`, in order of reference; five queries.

    Someone who joined the programme after that day, and had no session by then, is not among them.
    settings: the site's settings in force. patient_pks: only these people, active or not. goals_instead: goals that
    nobody has set yet, read in place of everyone's own.
    """
    patients: Any = Patient.objects.of_site(site).annotate(**_newest_on(on)).order_by("patient_ref")
    patients = patients.active() if patient_pks is None else patients.filter(pk__in=patient_pks)
    only = {} if patient_pks is None else {"patient__in": patient_pks}
    goals = {
        row.patient_id: row
        for row in Goals.objects.filter(patient__site=site, since__lte=on, **only).order_by("since", "pk")
    }
    transfusions = _transfusions(site, on, settings, only)
    signs = _open_signs(site, on, only)
    records = [
        _person_record(
            patient, on, settings, goals_instead or goals.get(patient.pk), transfusions[patient.pk], signs[patient.pk]
        )
        for patient in patients
        if patient_pks is not None or patient.session_on is not None or (patient.standing_since or on) <= on
    ]
    return tuple(sorted(records, key=lambda record: record.patient_ref))


def _newest_on(on: date) -> dict[str, Subquery]:
    """Annotations: newest weight measured, newest height, the newest session, and the newest of those not carried out
    here with its weight, on or before a day; and the day of a session that runs, once a unit of it was started.

    A session carried out here took its weight from what was recorded before it: it is no weighing of its own, and must
    not make an old weight look new.
    """
    measures = BodyMeasure.objects.filter(patient=OuterRef("pk"), on__lte=on, withdrawn_reason="")
    measures = measures.order_by("-on", "-pk")
    weights = measures.filter(weight_kg__isnull=False)
    heights = measures.filter(height_cm__isnull=False)
    done = ExchangeSession.objects.carried_out().filter(patient=OuterRef("pk"), on__lte=on).order_by("-on")
    told = done.exclude(origin=Origin.HERE)
    begun = ExchangeSession.objects.filter(
        patient=OuterRef("pk"), on__lte=on, state=State.RUNNING,
        donation_units__state__in=[UnitState.RUNNING, UnitState.GIVEN],
    )  # fmt: skip
    return {
        "measured_kg": Subquery(weights.values("weight_kg")[:1]),
        "measured_on": Subquery(weights.values("on")[:1]),
        "newest_height_cm": Subquery(heights.values("height_cm")[:1]),
        "told_kg": Subquery(told.values("weight_kg")[:1]),
        "told_on": Subquery(told.values("on")[:1]),
        "session_on": Subquery(done.values("on")[:1]),
        "session_state": Subquery(done.values("state")[:1]),
        "given_on": Subquery(begun.values("on")[:1]),
    }


def _transfusions(
    site: Site, on: date, settings: dict[str, float], only: dict[str, Any]
) -> defaultdict[int, list[OpenTransfusion]]:
    rows = OtherTransfusion.objects.filter(patient__site=site, on__lte=on, withdrawn_reason="", **only)
    found: defaultdict[int, list[OpenTransfusion]] = defaultdict(list)
    for row in rows.order_by("on", "pk"):
        hb_g = row.donor_hb_g(unit_hb_g=settings["unit_hb_g"], unit_volume_ml=settings["unit_volume_ml"])
        found[row.patient_id].append(OpenTransfusion(row.on, np.nan if hb_g is None else hb_g))
    return found


def _open_signs(site: Site, on: date, only: dict[str, Any]) -> defaultdict[int, list[tuple[date, str]]]:
    """Signs seen, or noted, after the newest lift of the lock, by person."""
    lifts = LockLift.objects.filter(patient__site=site, on__lte=on, **only).order_by("on", "at")
    newest = {lift.patient_id: lift for lift in lifts}
    found: defaultdict[int, list[tuple[date, str]]] = defaultdict(list)
    for row in HaemolysisSign.objects.filter(patient__site=site, on__lte=on, **only).order_by("on", "pk"):
        lift = newest.get(row.patient_id)
        if lift is None or row.on > lift.on or (row.noted_at is not None and row.noted_at > lift.at):
            found[row.patient_id].append((row.on, row.get_sign_display()))
    return found


def _person_record(
    patient: Any,
    on: date,
    settings: dict[str, float],
    goals: Goals | None,
    transfusions: list[OpenTransfusion],
    signs: list[tuple[date, str]],
) -> PersonRecord:
    by_session = patient.told_on is not None and patient.told_on >= (patient.measured_on or date.min)
    weight = patient.told_kg if by_session else patient.measured_kg
    age = patient.age_years(on)
    open_since = patient.session_on or date.min
    goals = goals or default_goals(settings)
    return PersonRecord(
        pk=patient.pk,
        patient_ref=patient.patient_ref,
        shown_name=patient.shown_name,
        data_version=patient.data_version,
        standing=patient.standing,
        female=patient.sex == "F",
        birth_date=patient.birth_date,
        age_years=np.nan if age is None else age,
        genotype=patient.genotype,
        untransfused_pct=untransfused_share_pct(
            recorded_pct=patient.untransfused_pct,
            genotype=patient.genotype,
            default_pct=settings["untransfused_default_pct"],
        ),
        height_cm=np.nan if patient.newest_height_cm is None else patient.newest_height_cm,
        weight_kg=np.nan if weight is None else weight,
        weight_on=patient.told_on if by_session else patient.measured_on,
        flag_brain=patient.flag_brain,
        flag_heart=patient.flag_heart,
        flag_lung_pressure=patient.flag_lung_pressure,
        pregnant=patient.is_pregnant(on),
        method=method_for(patient.vascular_access, goals.method),
        last_on=patient.session_on,
        last_given_up=patient.session_state == State.ABANDONED,
        goals_since=goals.since,
        review_on=goals.review_on,
        hbs_ceiling_pct=goals.hbs_ceiling_pct,
        accepted_chance=goals.accepted_chance,
        hb_ceiling_g_l=goals.hb_ceiling_g_l,
        greatest_rise_g_l=goals.greatest_rise_g_l,
        hb_floor_g_l=goals.hb_floor_g_l,
        shortest_interval_days=goals.shortest_interval_days,
        longest_interval_days=goals.longest_interval_days,
        usual_interval_days=goals.usual_interval_days,
        end_target_hbs_pct=goals.end_target_hbs_pct,
        units_most=goals.units_most,
        clinic_weekdays=goals.clinic_weekdays,
        open_transfusions=tuple(row for row in transfusions if row.on > open_since),
        open_signs=tuple(signs),
        given_on=patient.given_on,
    )


ONE_ARM_WORDS = ("one arm", "one-arm", "single arm")


def method_for(access: str, decided: str | None) -> Method:
    """Return how a session is done where nobody says otherwise: through one arm where the access allows no other."""
    one_arm_only = any(words in access.lower() for words in ONE_ARM_WORDS)
    return Method.ONE_ARM if one_arm_only else Method(decided or Method.TWO_ARM)


def default_goals(settings: dict[str, float]) -> Goals:
    """Return unsaved goals (`since` None) from the site's settings, for someone whose goals nobody has set."""
    return Goals(
        hbs_ceiling_pct=settings["hbs_ceiling_pct"],
        accepted_chance=settings["accepted_chance"],
        hb_ceiling_g_l=settings["hb_ceiling_g_l"],
        greatest_rise_g_l=settings["hb_rise_stop_g_l"],
        shortest_interval_days=int(settings["shortest_interval_days"]),
        longest_interval_days=int(settings["longest_interval_days"]),
    )


@dataclass(frozen=True, slots=True)
class Sample:
    """One blood sample taken outside a session: Hb [g/L], HbA and HbS [%]; nan where not measured."""

    patient_pk: int
    taken_on: date
    hb_g_l: float
    hba_pct: float
    hbs_pct: float


def samples_to_watch(
    site: Site, on: date, watch_days: int, *, only: Collection[int] | None = None
) -> dict[int, list[Sample]]:
    """Return samples of the last `watch_days` that belong to no session, by person; two queries.

    only: keys of the people to read. What was taken up to the day on which a consultant last lifted the lock is left
    out: it has been judged.
    """
    these = {"patient__site": site} if only is None else {"patient__in": only}
    lifts = LockLift.objects.filter(**these, on__lte=on).order_by("on")
    lifted_on = dict(lifts.values_list("patient_id", "on"))
    end = datetime.combine(on + timedelta(days=1), time(0), tzinfo=ZoneInfo(site.time_zone))
    rows = (
        LabResult.objects.in_force()
        .filter(**these, link__isnull=True, analyte__in=WATCHED_ANALYTES)
        .filter(Q(received_at__isnull=True) | Q(received_at__lt=end))
        .filter(taken_on__gt=on - timedelta(days=watch_days), taken_on__lte=on)
        .order_by("taken_at", "pk")
    )
    found: dict[tuple[int, datetime], dict[str, float]] = {}
    days: dict[tuple[int, datetime], date] = {}
    for pk, taken_at, taken_on, analyte, value in rows.values_list(
        "patient_id", "taken_at", "taken_on", "analyte", "value"
    ):
        if taken_on > lifted_on.get(pk, date.min):
            found.setdefault((pk, taken_at), {})[analyte] = value
            days[pk, taken_at] = taken_on
    samples: defaultdict[int, list[Sample]] = defaultdict(list)
    for (pk, taken_at), values in found.items():
        figures = (values.get(analyte, np.nan) for analyte in WATCHED_ANALYTES)
        samples[pk].append(Sample(pk, days[pk, taken_at], *figures))
    return samples
