"""Reading a session of the day: the plan in force, the entries, and where both leave it."""

from __future__ import annotations

import math
from collections.abc import Collection, Iterable, Mapping
from dataclasses import dataclass, replace
from datetime import date, datetime, timedelta, tzinfo
from typing import Any

from django.db.models import Max

from patients.models import Analyte, Consent, CrossmatchSample, Goals, LabResult, Patient, TransfusionNeeds
from sessions.day import rows
from sessions.day.models import Entry, FollowUp, Prescription
from sessions.day.numeric.after import HbAfter
from sessions.day.numeric.blood_match import Needed, UnitBlood, typed_antigens
from sessions.day.numeric.checks import (
    ASK,
    STOP,
    Afterwards,
    Check,
    Sample,
    UnitNow,
    finish_checks,
    shortest_sample_wait_min,
    vitals_words,
)
from sessions.day.numeric.done import Done, done
from sessions.day.numeric.entries import DISPOSAL, LEAFLET, OBSERVATION, SAMPLE, Said
from sessions.day.numeric.foreseen import Foreseen, series_foreseen
from sessions.day.numeric.samples import SampleRule, holds_at, holds_until, sample_rule, shortest_rule
from sessions.day.numeric.tally import PlannedStep, Tally, UnitTimes, tally
from sessions.day.numeric.unit_clocks import UnitClocks, unit_clocks
from sessions.models import (
    DonationUnit,
    ExchangeSession,
    Method,
    OtherTransfusion,
    Position,
    ResultLink,
    State,
    UnitState,
)

STARTED = (UnitState.RUNNING, UnitState.GIVEN)
SERIES_LASTS_DAYS = 28
"""Further back no plan is asked for what it foresaw: six sessions on open days, over a holiday, with room to slip."""
BLOOD_MAY_HAVE_MOVED = (State.RUNNING, State.FINISHED, State.CLOSED, State.ABANDONED)


def planned_steps(steps: Iterable[dict[str, Any]]) -> tuple[PlannedStep, ...]:
    """Return stored steps of a prescription as plain values."""
    return tuple(
        PlannedStep(
            number=int(step["number"]),
            fluid=step["fluid"],
            in_ml=float(step["in_ml"]),
            out_ml=float(step["out_ml"]),
            units=tuple(step.get("units") or ()),
            cells_hb_g_l=float(step.get("cells_hb_g_l") or 0.0),
            draws=tuple(float(draw) for draw in step.get("draws") or ()),
        )
        for step in steps
    )


def said_of(entry: Entry) -> Said:
    """Return one stored entry as a plain value."""
    return Said(
        number=entry.number,
        kind=entry.kind,
        body=entry.body,
        happened_at=entry.happened_at,
        received_at=entry.received_at,
        by=entry.by_id,
        seen=entry.seen,
    )


def plan_carried_out(exchange_session: ExchangeSession) -> Prescription | None:
    """Return the plan in force, else the one last signed; None where nobody ever signed one. One query."""
    signed = Prescription.objects.filter(exchange_session=exchange_session, authorised_at__isnull=False)
    plans = sorted(signed, key=lambda plan: (plan.is_in_force, plan.number))
    return plans[-1] if plans else None


def foreseen_after(people: Collection[int], until: date) -> dict[int, Foreseen]:
    """Return the series that the plan of each one's newest session up to a day foresaw, where it is still open.

    By key of the person; what was given up ends its series. One query.
    """
    newest: dict[int, Prescription] = {}
    for plan in Prescription.objects.of_sessions_lately(people, until - timedelta(days=SERIES_LASTS_DAYS), until):
        newest[plan.exchange_session.patient_id] = plan
    found = {
        pk: series_foreseen(plan.predicted.get("series"), plan.predicted.get("end_target_pct"))
        for pk, plan in newest.items()
        if plan.exchange_session.state != State.ABANDONED
    }
    return {pk: series for pk, series in found.items() if series is not None and series.is_open(until)}


def steps_carried_out(exchange_session: ExchangeSession) -> list[dict[str, Any]]:
    """Return the steps of the plan that is carried out (`plan_carried_out`); none where nobody ever signed one."""
    plans = rows.SIGNED_STEPS.rows(session=exchange_session.pk)
    return max(plans, key=lambda plan: (plan.is_in_force, plan.number)).steps if plans else []


def entries_said(exchange_session: ExchangeSession) -> list[Said]:
    """Return all entries of a session in order; one query."""
    return [said_of(entry) for entry in rows.ENTRIES.rows(session=exchange_session.pk)]


def last_number(exchange_session: ExchangeSession) -> int:
    """Return the number of the newest entry, 0 where there is none; one query."""
    last = rows.LAST_NUMBER.figures(session=exchange_session.pk)
    return last[0][0] if last else 0


def tally_of(exchange_session: ExchangeSession) -> Tally:
    """Return where a session stands; two queries."""
    return tally(planned_steps(steps_carried_out(exchange_session)), entries_said(exchange_session))


def times_of(unit: DonationUnit, state: Tally) -> UnitTimes:
    """Return when a unit was started and ended, as put right, and what went in of it; no query.

    Its row holds the times as first entered until the session is over; it counts where no entry says one.
    """
    said = state.units.get(unit.place, UnitTimes())
    return replace(said, started_at=said.started_at or unit.started_at, ended_at=said.ended_at or unit.ended_at)


def clocks_of(unit: DonationUnit, state: Tally, settings: Mapping[str, float]) -> UnitClocks:
    """Return the clocks of a unit, counted from its start as put right; no query."""
    started_at = times_of(unit, state).started_at
    return unit_clocks(out_of_storage_at=unit.out_of_storage_at, started_at=started_at, settings=settings)


@dataclass(frozen=True, slots=True)
class Ending:
    """A session at its end: what was carried out and, line by line, what stands against finishing it."""

    state: Tally
    carried_out: Done
    checks: tuple[Check, ...]
    plan: Prescription | None
    entries: tuple[Entry, ...]

    @property
    def stops(self) -> tuple[Check, ...]:
        return tuple(check for check in self.checks if check.state == STOP)

    @property
    def asks(self) -> tuple[Check, ...]:
        return tuple(check for check in self.checks if check.state == ASK)

    def newest(self, kind: str, **body: Any) -> Entry | None:
        """The newest entry of a kind that was not undone and whose body says so much."""
        for entry in reversed(self.entries):
            fits = entry.kind == kind and all(entry.body.get(name) == value for name, value in body.items())
            if fits and entry.number not in self.state.undone:
                return entry
        return None


def method_of(exchange_session: ExchangeSession, plan: Prescription | None) -> str:
    """Return how a session is carried out; what the plan says where the session does not."""
    return exchange_session.method or (plan.method if plan else "")


def is_automated(exchange_session: ExchangeSession) -> bool:
    """Say whether a machine carries a session out; no query where the session says so itself."""
    if exchange_session.method:
        return exchange_session.method == Method.AUTOMATED
    return method_of(exchange_session, plan_carried_out(exchange_session)) == Method.AUTOMATED


def ending_of(
    exchange_session: ExchangeSession,
    *,
    at: datetime,
    settings: Mapping[str, float],
) -> Ending:
    """Return a session at its end; three queries.

    An automated session is read from the totals entered, any other from its volumes. A session that was over before it
    came here has neither, and is read from the totals of its own row.
    """
    plan = plan_carried_out(exchange_session)
    entries = tuple(Entry.objects.filter(exchange_session=exchange_session).select_related("by").order_by("number"))
    state = tally(planned_steps(plan.steps if plan else ()), [said_of(entry) for entry in entries])
    method = method_of(exchange_session, plan)
    told = state.totals is not None if method == Method.AUTOMATED else bool(state.moved)
    began = state.began or exchange_session.started_at
    units = [
        UnitNow(place, number or f"unit {place}", where, label_ml, out_at)
        for place, number, where, label_ml, out_at in DonationUnit.objects.filter(exchange_session=exchange_session)
        .order_by("place")
        .values_list("place", "donation_number", "state", "volume_ml", "out_of_storage_at")
    ]
    known = None if told else done_by_totals(exchange_session, units)
    carried_out = known or done(state, method=method, began=began)
    checks = finish_checks(
        state, carried_out, units, weight_kg=exchange_session.weight_kg, settings=settings, now=at,
        by_totals=method == Method.AUTOMATED and known is None,
    )  # fmt: skip
    return Ending(state, carried_out, checks, plan, entries)


def done_by_totals(exchange_session: ExchangeSession, units: Iterable[UnitNow]) -> Done | None:
    """Return a session that is known by the totals of its row; None where it has none."""
    row = exchange_session
    if row.red_cells_in_ml is None or row.blood_out_ml is None:
        return None
    return Done(
        steps=(),
        places=tuple(unit.place for unit in units if unit.state in STARTED),
        saline_in_ml=row.saline_in_ml or 0.0,
        red_cells_in_ml=row.red_cells_in_ml,
        out_ml=row.blood_out_ml,
        started_at=row.started_at,
        ended_at=row.ended_at,
        units_told=None if row.units is None else round(row.units),
    )


def sample_of(ending: Ending) -> Sample | None:
    """Return the newest after-sample as entered; None where none is."""
    entry = ending.newest(SAMPLE)
    if entry is None:
        return None
    body = entry.body
    return Sample(datetime.fromisoformat(body["taken_at"]), body.get("place", ""), bool(body.get("from_return")))


def sample_known(ending: Ending, results: Mapping[str, LabResult]) -> Sample | None:
    """Return the after-sample as entered, else the earliest that its results (`after_results`) tell of; no query."""
    times = [row.taken_at for row in results.values() if row.time_known]
    return sample_of(ending) or (Sample(min(times), entered=False) if times else None)


def after_results(exchange_session: ExchangeSession) -> dict[str, LabResult]:
    """Return the results in force that are linked after the session, by analyte; one query."""
    links = ResultLink.objects.filter(
        exchange_session=exchange_session, position=Position.AFTER, result__in=LabResult.objects.in_force()
    ).select_related("result")
    return {link.result.analyte: link.result for link in links.order_by("-result__taken_at", "-result_id")}


def afterwards_of(
    exchange_session: ExchangeSession,
    ending: Ending,
    results: Mapping[str, LabResult],
    *,
    now: datetime,
    settings: Mapping[str, float],
) -> Afterwards:
    """Return what is known of the time after a session, at the local moment `now`; three queries once Hb is known."""
    wanted = [Analyte.HB, Analyte.HBS]
    if exchange_session.patient.follows_hbs_and_hbc:
        wanted.append(Analyte.HBC)
    disposal, leaflet = ending.newest(DISPOSAL), ending.newest(LEAFLET)
    home = ending.newest(OBSERVATION, moment="going_home")
    return Afterwards(
        now=now,
        ended_at=ending.carried_out.ended_at,
        rest_hours=settings["hours_rest"],
        sample=sample_known(ending, results),
        sample_wait_min=shortest_sample_wait_min(settings["after_sample_wait_min"]),
        results={str(analyte.label): analyte in results for analyte in wanted},
        hb=hb_after(exchange_session, ending, results.get(Analyte.HB), on=now.date(), settings=settings),
        disposal="" if disposal is None else f"{disposal.body['words']}; {_by(disposal, now)}",
        going_home="" if home is None else f"{_clock(home, now)}, {vitals_words(home.body)}",
        leaflet="" if leaflet is None else _by(leaflet, now),
    )


def hb_after(
    exchange_session: ExchangeSession,
    ending: Ending,
    hb: LabResult | None,
    *,
    on: date,
    settings: Mapping[str, float],
) -> HbAfter | None:
    """Hb after beside the most it may be, and what was done since; totals of a machine tell of nothing since."""
    if hb is None:
        return None
    goals = Goals.objects.begun(on).filter(patient=exchange_session.patient_id)
    own = goals.values_list("hb_ceiling_g_l", "greatest_rise_g_l").first()
    ceiling, rise = own or (settings["hb_ceiling_g_l"], settings["hb_rise_stop_g_l"])
    checks = FollowUp.objects.filter(exchange_session=exchange_session, kind=FollowUp.Kind.RECHECK)
    return HbAfter(
        hb_g_l=hb.value,
        ceiling_g_l=ceiling,
        hb_before_g_l=_hb_before(exchange_session, ending.plan),
        greatest_rise_g_l=rise,
        drawn_ml=sum(one.out_ml for one in ending.state.moved if one.at > hb.taken_at),
        blood_volume_ml=math.nan if ending.plan is None else ending.plan.blood_volume_ml,
        rechecked=checks.exists(),
    )


def _hb_before(exchange_session: ExchangeSession, plan: Prescription | None) -> float | None:
    """Hb before as linked, else as the plan was made on; None without both."""
    links = ResultLink.objects.filter(
        exchange_session=exchange_session, position=Position.BEFORE, result__in=LabResult.objects.in_force(),
        result__analyte=Analyte.HB,
    )  # fmt: skip
    linked = links.order_by("-result__taken_at", "-result_id").values_list("result__value", flat=True).first()
    return plan.hb_g_l if linked is None and plan is not None else linked


def _by(entry: Entry, now: datetime) -> str:
    return f"{entry.by.full_name}, {_clock(entry, now)}"


def _clock(entry: Entry, now: datetime) -> str:
    return f"{entry.happened_at.astimezone(now.tzinfo):%H:%M}"


def needed_blood(patient: Patient) -> Needed:
    """Return what blood a person must have, with every antibody ever found; two queries."""
    needs = rows.NEEDS.first(patient=patient.pk) or TransfusionNeeds(patient=patient)
    return Needed(
        abo=needs.abo,
        rhd=needs.rhd,
        own_type=needs.own_type,
        antigens_to_avoid=needs.antigens_to_avoid,
        hbs_negative=needs.hbs_negative,
        antibodies=tuple(name for (name,) in rows.ANTIBODIES.figures(patient=patient.pk)),
    )


def consent_taken_back(exchange_session: ExchangeSession, today: date) -> Consent | None:
    """Return the consent last taken back since the day of a session; None where another one holds today. One query."""
    begun = rows.CONSENTS.rows(patient=exchange_session.patient_id, today=today)
    if any(row.valid_until >= today and not row.withdrawn_reason for row in begun):
        return None
    ended = [row for row in begun if row.withdrawn_on and row.withdrawn_on >= exchange_session.on]
    return max(ended, key=lambda row: (row.withdrawn_on, row.pk), default=None)


def blood_of(unit: DonationUnit) -> UnitBlood:
    """Return what a unit is stated to be; no query."""
    negative, positive = typed_antigens(unit.antigens_negative)
    return UnitBlood(unit.abo, unit.rhd, negative, positive, unit.hbs_negative)


def newest_sample(patient: Patient, at: datetime) -> CrossmatchSample | None:
    """Return the newest crossmatch sample taken up to a moment and not withdrawn; one query."""
    return rows.SAMPLE.first(patient=patient.pk, at=at)


def sample_of_unit(unit: DonationUnit, patient: Patient, at: datetime) -> CrossmatchSample | None:
    """Return the newest crossmatch sample that a unit can have been crossmatched on: taken before it came. One query.

    A unit came when it left storage, or, where nobody noted that, by its check.
    """
    return newest_sample(patient, unit.out_of_storage_at or unit.checked_at or at)


def came_before(unit: DonationUnit, sample: CrossmatchSample | None, zone: tzinfo) -> str:
    """Say that a unit came before a sample was taken, so that it was crossmatched on an earlier one; '' otherwise."""
    came = unit.out_of_storage_at or unit.checked_at
    if sample is None or came is None or sample.taken_at <= came:
        return ""
    taken = sample.taken_at.astimezone(zone)
    return (
        f"The sample of {taken.day} {taken:%b %H:%M} was taken after unit {unit.place} had come, so the unit was not "
        "crossmatched on it. To give it on that sample, put it away until the laboratory has issued it again."
    )


def sample_rule_of(patient: Patient, on: date, settings: Mapping[str, float]) -> SampleRule:
    """Return how long a crossmatch sample of this person holds on a day; two queries.

    Red cells of that day itself are the ones the sample is for, so they do not count as given before it.
    """
    done = ExchangeSession.objects.filter(patient=patient, on__lt=on, state__in=BLOOD_MAY_HAVE_MOVED)
    others = OtherTransfusion.objects.filter(patient=patient, on__lt=on, withdrawn_reason="")
    days = [rows.aggregate(newest=Max("on"))["newest"] for rows in (done, others)]
    return sample_rule(
        on,
        last_transfused=max((day for day in days if day is not None), default=None),
        pregnant_until=patient.last_pregnant_day(on),
        settings=settings,
    )


def sample_fault(patient: Patient, at: datetime, settings: Mapping[str, float]) -> str:
    """Return why no unit may be started on the newest crossmatch sample, as `fault_of_sample`; one query more."""
    return fault_of_sample(newest_sample(patient, at), patient, at, settings)


def fault_of_sample(
    sample: CrossmatchSample | None, patient: Patient, at: datetime, settings: Mapping[str, float]
) -> str:
    """Return why no unit may be started on a crossmatch sample at the local moment `at`; '' where it holds.

    No query; two where it does not hold by the shortest rule, so that it counts when red cells were last given.
    """
    if sample is None:
        return "No crossmatch sample is recorded: the laboratory must have one that is valid at the start of each unit."
    taken = sample.taken_at.astimezone(at.tzinfo)
    if holds_at(taken, at, shortest_rule(settings)):
        return ""
    rule = sample_rule_of(patient, at.date(), settings)
    if holds_at(taken, at, rule):
        return ""
    end = holds_until(taken, rule)
    return (
        f"The crossmatch sample of {taken.day} {taken:%b %H:%M} was valid until {end.day} {end:%b %H:%M} "
        f"({rule.hours:g} h: {rule.why}): no unit may be started on it. A new sample is needed."
    )


def other_use(donation_number: str, product_code: str, *, but: int | None = None) -> DonationUnit | None:
    """Return where a unit of this number is or was used already, or was discarded; None where nowhere. One query.

    One donation can make several products: two with different product codes are two units, one without a code is taken
    as the same. but: key of the row that is asked about.
    """
    found = rows.USED.rows(number=donation_number, but=but or 0)
    return next((row for row in found if not product_code or row.product_code in ("", product_code)), None)
