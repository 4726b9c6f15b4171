"""Writing of the plan page that goes through several stages: today's figures first, then the plan made from them."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass
from datetime import date, datetime, timedelta
from zoneinfo import ZoneInfo

from django.core.exceptions import ValidationError
from django.db import transaction

from patients import services as people
from patients.models import Analyte, LabResult, Patient
from programme.bedside.queries.drafting import SAME_VALUE, Typed, draft_from_planner, draft_from_typed
from programme.bedside.queries.known import Known, known_of
from programme.core.models import EditedMeanwhile, User
from sessions.day.models import Prescription
from sessions.day.numeric.draft import PlanDraft
from sessions.day.services.prescribing import make_plan, plan_session
from sessions.models import ExchangeSession

SAME_SAMPLE = timedelta(minutes=1)


@dataclass(frozen=True, slots=True)
class Figures:
    """What was measured for a session; None was not entered.

    taken_at: of the blood sample; None means now. again: what this sample showed the same as the one recorded.
    """

    weight_kg: float | None = None
    weighed: bool = False
    hb_g_l: float | None = None
    hbs_pct: float | None = None
    hbc_pct: float | None = None
    taken_at: datetime | None = None
    again: frozenset[str] = frozenset()


@dataclass(frozen=True, slots=True)
class _Told:
    """A figure as told, beside the result of it that is recorded. is_again: it was measured anew, and may be equal."""

    analyte: str
    value: float
    result: LabResult | None
    is_again: bool

    def is_moved(self, taken_at: datetime) -> bool:
        return self.result is not None and abs(taken_at - self.result.taken_at) >= SAME_SAMPLE


def plan_for_day(*, patient: Patient, on: date, method: str, actor: User, at: datetime) -> Prescription:
    """Plan a session for a day from what is recorded; method: '' for the person's own.

    Raises ValidationError with the reason where nothing can be.
    """
    known = known_of(patient, on=on, at=at)
    draft = draft_from_planner(known, method=method or known.record.method)
    if isinstance(draft, str):
        raise ValidationError(draft)
    return plan_session(patient=patient, on=on, draft=draft, actor=actor, at=at)


@transaction.atomic
def record_today(
    *, exchange_session: ExchangeSession, version: int, figures: Figures, why: str, actor: User, at: datetime
) -> None:
    """Record what was measured and differs from what is recorded, or is the same in a newer sample; a figure put right
    needs `why`.

    version: of the session as the person saw it, so that nobody enters figures over newer ones unseen.
    """
    if ExchangeSession.objects.get(pk=exchange_session.pk).version != version:
        raise EditedMeanwhile("This session was changed by someone else after you opened it; look at it again.")
    patient = exchange_session.patient
    known = known_of(patient, on=exchange_session.on, at=at)
    _record_weight(known, figures, why, actor, at)
    taken_at, told = figures.taken_at or at, _told(known, figures)
    if unsaid := [*_unsaid(told, figures, taken_at, ZoneInfo(patient.site.time_zone))]:
        raise ValidationError(unsaid)
    for one in told:
        _record_result(patient, one, taken_at, why, actor, at)


def plan_again(
    *, exchange_session: ExchangeSession, method: str, saline_first: bool, dehydrated: bool, why: str, actor: User,
    at: datetime,
) -> Prescription:  # fmt: skip
    """Search the session anew from what is recorded now, as the next plan. Raises ValidationError with the reason."""

    def draft(known: Known) -> PlanDraft | str:
        return draft_from_planner(known, method=method, saline_first=saline_first, dehydrated=dehydrated)

    return _next_plan(exchange_session, draft, why=why, actor=actor, at=at)


def keep_typed(
    *, exchange_session: ExchangeSession, base: Prescription, typed: Typed, why: str, actor: User, at: datetime
) -> Prescription:
    """Keep the steps as typed as the next plan. Raises ValidationError without a reason, or where they cannot be."""
    why = people.need_reason(why)

    def draft(known: Known) -> PlanDraft:
        if newer := [*_newer(known, typed)]:
            raise ValidationError(newer)
        try:
            return draft_from_typed(known, base, typed)
        except ValueError as error:
            raise ValidationError(f"This session cannot be carried out: {error}.") from error

    return _next_plan(exchange_session, draft, why=why, actor=actor, at=at)


def _newer(known: Known, typed: Typed) -> Iterator[str]:
    """Figures that were typed though a sample taken later says otherwise: a plan names the newest, and rests on it."""
    hb, hbs, zone = known.hb, known.hbs, ZoneInfo(known.patient.site.time_zone)
    for name, unit, said, row, newest in (
        ("Hb", "g/L", typed.hb_g_l, hb, None if hb is None else hb.value),
        ("HbS", "%", typed.hbs_pct, hbs, known.hbs_pct),
    ):
        if row is None or said is None or newest is None or abs(said - newest) < SAME_VALUE:
            continue
        taken = row.taken_at.astimezone(zone)
        yield (
            f"{name} {said:g} {unit} is recorded, but {newest:g} {unit} is of a sample taken later, {taken.day} "
            f"{taken:%b, %H:%M}, and the plan rests on that one. If it is wrong, withdraw it in the person's records; "
            f"else leave {newest:g}."
        )


def _next_plan(
    exchange_session: ExchangeSession, make: Callable[[Known], PlanDraft | str], *, why: str, actor: User, at: datetime
) -> Prescription:
    version = ExchangeSession.objects.values_list("version", flat=True).get(pk=exchange_session.pk)
    draft = make(known_of(exchange_session.patient, on=exchange_session.on, at=at))
    if isinstance(draft, str):
        raise ValidationError(draft)
    return make_plan(exchange_session=exchange_session, version=version, draft=draft, actor=actor, at=at, why=why)


def _record_weight(known: Known, figures: Figures, why: str, actor: User, at: datetime) -> None:
    weight, patient = figures.weight_kg, known.patient
    if weight is None:
        return
    today = people.local_day(at, patient.site)
    same = weight == known.record.weight_kg
    of_today = known.weight is not None and known.weight.on == today
    if same and (of_today or not figures.weighed):
        return
    if known.weight is not None and of_today:
        people.withdraw_measure(measure=known.weight, why=why, actor=actor, at=at)
    people.record_measure(patient=patient, on=today, weight_kg=weight, source="on the plan", actor=actor, at=at)


def _told(known: Known, figures: Figures) -> list[_Told]:
    """The figures told. HbS and HbC are of one sample: where one of them is new the other was measured too."""
    rows = (
        (Analyte.HB, figures.hb_g_l, known.hb),
        (Analyte.HBS, figures.hbs_pct, known.hbs),
        (Analyte.HBC, figures.hbc_pct, known.hbc),
    )
    pair, again = {Analyte.HBS, Analyte.HBC}, set(figures.again)
    changed = {analyte for analyte, value, row in rows if row is not None and value not in (None, row.value)}
    if pair & (changed | again):
        again |= pair
    return [_Told(name, value, row, name in again) for name, value, row in rows if value is not None]


def _unsaid(told: list[_Told], figures: Figures, taken_at: datetime, zone: ZoneInfo) -> Iterator[str]:
    """What a new time leaves open: a sample in which nothing was measured, and the same again at the same time."""
    for one in told:
        row = one.result
        if one.analyte in figures.again and row is not None and row.value == one.value and not one.is_moved(taken_at):
            yield (
                f"{row.get_analyte_display()} {one.value:g} of {row.taken_at.astimezone(zone):%H:%M} is recorded: type "
                "when the newer sample was taken."
            )
    stays = [one for one in told if one.result is not None and one.value == one.result.value and not one.is_again]
    nothing_new = bool(told) and len(stays) == len(told) and all(one.is_moved(taken_at) for one in stays)
    if figures.taken_at is not None and nothing_new:
        yield (
            f"A sample of {taken_at.astimezone(zone):%H:%M} is not recorded, but every figure is as it was. Tick what "
            "was the same in the new sample, or leave the time as it was. A wrong time is put right in the person's "
            "records."
        )


def _record_result(patient: Patient, told: _Told, taken_at: datetime, why: str, actor: User, at: datetime) -> None:
    row, moved = told.result, told.is_moved(taken_at)
    if row is not None and told.value == row.value and not (moved and told.is_again):
        return
    if row is not None and not moved:
        people.correct_result(result=row, value=told.value, why=why, actor=actor, at=at)
        return
    people.record_result(patient=patient, analyte=told.analyte, value=told.value, taken_at=taken_at, actor=actor, at=at)
