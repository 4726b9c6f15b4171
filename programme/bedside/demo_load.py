"""The demo's own day: a plan that waits for a signature, one signed, one session half way, one waiting to be closed.

The last two are there by hand and, with two people more, by machine. Written by the same services as the pages, with
the times of this morning. Loaded in the night, when this morning would be yesterday, the sessions that need hours stay
signed plans.
"""

from __future__ import annotations

from datetime import date, datetime, time, timedelta

import numpy as np
from django.db import transaction

from patients import services as people
from patients.models import Analyte, Patient
from programme.bedside.services import plan_for_day
from programme.core.models import Role, Site, User
from sessions.day.inputs import changed_since
from sessions.day.models import Prescription
from sessions.day.numeric.draft import passed
from sessions.day.numeric.machine import Totals
from sessions.day.services import afterwards, entering, finishing, giving, prescribing, starting, units
from sessions.models import DonationUnit, ExchangeSession, Method, StoredForecast, UnitState

WAITING, SIGNED, RUNNING, FINISHED = "SM-042", "SM-036", "SM-008", "SM-023"
BY_MACHINE = RUNNING_BY_MACHINE, FINISHED_BY_MACHINE = "SM-055", "SM-033"
TODAYS = (WAITING, SIGNED, RUNNING, FINISHED, *BY_MACHINE)
MACHINE_UNIT_MIN = 20.0
STROKE_MIN = 8.0
"""Minutes from one bag to the next in the invented sessions; one with a unit takes three times as long."""
HALF_MIN, WHOLE_MIN = 70.0, 330.0
"""How long ago the sessions half way, and those that wait to be closed, were begun."""
UNIT_ML = 258.0
HB_OFF_G_L, HBS_OFF_PCT = 1.0, 0.4
"""How far the invented results of today lie from the forecast."""
FACILITY_AND_YEAR = "G110026"
Stroke = tuple[int, int | None, float, float]


@transaction.atomic
def load_day(*, site: Site, today: date, at: datetime) -> None:
    """Write the day of the six people; `at` is the present, local to the site."""
    nurse, consultant = (User.objects.get(site=site, role=role) for role in (Role.NURSE, Role.CONSULTANT))
    midnight = datetime.combine(today, time(0), tzinfo=at.tzinfo)
    morning = max(at - timedelta(hours=6), midnight)
    has_hours = at - morning >= timedelta(hours=6)
    for ref in TODAYS:
        patient = Patient.objects.select_related("site").get(site=site, patient_ref=ref)
        method = Method.AUTOMATED if ref in BY_MACHINE else Method.TWO_ARM
        plan = _planned(patient, today, nurse, morning, method)
        if ref != WAITING:
            _sign(plan, consultant, morning)
        if has_hours and ref not in (WAITING, SIGNED):
            half = ref in (RUNNING, RUNNING_BY_MACHINE)
            _carry_out(
                plan, nurse, consultant, begins=at - timedelta(minutes=HALF_MIN if half else WHOLE_MIN), half=half
            )


def _planned(patient: Patient, today: date, nurse: User, at: datetime, method: Method) -> Prescription:
    """What must be in date, today's weight and results, and the plan made from them."""
    weight = patient.exchange_sessions.order_by("-on").values_list("weight_kg", flat=True)[0]
    people.record_measure(patient=patient, on=today, weight_kg=weight, source="scales", actor=nurse, at=at)
    people.record_consent(
        patient=patient, given_on=today - timedelta(days=120), valid_until=today + timedelta(days=245),
        given_by="the person", actor=nurse, at=at,
    )  # fmt: skip
    people.record_sample(patient=patient, taken_at=at - timedelta(hours=20), actor=nurse, at=at)
    hb, hbs = _expected(patient, today)
    taken = at - timedelta(minutes=20)
    taken = taken if taken.date() == today else at
    for analyte, value in ((Analyte.HB, round(hb - HB_OFF_G_L)), (Analyte.HBS, round(hbs + HBS_OFF_PCT, 1))):
        people.record_result(patient=patient, analyte=analyte, value=value, taken_at=taken, actor=nurse, at=at)
    return plan_for_day(patient=patient, on=today, method=method, actor=nurse, at=at)


def _expected(patient: Patient, today: date) -> tuple[float, float]:
    """Hb and HbS to be expected today, from the stored forecast."""
    forecast = StoredForecast.objects.get(patient=patient)
    if forecast.days is None or forecast.last_on is None:
        raise ValueError(f"{patient.patient_ref} has no forecast to invent results from")
    ahead = (today - forecast.last_on).days
    hb, hbs = (float(np.interp(ahead, forecast.days["days"], forecast.days[name])) for name in ("hb_p50", "p50"))
    return hb, hbs


def _sign(plan: Prescription, consultant: User, at: datetime) -> None:
    exchange_session = plan.exchange_session
    if prescribing.hindrances(plan, changed_since(plan, exchange_session.patient, exchange_session.on)):
        return  # the figures of this day allow no signature: the plan waits for a person
    prescribing.authorise(
        exchange_session=exchange_session,
        version=exchange_session.version,
        number=plan.number,
        reasons={row["name"]: "seen, and agreed with the person" for row in passed(plan.limits)},
        actor=consultant,
        at=at + timedelta(minutes=10),
    )


def _carry_out(plan: Prescription, nurse: User, consultant: User, *, begins: datetime, half: bool) -> None:
    exchange_session = ExchangeSession.objects.select_related("patient__site").get(pk=plan.exchange_session_id)
    if exchange_session.state != "authorised":
        return
    _bring_units(exchange_session, plan.units, nurse, consultant, begins - timedelta(minutes=10))
    starting.start_session(
        exchange_session=exchange_session,
        version=exchange_session.version,
        key=f"demo-{exchange_session.pk}-start",
        answers={"name_and_birth": "yes", "wristband": exchange_session.patient.patient_ref, "access": "in",
                 "infection": "no", "medicines": "none"},
        observation={"bp_sys": 116, "bp_dia": 71, "pulse": 78, "temp_c": 36.7, "spo2": 98},
        observed_at=begins - timedelta(minutes=12),
        found=(),
        actor=nurse,
        at=begins,
    )  # fmt: skip
    if plan.method == Method.AUTOMATED:
        ended = _run_machine(exchange_session, plan, nurse, begins, half=half)
    else:
        strokes = _strokes(plan)
        ended = _give(exchange_session, _so_far(strokes) if half else strokes, nurse, begins)
    if not half:
        _observe(exchange_session, f"demo-{exchange_session.pk}-end", "end", nurse, ended)
        now = ExchangeSession.objects.get(pk=exchange_session.pk)
        finishing.finish(
            exchange_session=now, version=now.version, actor=nurse, at=ended + timedelta(minutes=5),
            key=f"demo-{now.pk}-finish", reason="as planned",
        )  # fmt: skip
        _measure(now, plan, nurse, ended)


def _measure(exchange_session: ExchangeSession, plan: Prescription, nurse: User, ended: datetime) -> None:
    """The sample after the session and its results, a little off what the plan said."""
    taken = ended + timedelta(minutes=34)
    afterwards.record_sample(
        exchange_session=exchange_session, taken_at=taken, place="left arm, fresh puncture", from_return=False,
        key=f"demo-{exchange_session.pk}-sample", actor=nurse, at=taken,
    )  # fmt: skip
    hb, hbs = (plan.predicted[name][0] for name in ("hb_settled", "hbs"))
    values: dict[str, float] = {Analyte.HB: round(hb - HB_OFF_G_L), Analyte.HBS: round(hbs + HBS_OFF_PCT, 1)}
    afterwards.record_after_results(
        exchange_session=exchange_session, values=values, method="HPLC", actor=nurse,
        at=taken + timedelta(minutes=18),
    )  # fmt: skip


def _bring_units(exchange_session: ExchangeSession, many: int, nurse: User, consultant: User, at: datetime) -> None:
    needs = exchange_session.patient.needs
    worn = exchange_session.patient.patient_ref
    for place in range(1, many + 1):
        number = f"{FACILITY_AND_YEAR}{exchange_session.pk % 10_000:04d}{place:02d}"
        label = units.Label(
            donation_number=number, abo=needs.abo, rhd=needs.rhd, expires_on=exchange_session.on + timedelta(days=20),
            negative=frozenset(part.strip() for part in needs.antigens_to_avoid.split(",") if part.strip()),
            hbs_negative=True, volume_ml=UNIT_ML,
        )  # fmt: skip
        unit = units.add_unit(
            exchange_session=exchange_session, label=label, out_of_storage_at=None, actor=nurse, at=at
        )
        chair = units.AtTheChair(name_and_birth_asked=True, wristband=worn, donation_number=number)
        units.check_unit(
            unit=unit, version=unit.version, key=f"demo-{exchange_session.pk}-check-{place}", chair=chair, actor=nurse,
            second=consultant, at=at,
        )  # fmt: skip


def _strokes(plan: Prescription) -> list[Stroke]:
    """Step, unit, in and out [mL] of all that is entered, one entry a unit or a bag; a unit may span two steps."""
    strokes: list[Stroke] = []
    left: dict[int, float] = {}
    for step in plan.steps:
        if not step["units"]:
            many = max(len(step["draws"]), 1)
            strokes += [(step["number"], None, round(step["in_ml"] / many), round(step["out_ml"] / many))] * many
            continue
        to_give = float(step["in_ml"])
        for place in step["units"]:
            given = min(left.get(place, UNIT_ML), to_give)
            left[place], to_give = left.get(place, UNIT_ML) - given, to_give - given
            strokes.append((step["number"], place, round(given), round(step["out_ml"] * given / step["in_ml"])))
    return strokes


def _minutes(place: int | None) -> float:
    return STROKE_MIN * (3.0 if place is not None else 1.0)


def _so_far(strokes: list[Stroke]) -> list[Stroke]:
    """Half of them, or as many as were done by now: nothing is entered before it has happened."""
    done, minutes = [], 0.0
    for stroke in strokes[: max(len(strokes) // 2, 1)]:
        minutes += _minutes(stroke[1])
        if minutes > HALF_MIN:
            break
        done.append(stroke)
    return done


def _give(exchange_session: ExchangeSession, strokes: list[Stroke], nurse: User, begins: datetime) -> datetime:
    """Enter the strokes one after another; a unit is started with its first and ended with its last."""
    at = begins
    last_of = {place: number for number, (_, place, _, _) in enumerate(strokes, start=1) if place is not None}
    for number, (step, place, in_ml, out_ml) in enumerate(strokes, start=1):
        key, body = f"demo-{exchange_session.pk}-{number}", {"step": step, "in_ml": in_ml, "out_ml": out_ml}
        if place is not None:
            body["unit"] = place
            _start_unit(exchange_session, place, nurse, at)
        at += timedelta(minutes=_minutes(place))
        entering.add_entry(
            exchange_session=exchange_session, key=key, kind="moved", body=body, actor=nurse, at=at, seen=10_000
        )
        if place is not None and last_of[place] == number:
            row = DonationUnit.objects.get(exchange_session=exchange_session, place=place)
            giving.end_unit(unit=row, version=row.version, key=f"{key}-ends", actor=nurse, at=at)
            _observe(exchange_session, f"{key}-seen", "interval", nurse, at)
    return at


def _run_machine(
    exchange_session: ExchangeSession, plan: Prescription, nurse: User, begins: datetime, *, half: bool
) -> datetime:
    """Units one after another, and the totals after the last; half way the second of the halves is being given."""
    at, most = begins, 1 + int(HALF_MIN // MACHINE_UNIT_MIN)
    many = min(max(plan.units // 2, 1), most) if half else plan.units
    for place in range(1, many + 1):
        key = f"demo-{exchange_session.pk}-machine-{place}"
        _start_unit(exchange_session, place, nurse, at)
        if half and place == many:
            return at
        _observe(exchange_session, f"{key}-seen", "after_15", nurse, at + timedelta(minutes=15))
        at += timedelta(minutes=MACHINE_UNIT_MIN)
        row = DonationUnit.objects.get(exchange_session=exchange_session, place=place)
        giving.end_unit(unit=row, version=row.version, key=f"{key}-ends", actor=nurse, at=at)
    cells_ml, (hb, *_) = UNIT_ML * many, plan.predicted["hb_settled"]
    totals = Totals(0.0, cells_ml, cells_ml, many, begins, at, f"set to end at Hb {hb:.0f} g/L")
    entering.add_entry(
        exchange_session=exchange_session, key=f"demo-{exchange_session.pk}-totals", kind="totals",
        body=totals.body(), actor=nurse, at=at + timedelta(minutes=2),
    )  # fmt: skip
    return at + timedelta(minutes=2)


def _observe(exchange_session: ExchangeSession, key: str, moment: str, nurse: User, at: datetime) -> None:
    body = {"moment": moment, "bp_sys": 114, "bp_dia": 70, "pulse": 76, "temp_c": 36.8, "spo2": 98}
    entering.add_entry(exchange_session=exchange_session, key=key, kind="observation", body=body, actor=nurse, at=at)


def _start_unit(exchange_session: ExchangeSession, place: int, nurse: User, at: datetime) -> None:
    row = DonationUnit.objects.get(exchange_session=exchange_session, place=place)
    if row.state == UnitState.CHECKED:
        key = f"demo-{exchange_session.pk}-{place}-starts"
        giving.start_unit(unit=row, version=row.version, key=key, actor=nurse, at=at)
