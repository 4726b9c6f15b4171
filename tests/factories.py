"""Rows for tests: plain functions, fixed days, and no surprises.

Every function makes one row and what that row cannot be without; every field can be given by name.
All people, units and places here are invented.
"""

from __future__ import annotations

import hashlib
from collections.abc import Iterable
from datetime import UTC, date, datetime, time, timedelta
from typing import Any

from patients.models import (
    Analyte,
    Antibody,
    BodyMeasure,
    CheckDone,
    CourseNote,
    Genotype,
    Goals,
    LabResult,
    Patient,
    ResultStatus,
    TransfusionNeeds,
)
from programme.booking.models import (
    STANDING,
    Away,
    Booking,
    CalendarFeed,
    Chair,
    Occupied,
    OpeningHours,
    Proposal,
    Slot,
    Waiting,
)
from programme.booking.services.feeds import digest_of
from programme.core.models import BrokenGlass, Erasure, Role, Site, SiteSetting, User
from programme.intake.models import InboxItem, LocalCode, RawMessage, Reading, ReadingState, Sender, Severity
from programme.planning.models import Suggestion
from programme.planning.services import PLAN_VERSION
from sessions.day.models import AdverseEvent, Entry, FollowUp, Prescription
from sessions.forecasting import MODEL_VERSION
from sessions.models import (
    AdmissionInGap,
    BacktestRun,
    DonationUnit,
    ExchangeSession,
    ExchangeStep,
    Fluid,
    HaemolysisSign,
    LockLift,
    ModelFit,
    Origin,
    OtherTransfusion,
    Position,
    ResultLink,
    SessionFacts,
    State,
    StoredForecast,
    UnitState,
)

TODAY = date(2026, 6, 1)
"""The day on which every test lives unless it says otherwise: a Monday."""

NOW = datetime(2026, 6, 1, 9, 0, tzinfo=UTC)

PASSWORD = "oyster-lantern-causeway-seven"


def at_nine(day: date) -> datetime:
    return datetime(day.year, day.month, day.day, 9, 0, tzinfo=UTC)


# Sites and users


def make_site(code: str = "saltmarsh", **fields: Any) -> Site:
    return Site.objects.create(code=code, **{"name": f"{code.title()} Day Unit", **fields})


def first_site() -> Site:
    return Site.objects.order_by("pk").first() or make_site()


def make_user(*, role: str = Role.NURSE, site: Site | None = None, with_password: bool = False, **fields: Any) -> User:
    """A user named after the role and site; sign in with `client.force_login`, or with PASSWORD if asked for."""
    site = site or first_site()
    values = {"username": f"{role}.{site.code}", "full_name": f"{role.title()} of {site.name}", **fields}
    user = User(role=role, site=site, **values)
    if with_password:
        user.set_password(PASSWORD)
    else:
        user.set_unusable_password()
    user.save()
    return user


def make_site_setting(*, site: Site, name: str, value: float, **fields: Any) -> SiteSetting:
    values = {"since": NOW, "reason": "set by a test", **fields}
    return SiteSetting.objects.create(site=site, name=name, value=value, **values)


# People


def make_patient(
    patient_ref: str | None = None,
    *,
    site: Site | None = None,
    female: bool = True,
    with_measure: bool = True,
    with_goals: bool = True,
    **fields: Any,
) -> Patient:
    """An adult on the programme, 165 cm and 60 kg, ceiling 30 %, with no exchange session yet."""
    site = site or first_site()
    values = {
        "family_name": "Testwood",
        "given_name": "Ada",
        "birth_date": date(1994, 3, 14),
        "sex": "F" if female else "M",
        "genotype": Genotype.SS,
        **fields,
    }
    ref = patient_ref or f"R{site.patients.count() + 1:03d}"
    patient = Patient.objects.create(site=site, patient_ref=ref, **values)
    if with_measure:
        make_measure(patient)
    if with_goals:
        make_goals(patient)
    return patient


def make_child(patient_ref: str | None = None, **fields: Any) -> Patient:
    """A child of nine, 128 cm and 26 kg."""
    values = {"given_name": "Bea", "birth_date": date(2017, 4, 2), **fields}
    patient = make_patient(patient_ref, with_measure=False, **values)
    make_measure(patient, weight_kg=26, height_cm=128)
    return patient


def make_measure(patient: Patient, *, on: date = date(2024, 1, 2), **fields: Any) -> BodyMeasure:
    values = {"weight_kg": 60.0, "height_cm": 165.0, "source": "test", **fields}
    return BodyMeasure.objects.create(patient=patient, on=on, **values)


def make_goals(patient: Patient, *, since: date = date(2024, 1, 2), **fields: Any) -> Goals:
    values = {"decided_by_name": "Dr Test", "recorded_at": at_nine(since), **fields}
    return Goals.objects.create(patient=patient, since=since, **values)


def make_needs(patient: Patient, **fields: Any) -> TransfusionNeeds:
    values = {"abo": "O", "rhd": "+", "own_type": "C- E- K-", "antigens_to_avoid": "C, E, K", **fields}
    return TransfusionNeeds.objects.create(patient=patient, **values)


def make_antibody(patient: Patient, name: str = "anti-K", **fields: Any) -> Antibody:
    return Antibody.objects.create(patient=patient, name=name, **fields)


def make_result(
    patient: Patient,
    *,
    analyte: str = Analyte.HBS,
    value: float = 32.0,
    on: date = TODAY,
    **fields: Any,
) -> LabResult:
    """A final result taken at nine on the day; its source key counts this person's results."""
    values = {
        "taken_at": at_nine(on),
        "taken_on": on,
        "recorded_at": at_nine(on),
        "source": "test",
        "source_key": f"{patient.pk}/{patient.results.count() + 1}",
        "status": ResultStatus.FINAL,
        **fields,
    }
    return LabResult.objects.create(patient=patient, analyte=analyte, value=value, **values)


# Exchange sessions


def make_exchange_session(
    patient: Patient,
    *,
    on: date = date(2026, 5, 4),
    hbs_before_pct: float | None = 45.0,
    hbs_after_pct: float | None = 18.0,
    hb_before_g_l: float | None = 92.0,
    hb_after_g_l: float | None = 103.0,
    **fields: Any,
) -> ExchangeSession:
    """A closed session of four units; each figure that is not None becomes a result linked before or after."""
    values = {
        "state": State.CLOSED,
        "origin": Origin.BY_HAND,
        "weight_kg": 60.0,
        "units": 4,
        "saline_in_ml": 500.0,
        "red_cells_in_ml": 1100.0,
        "blood_out_ml": 1550.0,
        "visit_reason": "routine",
        "admission_in_gap": AdmissionInGap.NO,
        **fields,
    }
    exchange_session = ExchangeSession.objects.create(patient=patient, on=on, **values)
    for position, analyte, value in (
        (Position.BEFORE, Analyte.HBS, hbs_before_pct),
        (Position.AFTER, Analyte.HBS, hbs_after_pct),
        (Position.BEFORE, Analyte.HB, hb_before_g_l),
        (Position.AFTER, Analyte.HB, hb_after_g_l),
    ):
        if value is not None:
            result = make_result(patient, analyte=analyte, value=value, on=on)
            ResultLink.objects.create(exchange_session=exchange_session, result=result, position=position)
    return exchange_session


def make_planned_session(patient: Patient, *, on: date = date(2026, 6, 8), **fields: Any) -> ExchangeSession:
    """A session that is only planned: no figures, no results."""
    values = {"state": State.PLANNED, "origin": Origin.HERE, "weight_kg": 60.0, **fields}
    return ExchangeSession.objects.create(patient=patient, on=on, **values)


def make_course(
    patient: Patient,
    *,
    sessions: int = 6,
    every_days: int = 28,
    last_on: date = date(2026, 5, 4),
    end_pct: float = 18.0,
    pace_pct_per_day: float = 0.6,
    **fields: Any,
) -> list[ExchangeSession]:
    """A steady course: each session ends at `end_pct`, and HbS climbs by the pace until the next."""
    days = [last_on - timedelta(days=every_days * back) for back in range(sessions - 1, -1, -1)]
    before = round(end_pct + pace_pct_per_day * every_days, 1)
    return [
        make_exchange_session(patient, on=day, hbs_before_pct=before, hbs_after_pct=end_pct, **fields) for day in days
    ]


def make_step(exchange_session: ExchangeSession, *, number: int = 1, **fields: Any) -> ExchangeStep:
    values = {"fluid": Fluid.RED_CELLS, "in_ml": 275.0, "out_ml": 300.0, "cells_hb_g_l": 194.0, **fields}
    return ExchangeStep.objects.create(exchange_session=exchange_session, number=number, **values)


def make_unit(exchange_session: ExchangeSession, *, place: int = 1, **fields: Any) -> DonationUnit:
    return DonationUnit.objects.create(exchange_session=exchange_session, place=place, **fields)


def make_other_transfusion(patient: Patient, *, on: date = date(2026, 5, 18), **fields: Any) -> OtherTransfusion:
    """A simple top-up of one unit at this unit."""
    values = {"units": 1.0, "volume_ml": 270.0, "hb_g": 52.0, **fields}
    return OtherTransfusion.objects.create(patient=patient, on=on, **values)


def make_haemolysis_sign(patient: Patient, *, on: date = date(2026, 5, 14), **fields: Any) -> HaemolysisSign:
    values = {"sign": HaemolysisSign.Sign.DARK_URINE, **fields}
    return HaemolysisSign.objects.create(patient=patient, on=on, **values)


def make_lock_lift(patient: Patient, *, by: User, on: date = date(2026, 5, 25), **fields: Any) -> LockLift:
    values = {"at": at_nine(on), "reason": "reviewed, no sign of haemolysis", **fields}
    return LockLift.objects.create(patient=patient, by=by, on=on, **values)


def make_facts(exchange_session: ExchangeSession, **fields: Any) -> SessionFacts:
    """Facts that agree with a session of `make_exchange_session`."""
    values = {
        "patient": exchange_session.patient,
        "day": exchange_session.on.toordinal(),
        "hbs_before_pct": 45.0,
        "hbs_after_pct": 18.0,
        "hb_before_g_l": 92.0,
        "hb_after_g_l": 103.0,
        "hbs_ratio": 0.4,
        "hbs_ratio_sd": 0.03,
        "untransfused_pct": 90.0,
        "blood_volume_ml": 3800.0,
        "code_version": "test",
        **fields,
    }
    return SessionFacts.objects.create(exchange_session=exchange_session, **values)


def change_facts(changes: dict[str, Any], **of: Any) -> None:
    """Write other figures into the facts that the look-ups in `of` find, as if records had been corrected since."""
    for facts in SessionFacts.objects.filter(**of):
        for name, value in changes.items():
            setattr(facts, name, value)
        facts.save()


# Reckoned rows


def make_fit(site: Site | None = None, *, in_force: bool = True, **fields: Any) -> ModelFit:
    values = {
        "made_at": NOW,
        "as_of": TODAY,
        "form": "logit",
        "code_version": "test",
        "parameters": {},
        "n_people": 40,
        "n_gaps": 600,
        "in_force_since": NOW if in_force else None,
        **fields,
    }
    return ModelFit.objects.create(site=site or first_site(), **values)


def make_forecast(patient: Patient, *, model_fit: ModelFit | None = None, **fields: Any) -> StoredForecast:
    """A forecast that is fresh: it names the person's present data version."""
    days = list(range(0, 85, 7))
    pace = {
        "pct_per_day": 0.6, "low": 0.45, "high": 0.75, "n_gaps": 5, "usual_interval_days": 28,
        "longest_twice_days": 28, "form": "logit", "after_pct": 18.0, "after_sd_pct": 1.0, "after_reckoned": False,
    }  # fmt: skip
    spread = {"p10": -1.3, "p25": -0.7, "p50": 0.0, "p75": 0.7, "p90": 1.3}
    climb = {name: [round(18 + 0.6 * day + z * (1 + 0.05 * day), 2) for day in days] for name, z in spread.items()}
    values = {
        "data_version": patient.data_version,
        "code_version": "test",
        "as_of": TODAY,
        "made_at": NOW,
        "last_on": date(2026, 5, 4),
        "pace": pace,
        "days": {"days": days, **climb, "hb_p50": [round(103 - 0.2 * day, 1) for day in days]},
        **fields,
    }
    return StoredForecast.objects.create(patient=patient, model_fit=model_fit, **values)


def suggestion_body(patient: Patient, **keys: Any) -> dict[str, Any]:
    """The object that the planner prints for one person, with figures that hang together."""
    return {
        "patient_ref": patient.patient_ref,
        "status": "ok",
        "reason": None,
        "last_session": "2026-05-04",
        "threshold_hbs_pct": 30.0,
        "breach_risk": 0.1,
        "drift_pct_per_day": 0.6,
        "interval_days": 35,
        "next_date": "2026-06-08",
        "latest_safe_date": "2026-06-10",
        "end_target_hbs_pct": 12.0,
        "end_target_hb_g_l": 104.0,
        "session": {
            "units": 5,
            "saline_ml": 500.0,
            "red_cells_ml": 1290.0,
            "blood_out_ml": 1790.0,
            "steps": [
                {"fluid": "saline", "in_ml": 500.0, "out_ml": 500.0},
                {"fluid": "red_cells", "in_ml": 1290.0, "out_ml": 1290.0},
            ],
            "predicted_hbs_pct": 12.0,
            "predicted_hb_g_l": 104.0,
        },
        "warnings": [],
        **keys,
    }


def make_suggestion(patient: Patient, *, model_fit: ModelFit | None = None, **fields: Any) -> Suggestion:
    """A suggestion that is fresh: it names the person's present data version."""
    values = {
        "data_version": patient.data_version,
        "code_version": "test",
        "as_of": TODAY,
        "made_at": NOW,
        "status": "ok",
        "next_date": date(2026, 6, 8),
        "latest_safe_date": date(2026, 6, 10),
        "interval_days": 35,
        "chance_today": 0.05,
        "body": suggestion_body(patient),
        **fields,
    }
    return Suggestion.objects.create(patient=patient, model_fit=model_fit, **values)


def make_unavailable_suggestion(
    patient: Patient, *, reason: str = "No results since spring.", **fields: Any
) -> Suggestion:
    empty = dict.fromkeys(suggestion_body(patient))
    body = {**empty, "patient_ref": patient.patient_ref, "status": "unavailable", "reason": reason, "warnings": []}
    values = {
        "status": "unavailable", "reason": reason, "body": body,
        "next_date": None, "latest_safe_date": None, "interval_days": None, "chance_today": None,
        **fields,
    }  # fmt: skip
    return make_suggestion(patient, **values)


def make_backtest_run(site: Site | None = None, **fields: Any) -> BacktestRun:
    values = {"made_at": NOW, "as_of": TODAY, "code_version": "test", "result": {}, "form_chosen": "logit", **fields}
    return BacktestRun.objects.create(site=site or first_site(), **values)


# What stands: reckoned rows that the pages take as in force


def suggestion_options(**keys: Any) -> dict[str, Any]:
    """What is stored beside `suggestion_body`: a chance for each day, a small grid, three choices."""
    chances = [round(min(0.01 * (n + 1), 1.0), 4) for n in range(28)]
    choice = {
        "over_visits_year": 1.1, "visits_year": 13.0, "units_year": 65.0, "iron_year_mg": 2700.0, "suggested": False,
        "why": "",
    }  # fmt: skip
    return {
        "chance_by_day": {"from": TODAY.isoformat(), "chance": chances},
        "best_date": "2026-06-08",
        "earliest_date": "2026-06-01",
        "choices": [
            choice | {"letter": "F", "name": "fewest visits", "interval_days": 35, "end_target_pct": 11.9, "units": 6,
                      "over_visit": 0.099, "over_year": 0.66},
            choice | {"letter": "L", "name": "least blood", "interval_days": 28, "end_target_pct": 14.1, "units": 5,
                      "over_visit": 0.05, "over_year": 0.49, "suggested": True, "why": "Every fourth Monday."},
            choice | {"letter": "M", "name": "most margin", "interval_days": 21, "end_target_pct": 12.0, "units": 5,
                      "over_visit": 0.004, "over_year": 0.07},
        ],
        "grid": {
            "days": [21, 28, 35],
            "ends": [12, 14, 16],
            "chance": [[0.004, 0.02, 0.08], [0.03, 0.09, 0.30], [0.09, 0.31, 0.62]],
        },
        "working": {"blood_volume_ml": 3842.0, "volume_rule": "Nadler 1962, adult", "mixing": 0.87},
        **keys,
    }  # fmt: skip


def make_fit_in_force(site: Site | None = None, **fields: Any) -> ModelFit:
    """A fit by the model in use, so that pages take it as in force."""
    return make_fit(site, **{"code_version": MODEL_VERSION, "as_of": date(2026, 5, 31), **fields})


def make_standing(
    patient: Patient, model_fit: ModelFit, *, forecast: dict[str, Any] | None = None, **suggestion: Any
) -> None:
    """A forecast and a suggestion that are in force for this person; `suggestion` and `forecast` name other fields."""
    make_forecast(patient, model_fit=model_fit, **{"code_version": MODEL_VERSION, **(forecast or {})})
    made = {"code_version": PLAN_VERSION, "options": suggestion_options(), **suggestion}
    make = make_unavailable_suggestion if "reason" in made else make_suggestion
    if "reason" in made:
        made["options"] = None
    make(patient, model_fit=model_fit, **made)


# The day of an exchange


PLANNED_STEPS = [
    {"number": 1, "fluid": "saline", "units": [], "in_ml": 400, "out_ml": 400, "draws": [200, 200], "why": ""},
    {
        "number": 2, "fluid": "red_cells", "units": [1, 2], "in_ml": 516, "out_ml": 500, "draws": [250, 250], "why": "",
        "cells_hb_g_l": 194.0,
    },
]  # fmt: skip


def make_prescription(
    exchange_session: ExchangeSession, *, signed_by: User | None = None, **fields: Any
) -> Prescription:
    values = {
        "number": 1,
        "method": "two_arm",
        "made_at": NOW,
        "weight_kg": exchange_session.weight_kg,
        "hb_g_l": 94.0,
        "hbs_pct": 30.0,
        "blood_volume_ml": 4000.0,
        "mixing_volume_ml": 4000.0,
        "units": 2,
        "inputs": {},
        "steps": PLANNED_STEPS,
        "predicted": {},
        "limits": [],
        "authorised_by": signed_by,
        "authorised_at": NOW if signed_by else None,
        **fields,
    }
    return Prescription.objects.create(exchange_session=exchange_session, **values)


def make_entry(exchange_session: ExchangeSession, kind: str, body: dict[str, Any], *, by: User, **fields: Any) -> Entry:
    number = Entry.objects.filter(exchange_session=exchange_session).count() + 1
    values = {
        "number": number,
        "key": f"{exchange_session.pk}-{number}",
        "happened_at": NOW,
        "received_at": NOW,
        **fields,
    }
    return Entry.objects.create(exchange_session=exchange_session, kind=kind, body=body, by=by, **values)


def make_running(
    patient: Patient,
    *,
    by: User,
    units: int = 2,
    unit_state: str = UnitState.CHECKED,
    started_at: datetime | None = None,
    **plan: Any,
) -> ExchangeSession:
    """A session that runs since NOW on a signed plan, its units checked; observations were taken before."""
    started_at = started_at or NOW
    exchange_session = make_exchange_session(
        patient,
        on=started_at.date(),
        state=State.RUNNING,
        origin=Origin.HERE,
        started_at=started_at,
        method=plan.get("method", "two_arm"),
        units=None,
        saline_in_ml=None,
        red_cells_in_ml=None,
        blood_out_ml=None,
        hbs_after_pct=None,
        hb_after_g_l=None,
    )
    make_prescription(exchange_session, signed_by=by, **{"units": units, **plan})
    for place in range(1, units + 1):
        DonationUnit.objects.create(
            exchange_session=exchange_session,
            place=place,
            state=unit_state,
            volume_ml=258,
            started_at=started_at if unit_state in (UnitState.RUNNING, UnitState.GIVEN) else None,
        )
    before = {"moment": "before", "bp_sys": 118, "bp_dia": 70, "pulse": 76, "temp_c": 36.8, "spo2": 98}
    make_entry(exchange_session, "start_check", {}, by=by, happened_at=started_at, received_at=started_at)
    make_entry(exchange_session, "observation", before, by=by, happened_at=started_at, received_at=started_at)
    return exchange_session


def make_follow_up(exchange_session: ExchangeSession, **fields: Any) -> FollowUp:
    """A call about late reactions that is due today."""
    values = {"kind": FollowUp.Kind.LATE_CALL, "due_on": TODAY, "opened_at": NOW, **fields}
    return FollowUp.objects.create(patient=exchange_session.patient, exchange_session=exchange_session, **values)


def make_adverse_event(exchange_session: ExchangeSession, *, by: User, **fields: Any) -> AdverseEvent:
    """A febrile reaction of the session, noted and not judged yet."""
    values = {"at": NOW, "kind": "febrile", "signs": "rigors, 39.1 °C", "noted_at": NOW, **fields}
    return AdverseEvent.objects.create(
        patient=exchange_session.patient, exchange_session=exchange_session, noted_by=by, **values
    )


# The diary


def make_chair(site: Site | None = None, **fields: Any) -> Chair:
    """A chair that has always been there, with one start a day, 09:00 to 16:00 unless the slot is given."""
    site = site or first_site()
    place = site.chairs.count() + 1
    starts, ends = fields.pop("starts", time(9, 0)), fields.pop("ends", time(16, 0))
    values = {"name": f"Chair {place}", "place": place, "since": date(2024, 1, 1), **fields}
    chair = Chair.objects.create(site=site, **values)
    Slot.objects.create(chair=chair, number=1, starts=starts, ends=ends, since=chair.since)
    return chair


def make_open_week(site: Site | None = None, *, weekdays: Iterable[int] = range(5)) -> None:
    """The unit is open on these weekdays, 08:00 to 18:00."""
    for weekday in weekdays:
        OpeningHours.objects.create(
            site=site or first_site(), weekday=weekday, opens=time(8), closes=time(18), since=date(2024, 1, 1)
        )


def make_booking(patient: Patient, chair: Chair, *, on: date = date(2026, 6, 8), **fields: Any) -> Booking:
    """A place at the first slot of a chair; it is held as long as the booking stands."""
    slot = chair.slots.get(number=1)
    made_by = fields.pop("made_by", None) or User.objects.filter(site=patient.site).order_by("pk").first()
    values = {"starts": slot.starts, "ends": slot.ends, "made_at": NOW, "chance_over": 0.08, **fields}
    booking = Booking.objects.create(
        patient=patient, chair=chair, on=on, made_by=made_by or make_user(site=patient.site), **values
    )
    if booking.state in STANDING:
        Occupied.objects.create(booking=booking, chair=chair, on=on, slot=1)
    return booking


def make_away(patient: Patient, **fields: Any) -> Away:
    """A week in June on which the person cannot come."""
    values = {"since": date(2026, 6, 15), "until": date(2026, 6, 19), "words": "examinations", **fields}
    return Away.objects.create(patient=patient, **values)


def make_broken_glass(patient: Patient, *, by: User, **fields: Any) -> BrokenGlass:
    """Somebody of another unit, who reads the pages of `patient` for four hours from now."""
    values = {"kind": "emergency", "words": "found unwell", "since": NOW, "until": NOW + timedelta(hours=4), **fields}
    return BrokenGlass.objects.create(user=by, site=patient.site, patient_key=patient.pk, **values)


def make_erasure(patient: Patient, *, by: User, **fields: Any) -> Erasure:
    """That it was asked to erase a person; nobody has agreed yet."""
    values = {"kind": "time_over", "reason": "asked for in writing", "asked_at": NOW, **fields}
    return Erasure.objects.create(site=patient.site, patient_key=patient.pk, asked_by=by, **values)


def make_course_note(patient: Patient, *, by: User, **fields: Any) -> CourseNote:
    values = {"on": date(2026, 5, 4), "words": "noted", "role": by.role, "at": NOW} | fields
    return CourseNote.objects.create(patient=patient, by=by, **values)


def make_check_done(patient: Patient, *, by: User, **fields: Any) -> CheckDone:
    values = {"check_name": "eyes", "on": date(2026, 5, 4), "at": NOW} | fields
    return CheckDone.objects.create(patient=patient, by=by, **values)


def make_waiting(patient: Patient, *, by: User, **fields: Any) -> Waiting:
    """Somebody who would take an earlier place, since today."""
    return Waiting.objects.create(patient=patient, by=by, **{"since": TODAY, **fields})


def make_feed(patient: Patient, *, secret: str, by: User, **fields: Any) -> CalendarFeed:
    """The calendar of a person at an address that a test knows."""
    values = {"site": patient.site, "secret_digest": digest_of(secret), "made_at": NOW, "made_by": by, **fields}
    return CalendarFeed.objects.create(patient=patient, **values)


def make_proposal(*, by: User, **fields: Any) -> Proposal:
    """A proposal that was made and in which nobody is placed."""
    values = {
        "first": TODAY, "weeks": 6, "state": "made", "asked_at": NOW, "made_at": NOW, "proven_optimal": True,
        "changed": {"out": [], "fixed": {}}, "found": {"placed": [], "left": [], "more": []}, **fields,
    }  # fmt: skip
    return Proposal.objects.create(site=by.site, asked_by=by, **values)


# What arrives


def make_raw_message(site: Site | None = None, *, body: bytes = b"a message", **fields: Any) -> RawMessage:
    """A message that has been read."""
    site = site or first_site()
    number = RawMessage.objects.filter(site=site).count() + 1
    values = {"sender": "file", "kind": "csv", "message_id": f"message {number}", "received_at": NOW, **fields}
    raw = RawMessage.objects.create(site=site, body=body, digest=hashlib.sha256(body).hexdigest(), **values)
    Reading.objects.create(raw=raw, state=ReadingState.READ, read_at=NOW)
    return raw


def make_inbox_item(patient: Patient, *, raw: RawMessage | None = None, **fields: Any) -> InboxItem:
    """A message of nobody's that waits, about this person."""
    values = {
        "severity": Severity.CHECK,
        "reason": "unreadable",
        "sentence": "It cannot be read.",
        "at": NOW,
        **fields,
    }
    raw = raw or make_raw_message(patient.site)
    return InboxItem.objects.create(site=patient.site, patient=patient, raw=raw, **values)


def make_sender(site: Site, name: str = "Tidewater Laboratory", **fields: Any) -> Sender:
    return Sender.objects.create(site=site, name=name, **fields)


def make_local_code(site: Site, *, by: User, code: str = "SICKLE", **fields: Any) -> LocalCode:
    values = {"analyte": Analyte.HBS, "since": TODAY, "reason": "agreed in a test", **fields}
    return LocalCode.objects.create(site=site, by=by, code=code, **values)
