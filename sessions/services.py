"""Writing about exchange sessions: finished ones entered afterwards, transfusions elsewhere, signs of haemolysis.

Each function is one transaction that also builds the facts of that person anew; errors as in `patients.services`.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import date, datetime, time, timedelta
from typing import Any
from zoneinfo import ZoneInfo

from django.core.exceptions import ValidationError
from django.db import transaction

from patients.models import LabResult, Patient, ResultStatus
from patients.services import (
    change_of,
    finish_change,
    local_day,
    need_reason,
    new_result,
    newer_result,
    refuse_future,
    state_of,
)
from programme.core import trail
from programme.core.models import Site, User
from programme.core.settings_of_site import site_settings
from programme.core.trail import Change
from sessions.facts import rebuild_facts
from sessions.forecasting import FORMS_TO_CHOOSE, form_in_use, unstored_comparison
from sessions.models import (
    BacktestRun,
    ExchangeSession,
    ExchangeStep,
    Fluid,
    HaemolysisSign,
    LockLift,
    Origin,
    OtherTransfusion,
    Position,
    ResultLink,
    State,
)
from sessions.numeric.backtest import ORIGINS
from sessions.numeric.pairing import LooseResult, SessionTimes, pair_results
from sessions.queries.past import session_columns

NEAR_DAYS = 5
"""Sessions within so many days of a loose result are looked at; wider than any range in which one can belong."""

TOTALS = ("saline_in_ml", "red_cells_in_ml", "blood_out_ml")


@dataclass(frozen=True, slots=True)
class StepGiven:
    """One step as carried out: `in_ml` of the fluid in and `out_ml` of blood out; Hb of the cells [g/L] if known."""

    fluid: str
    in_ml: float
    out_ml: float
    cells_hb_g_l: float | None = None
    started_at: datetime | None = None
    ended_at: datetime | None = None


@dataclass(frozen=True, slots=True)
class ResultGiven:
    """One result that belongs to a session. taken_at: None where only the day of the session is known."""

    position: str
    analyte: str
    value: float
    taken_at: datetime | None = None


@dataclass(frozen=True, slots=True)
class FinishedSession:
    """A finished session as the form has it. The totals may be left out where steps are given: they are their sums."""

    on: date
    weight_kg: float
    units: int | None = None
    saline_in_ml: float | None = None
    red_cells_in_ml: float | None = None
    blood_out_ml: float | None = None
    visit_reason: str = ""
    admission_in_gap: str = ""
    hbs_method: str = ""
    note: str = ""
    started_at: datetime | None = None
    ended_at: datetime | None = None
    steps: tuple[StepGiven, ...] = ()
    results: tuple[ResultGiven, ...] = ()

    def row_values(self) -> dict[str, Any]:
        """Return the values of the session's own row."""
        names = (
            "on", "weight_kg", "units", *TOTALS, "visit_reason", "admission_in_gap", "hbs_method", "note",
            "started_at", "ended_at",
        )  # fmt: skip
        return {name: getattr(self, name) for name in names}


@transaction.atomic
def follow_change(patient_pks: tuple[int, ...], at: datetime) -> None:
    """Keep links and facts true after any change of these people's data; part of its transaction."""
    _move_links(patient_pks)
    for patient in Patient.objects.filter(pk__in=patient_pks).select_related("site"):
        _pair_by_rule(patient, at)
    rebuild_facts(patient_pks, at)


def _move_links(patient_pks: tuple[int, ...]) -> None:
    """Let each link point to the newest row of its result: a correction counts, a withdrawal leaves a gap."""
    links = ResultLink.objects.filter(exchange_session__patient__in=patient_pks)
    for link in links.filter(result__superseded_by__isnull=False).select_related("result"):
        newest = link.result
        while newer := LabResult.objects.filter(supersedes=newest).first():
            newest = newer
        link.result = newest
        link.save(update_fields=["result"])


def _pair_by_rule(patient: Patient, at: datetime) -> None:
    """Link results that nobody linked, where their time alone says to which session they belong."""
    loose = [
        LooseResult(row.pk, row.analyte, row.taken_on, row.taken_at if row.time_known else None)
        for row in LabResult.objects.in_force().filter(patient=patient, link__isnull=True)
    ]
    if not loose:
        return
    first = min(result.taken_on for result in loose) - timedelta(days=NEAR_DAYS)
    last = max(result.taken_on for result in loose) + timedelta(days=NEAR_DAYS)
    done = ExchangeSession.objects.carried_out().filter(patient=patient, on__range=(first, last))
    links = ResultLink.objects.filter(exchange_session__in=done).exclude(result__status=ResultStatus.WITHDRAWN)
    pairs = pair_results(
        loose,
        [SessionTimes(row.pk, row.on, row.started_at, row.ended_at) for row in done],
        set(links.values_list("exchange_session_id", "position", "result__analyte")),
        before_hours=site_settings(patient.site, at)["before_result_hours"],
    )
    for pair in pairs:
        ResultLink.objects.create(exchange_session_id=pair.session, result_id=pair.result, position=pair.position)


@transaction.atomic
def pair_result(
    *, result: LabResult, exchange_session: ExchangeSession, position: str, actor: User | None, at: datetime
) -> ResultLink:
    """Link a result to a session as before or after, because a person says so."""
    patient = exchange_session.patient
    if result.patient_id != patient.pk:
        raise ValidationError("The result and the session are those of two people.")
    if ResultLink.objects.filter(result=result).exists():
        raise ValidationError("This result belongs to a session already.")
    link = ResultLink(exchange_session=exchange_session, result=result, position=position, by_rule=False)
    link.full_clean()
    link.save()
    finish_change(patient, [change_of(patient, f"link result as {position}", link)], actor=actor, at=at)
    return link


@transaction.atomic
def unpair_result(*, result: LabResult, actor: User | None, at: datetime) -> None:
    """Take back that a person linked a result to a session; the link stays in the trail."""
    link = ResultLink.objects.select_related("exchange_session__patient").filter(result=result, by_rule=False).first()
    if link is None:
        raise ValidationError("No person linked this result to a session.")
    patient = link.exchange_session.patient
    entry = change_of(patient, "unlink result", link, before=state_of(link))
    link.delete()
    finish_change(patient, [entry], actor=actor, at=at)


@transaction.atomic
def record_finished_session(
    *, patient: Patient, given: FinishedSession, actor: User | None, at: datetime
) -> ExchangeSession:
    """Record a session that is over, entered afterwards by hand, with its steps and results."""
    given = _with_totals(given)
    _check_days(patient, given, at)
    exchange_session = ExchangeSession(patient=patient, state=State.CLOSED, origin=Origin.BY_HAND, **given.row_values())
    exchange_session.full_clean()
    exchange_session.save()
    entries = [change_of(patient, "record session", exchange_session)]
    entries += write_steps(exchange_session, given.steps)
    entries += [_add_result(exchange_session, result, given.hbs_method, at) for result in given.results]
    finish_change(patient, entries, actor=actor, at=at)
    return exchange_session


@transaction.atomic
def correct_finished_session(
    *,
    exchange_session: ExchangeSession,
    version: int,
    given: FinishedSession,
    why: str,
    actor: User | None,
    at: datetime,
) -> ExchangeSession:
    """Put right a finished session; what it said before stays in the trail, changed results get a newer row.

    version: of the session when the form was opened. A result of the session that `given` leaves out is withdrawn.
    """
    patient = exchange_session.patient
    if not exchange_session.has_happened:
        raise ValidationError("Only a session that has been carried out can be corrected here.")
    if exchange_session.origin == Origin.HERE:
        raise ValidationError(
            "This session was carried out here, entry by entry: "
            "a consultant opens it again, and its entries are put right."
        )
    why = need_reason(why)
    given = _with_totals(given)
    _check_days(patient, given, at)
    before = state_of(exchange_session)
    values = given.row_values()
    for name, value in values.items():
        setattr(exchange_session, name, value)
    exchange_session.full_clean()
    exchange_session.version = version
    exchange_session.save_changes(list(values))
    entries = [change_of(patient, "correct session", exchange_session, before=before, why=why)]
    entries += write_steps(exchange_session, given.steps)
    entries += _correct_results(exchange_session, given, why, at)
    finish_change(patient, entries, actor=actor, at=at)
    return exchange_session


def _with_totals(given: FinishedSession) -> FinishedSession:
    """Return the session with the totals of its steps; refuse totals that say otherwise."""
    if not given.steps:
        return given
    sums = {
        "saline_in_ml": sum(step.in_ml for step in given.steps if step.fluid == Fluid.SALINE),
        "red_cells_in_ml": sum(step.in_ml for step in given.steps if step.fluid == Fluid.RED_CELLS),
        "blood_out_ml": sum(step.out_ml for step in given.steps),
    }
    for name, total in sums.items():
        stated = getattr(given, name)
        if stated is not None and abs(stated - total) > 1:
            raise ValidationError({name: f"The steps add up to {total:g} mL, but {stated:g} mL is entered as total."})
    return replace(
        given,
        saline_in_ml=sums["saline_in_ml"],
        red_cells_in_ml=sums["red_cells_in_ml"],
        blood_out_ml=sums["blood_out_ml"],
    )


def _check_days(patient: Patient, given: FinishedSession, at: datetime) -> None:
    refuse_future(given.on, site=patient.site, at=at, field="on")
    if patient.birth_date is not None and given.on < patient.birth_date:
        raise ValidationError({"on": f"{given.on} is before the person was born ({patient.birth_date})."})
    seen = [(result.position, result.analyte) for result in given.results]
    if len(seen) != len(set(seen)):
        raise ValidationError("Each kind of result can be given once before and once after the session.")


def write_steps(exchange_session: ExchangeSession, steps: Sequence[StepGiven]) -> list[Change]:
    """Write the steps in order. Rows of steps that are no longer given stay, with nothing in and nothing out."""
    stored = {row.number: row for row in ExchangeStep.objects.filter(exchange_session=exchange_session)}
    entries = []
    for number in range(1, max([len(steps), *stored]) + 1):
        row = stored.get(number) or ExchangeStep(exchange_session=exchange_session, number=number)
        before = state_of(row) if row.pk else None
        step = steps[number - 1] if number <= len(steps) else StepGiven(row.fluid, 0, 0)
        row.fluid, row.in_ml, row.out_ml = step.fluid, step.in_ml, step.out_ml
        row.cells_hb_g_l = step.cells_hb_g_l
        row.started_at, row.ended_at = step.started_at, step.ended_at
        if before == state_of(row):
            continue
        row.full_clean()
        row.save()
        entries.append(change_of(exchange_session.patient, "record step", row, before=before))
    return entries


def _add_result(exchange_session: ExchangeSession, given: ResultGiven, method: str, at: datetime) -> Change:
    patient = exchange_session.patient
    result = new_result(
        patient=patient,
        analyte=given.analyte,
        value=given.value,
        taken_at=given.taken_at or assumed_time(exchange_session.on, given.position, patient.site.time_zone),
        time_known=given.taken_at is not None,
        method=method,
        at=at,
    )
    result.full_clean()
    result.save()
    ResultLink.objects.create(exchange_session=exchange_session, result=result, position=given.position, by_rule=False)
    return change_of(patient, "record result", result)


def assumed_time(on: date, position: str, time_zone: str) -> datetime:
    """Return noon of the session's day at the site, an hour later for an after-sample, where no time is recorded."""
    return datetime.combine(on, time(12 if position == Position.BEFORE else 13), tzinfo=ZoneInfo(time_zone))


def _correct_results(exchange_session: ExchangeSession, given: FinishedSession, why: str, at: datetime) -> list[Change]:
    wanted = {(result.position, result.analyte): result for result in given.results}
    entries = []
    links = ResultLink.objects.filter(exchange_session=exchange_session).select_related("result")
    for link in links:
        if link.result.status == ResultStatus.WITHDRAWN:
            continue
        new = wanted.pop((link.position, link.result.analyte), None)
        newer = _newer_linked_result(exchange_session, link, new, given.hbs_method, why, at)
        if newer is not None:
            newer.full_clean()
            newer.save()
            link.result = newer
            link.save(update_fields=["result"])
            entries.append(change_of(exchange_session.patient, f"{newer.status} result", newer, why=why))
    return entries + [_add_result(exchange_session, result, given.hbs_method, at) for result in wanted.values()]


def _newer_linked_result(
    exchange_session: ExchangeSession, link: ResultLink, new: ResultGiven | None, method: str, why: str, at: datetime
) -> LabResult | None:
    """Return the unsaved row that takes the place of a linked result, None where it stands."""
    old = link.result
    if new is None:
        return newer_result(old, status=ResultStatus.WITHDRAWN, value=old.value, why=why, at=at)
    taken_at = new.taken_at
    if taken_at is None:
        taken_at = assumed_time(exchange_session.on, link.position, exchange_session.patient.site.time_zone)
    if (old.value, old.taken_at, old.method) == (new.value, taken_at, method):
        return None
    newer = newer_result(
        old, status=ResultStatus.CORRECTED, value=new.value, why=why, at=at, taken_at=taken_at, method=method
    )
    newer.time_known = new.taken_at is not None
    return newer


@transaction.atomic
def record_other_transfusion(
    *,
    patient: Patient,
    on: date,
    elsewhere: bool,
    actor: User | None,
    at: datetime,
    amount_known: bool = True,
    units: float | None = None,
    volume_ml: float | None = None,
    hb_g: float | None = None,
    note: str = "",
) -> OtherTransfusion:
    """Record red cells given outside an exchange session: a top-up here, or a transfusion elsewhere."""
    refuse_future(on, site=patient.site, at=at, field="on")
    if amount_known and units is None and volume_ml is None and hb_g is None:
        raise ValidationError("Enter how much was given, as units, volume or haemoglobin, or say that it is not known.")
    given = OtherTransfusion(
        patient=patient,
        on=on,
        elsewhere=elsewhere,
        amount_known=amount_known,
        units=units,
        volume_ml=volume_ml,
        hb_g=hb_g,
        note=note,
    )
    given.full_clean()
    given.save()
    finish_change(patient, [change_of(patient, "record transfusion", given)], actor=actor, at=at)
    return given


@transaction.atomic
def withdraw_other_transfusion(*, given: OtherTransfusion, why: str, actor: User | None, at: datetime) -> None:
    """Take a transfusion recorded by mistake out of use; the row stays, with the reason."""
    before = state_of(given)
    given.withdrawn_reason = need_reason(why)
    given.save(update_fields=["withdrawn_reason"])
    entry = change_of(given.patient, "withdraw transfusion", given, before=before, why=given.withdrawn_reason)
    finish_change(given.patient, [entry], actor=actor, at=at)


@transaction.atomic
def note_haemolysis_sign(
    *, patient: Patient, on: date, sign: str, actor: User | None, at: datetime, note: str = ""
) -> HaemolysisSign:
    """Note a sign that may mean haemolysis: it locks the suggestion until a consultant lifts the lock."""
    refuse_future(on, site=patient.site, at=at, field="on")
    row = HaemolysisSign(patient=patient, on=on, sign=sign, note=note, noted_by=actor, noted_at=at)
    row.full_clean()
    row.save()
    finish_change(patient, [change_of(patient, "note sign", row, why=note)], actor=actor, at=at)
    return row


@transaction.atomic
def lift_lock(*, patient: Patient, reason: str, actor: User, at: datetime) -> LockLift:
    """Record a consultant's decision that the lock no longer holds for what was seen up to today."""
    if actor.role != "consultant":
        raise ValidationError("Only a consultant lifts the lock.")
    lift = LockLift(
        patient=patient, on=local_day(at, patient.site), by=actor, at=at, reason=need_reason(reason, "reason")
    )
    lift.full_clean()
    lift.save()
    finish_change(patient, [change_of(patient, "lift lock", lift, why=lift.reason)], actor=actor, at=at)
    return lift


def compare_forms(*, site: Site, as_of: date, at: datetime, n_origins: int = ORIGINS) -> BacktestRun:
    """Compare the forms of the drift model on the site's own past and store the result; the form in use stays.

    n_origins: on how many past days all are fitted anew; fewer is quicker and judges a shorter past.
    """
    read = session_columns(site, until=as_of, known_by=as_of)
    row = unstored_comparison(site, read, as_of=as_of, at=at, n_origins=n_origins)
    row.save()
    return row


@transaction.atomic
def accept_form(*, site: Site, form: str, reason: str, actor: User | None, at: datetime) -> BacktestRun:
    """Let a form be used from the next fit on, as a person has decided on the newest comparison; kept in the trail.

    Raises ValidationError where no comparison was made, for a form that is not known, or without a reason.
    """
    newest = BacktestRun.objects.select_for_update().filter(site=site).order_by("-made_at", "-pk").first()
    if newest is None:
        raise ValidationError({"form": "No comparison has been made yet; run manage.py backtest first."})
    if form not in FORMS_TO_CHOOSE:
        raise ValidationError({"form": f"{form!r} is no form; there are {', '.join(FORMS_TO_CHOOSE)}."})
    why, before = need_reason(reason, "reason"), form_in_use(site)
    newest.form_chosen = form
    newest.result = newest.result | {"accepted": {"form": form, "reason": why, "at": at.isoformat()}}
    newest.save(update_fields=["form_chosen", "result"])
    said = Change(
        site.pk, None, "accept form", "exchange_sessions.BacktestRun", newest.pk, why=why,
        before={"form": before}, after={"form": form},
    )  # fmt: skip
    trail.write([said], actor=actor, at=at)
    return newest
