"""What is recorded of a person for a session of one day: results before it, weight, sample, goals and limits."""

from __future__ import annotations

from dataclasses import dataclass, replace
from datetime import date, datetime, time, timedelta
from zoneinfo import ZoneInfo

from patients.models import Analyte, BodyMeasure, CrossmatchSample, LabResult, Patient
from programme.bedside.numeric.laid import SETTING_OF
from programme.core.settings_of_site import site_settings
from programme.planning import inputs as planner_inputs
from programme.planning.numeric.limits import Limits
from programme.worklist.queries.who import volume_of
from sessions.day.numeric.tally import Tally
from sessions.day.queries import tally_of
from sessions.models import NOT_BEGUN, ExchangeSession, Method
from sessions.queries.people import PersonRecord, people_inputs

STARTS_AT = time(8)
"""From when on the hours before a session of a later day are counted. Chosen here."""


@dataclass(frozen=True, slots=True)
class Known:
    """What is recorded for a session of the day `on`, at the local moment `at`. hb, hbs, hbc: results before it.

    weighed_on: the day of the newest weight measured, which is what the checks before starting ask for.
    """

    patient: Patient
    on: date
    at: datetime
    record: PersonRecord
    settings: dict[str, float]
    hb: LabResult | None
    hbs: LabResult | None
    hbc: LabResult | None
    weight: BodyMeasure | None
    weighed_on: date | None
    sample: CrossmatchSample | None

    @property
    def hbs_pct(self) -> float | None:
        """The followed share: HbS, in SC disease HbS and HbC of one sample."""
        if self.hbs is None:
            return None
        if not self.patient.follows_hbs_and_hbc:
            return self.hbs.value
        return None if self.hbc is None else round(self.hbs.value + self.hbc.value, 1)

    @property
    def hard(self) -> dict[str, bool]:
        return {name: self.settings[name] >= 1.0 for name in SETTING_OF.values()}

    def limits(self, weight_kg: float, method: str) -> Limits:
        record = replace(self.record, weight_kg=weight_kg)
        return planner_inputs.limits_of((record,), self.settings, one_arm=method == Method.ONE_ARM)

    def volume_ml(self, weight_kg: float) -> float:
        return volume_of(replace(self.record, weight_kg=weight_kg))[0]


def known_for(exchange_session: ExchangeSession, *, at: datetime) -> Known:
    """Return what is recorded for one session, as `known_of`.

    Once something was given or drawn, blood taken from then on is no longer blood before the session; three queries
    more.
    """
    begun = None if exchange_session.state in NOT_BEGUN else first_moved_at(tally_of(exchange_session))
    return known_of(exchange_session.patient, on=exchange_session.on, at=at, results_until=begun)


def first_moved_at(state: Tally) -> datetime | None:
    """Return when the first of a unit or volume went in or out, None where nothing did; no query."""
    units = [times.started_at for times in state.units.values() if times.started_at is not None]
    return min([*units, *(one.at for one in state.moved)], default=None)


def known_of(patient: Patient, *, on: date, at: datetime, results_until: datetime | None = None) -> Known:
    """Return what is recorded for a session of `patient` on a day; nine queries.

    results_until: the last moment of a sample that counts as before it, where that is not `at`.
    """
    settings = site_settings(patient.site, at)
    (record,) = people_inputs(patient.site, on, settings, patient_pks=(patient.pk,))
    hours = settings["before_result_hours"]
    results = _results_before(patient, record, on=on, at=at, until=results_until or at, hours=hours)
    hbs = results.get(Analyte.HBS)
    hbc = results.get(Analyte.HBC)
    measures = BodyMeasure.objects.filter(patient=patient, on__lte=on, weight_kg__isnull=False, withdrawn_reason="")
    weight = measures.order_by("-on", "-pk").first()
    weighed_on = weight.on if weight else None
    if weight is not None and weight.on != record.weight_on:
        weight = None  # the last session's weight is newer
    samples = CrossmatchSample.objects.filter(patient=patient, withdrawn_reason="", taken_at__lte=at)
    return Known(
        patient=patient,
        on=on,
        at=at,
        record=record,
        settings=settings,
        hb=results.get(Analyte.HB),
        hbs=hbs,
        hbc=hbc if hbc is not None and hbs is not None and hbc.taken_at == hbs.taken_at else None,
        weight=weight,
        weighed_on=weighed_on,
        sample=samples.order_by("-taken_at", "-pk").first(),
    )


def _results_before(
    patient: Patient, record: PersonRecord, *, on: date, at: datetime, until: datetime, hours: float
) -> dict[str, LabResult]:
    """The newest results that count as before this session: taken since the last one, and not too long ahead."""
    starts = datetime.combine(on, STARTS_AT, tzinfo=ZoneInfo(patient.site.time_zone))
    rows = LabResult.objects.in_force().filter(
        patient=patient,
        analyte__in=[Analyte.HB, Analyte.HBS, Analyte.HBC],
        taken_at__gte=max(starts, at) - timedelta(hours=hours),
        taken_at__lte=until,
        taken_on__lte=on,
        link__isnull=True,
    )
    if record.last_on is not None:
        rows = rows.filter(taken_on__gt=record.last_on)
    return {row.analyte: row for row in rows.order_by("taken_at", "pk")}
