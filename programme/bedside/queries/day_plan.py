"""The plan of a session of one day as the page and the prints show it. Reads only; fixed number of queries."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date, datetime, timedelta
from typing import Any

from patients.models import Antibody, Consent, TransfusionNeeds
from programme.bedside.numeric.cautions import Caution, Today, cautions
from programme.bedside.queries.day_sheet import Sheet, sheet_of
from programme.bedside.queries.drafting import as_planned, draft_from_typed, drawn_ahead_ml
from programme.bedside.queries.known import Known
from programme.worklist.numeric.words import figure
from programme.worklist.queries.plan_rows import (
    Line,
    Marginal,
    bar_px,
    longest_bar,
    marginal_rows,
)
from programme.worklist.queries.who import Who, who
from sessions.day.inputs import changed_since
from sessions.day.models import AdverseEvent, Prescription
from sessions.day.numeric.draft import PlanDraft, difference
from sessions.day.numeric.durations import minutes_a_unit
from sessions.day.numeric.foreseen import ForeseenDay, against_foreseen
from sessions.day.numeric.reactions import kind_words
from sessions.day.numeric.samples import holds_until
from sessions.day.queries import foreseen_after, sample_rule_of
from sessions.day.services.prescribing import hindrances
from sessions.models import NOT_BEGUN, ExchangeSession, HaemolysisSign, State

REACTION_WITHIN_DAYS = 400


@dataclass(frozen=True, slots=True)
class PlanNumber:
    """One of the plans made for this session, in a line."""

    number: int
    words: str


@dataclass(frozen=True, slots=True)
class DayPlanPage:
    """Everything the plan of a session shows. `problem`: why what was typed cannot be worked out."""

    who: Who
    key: int
    on: date
    state: str
    ended_reason: str
    version: int
    plan: Prescription | None
    sheet: Sheet | None
    is_typed: bool
    problem: str
    difference: str
    foreseen: str
    cautions: tuple[Caution, ...]
    corrected: tuple[str, ...]
    arrived: tuple[str, ...]
    hindrances: tuple[str, ...]
    numbers: tuple[PlanNumber, ...]
    marginal: tuple[Marginal, ...]
    target_px: float
    end_target_pct: float | None
    after_days: int | None
    alternatives: tuple[Mapping[str, Any], ...]
    series: tuple[Mapping[str, Any], ...]
    warnings: tuple[str, ...]
    working: tuple[Line, ...]
    results_used: tuple[str, ...]
    made_at_local: datetime | None
    today: date

    @property
    def may_change(self) -> bool:
        return self.state in NOT_BEGUN

    @property
    def is_over(self) -> bool:
        """Whether nothing more is given by this plan."""
        return self.state not in (*NOT_BEGUN, State.RUNNING)

    @property
    def may_have_units(self) -> bool:
        """Whether units can lie at the chair before the start; a signature that lapsed leaves them there."""
        return self.state == State.AUTHORISED or (self.may_change and bool(self.lapsed))

    @property
    def is_left_over(self) -> bool:
        """Whether its day has gone by with nothing begun."""
        return self.may_change and self.on < self.today

    @property
    def is_signed(self) -> bool:
        return self.plan is not None and self.plan.is_in_force

    @property
    def lapsed(self) -> str:
        """Why a signature no longer holds; the newest plan's, else that of the plan before."""
        return self.plan.lapsed_why if self.plan is not None else ""


def day_plan(
    exchange_session: ExchangeSession, known: Known, *, typed: PlanDraft | None = None, problem: str = ""
) -> DayPlanPage:
    """Return the plan of a session, or `typed` in the place of the stored one; a fixed number of queries."""
    plans = list(
        Prescription.objects.filter(exchange_session=exchange_session)
        .select_related("made_by", "authorised_by")
        .order_by("number")
    )
    plan = plans[-1] if plans else None
    shown = typed or plan
    facts = _facts(known)
    corrected = () if plan is None else changed_since(plan, known.patient, exchange_session.on)
    predicted: Mapping[str, Any] = shown.predicted if shown else {}
    beside = {"marginal": predicted.get("marginal") or []}
    body = {"session": {"units": shown.units if shown else 0}, "end_target_hbs_pct": predicted.get("end_target_pct")}
    return DayPlanPage(
        who=who(known.patient, known.record, known.on, mixing=_mixing(plan)),
        key=exchange_session.pk,
        on=exchange_session.on,
        state=exchange_session.state,
        ended_reason=exchange_session.ended_reason,
        version=exchange_session.version,
        plan=plan,
        sheet=None if shown is None or not shown.steps else sheet_of(shown, known),
        is_typed=typed is not None,
        problem=problem,
        difference=_difference(typed, plans),
        foreseen=_foreseen(shown, known),
        cautions=() if shown is None else cautions(_today(shown, known, facts), known.settings),
        corrected=corrected,
        arrived=_arrived(plan, known) if exchange_session.state in (*NOT_BEGUN, State.RUNNING) else (),
        hindrances=hindrances(plan, corrected) if plan and exchange_session.state == State.PLANNED else (),
        numbers=tuple(PlanNumber(row.number, _number_words(row, known)) for row in reversed(plans)),
        marginal=marginal_rows(beside, body, known.record.accepted_chance),
        target_px=bar_px(predicted.get("end_target_pct"), longest_bar(beside, body)),
        end_target_pct=predicted.get("end_target_pct"),
        after_days=predicted.get("interval_after_days"),
        alternatives=tuple(predicted.get("alternatives") or ()),
        series=tuple(predicted.get("series") or ()),
        warnings=tuple(predicted.get("warnings") or ()),
        working=_working(shown, known.settings),
        results_used=_results(plan, known) if plan else (),
        made_at_local=None if plan is None else plan.made_at.astimezone(known.at.tzinfo),
        today=known.at.date(),
    )


def _mixing(plan: Prescription | None) -> float:
    return math.nan if plan is None else plan.mixing_volume_ml / plan.blood_volume_ml


@dataclass(frozen=True, slots=True)
class _Facts:
    antibodies: tuple[str, ...]
    needs: TransfusionNeeds | None
    reaction: str
    consent_until: date | None


def _facts(known: Known) -> _Facts:
    """What the cautions rest on beside the figures; five queries."""
    patient, since = known.patient, known.at - timedelta(days=REACTION_WITHIN_DAYS)
    antibodies = Antibody.objects.filter(patient=patient, withdrawn_reason="").order_by("found_year", "name")
    consent = Consent.objects.filter(patient=patient, withdrawn_on__isnull=True, withdrawn_reason="")
    event = AdverseEvent.objects.filter(patient=patient, at__gte=since).order_by("-at").first()
    sign = HaemolysisSign.objects.filter(patient=patient, on__gte=since.date()).order_by("-on", "-pk").first()
    reaction = ""
    if event is not None:
        reaction = f"Reaction on {event.at.astimezone(known.at.tzinfo):%-d %b %Y}: {kind_words(event.kind)}"
    elif sign is not None:
        reaction = f"Sign of a late reaction on {sign.on:%-d %b %Y}: {sign.get_sign_display()}"
    return _Facts(
        antibodies=tuple(antibodies.values_list("name", flat=True)),
        needs=TransfusionNeeds.objects.filter(patient=patient).first(),
        reaction=reaction,
        consent_until=consent.order_by("-valid_until").values_list("valid_until", flat=True).first(),
    )


def _today(shown: Prescription | PlanDraft, known: Known, facts: _Facts) -> Today:
    first = shown.steps[0] if shown.steps else None
    sample, settings = known.sample, known.settings
    taken = None if sample is None else sample.taken_at.astimezone(known.at.tzinfo)
    return Today(
        on=known.on,
        now=known.at,
        weight_kg=shown.weight_kg,
        weight_on=known.weighed_on,
        age_years=known.patient.age_years(known.on),
        blood_volume_ml=shown.blood_volume_ml,
        hb_g_l=shown.hb_g_l,
        hb_measured=bool((shown.inputs.get("hb") or {}).get("result")),
        hbs_pct=shown.hbs_pct,
        hbs_is_forecast=shown.hbs_is_forecast,
        end_target_pct=shown.predicted.get("end_target_pct"),
        unit_hb_g_l=1000.0 * settings["unit_hb_g"] / settings["unit_volume_ml"],
        tops_up=first is not None and first["fluid"] == "red_cells" and not first["out_ml"],
        ends_ml=sum(float(step["in_ml"]) - float(step["out_ml"]) for step in shown.steps),
        drawn_ahead_ml=drawn_ahead_ml(shown) if known.record.is_flagged else 0.0,
        dehydrated=bool(shown.inputs.get("dehydrated")),
        antibodies=facts.antibodies,
        sickle_negative=None if facts.needs is None else facts.needs.hbs_negative,
        group_recorded=facts.needs is not None and bool(facts.needs.abo),
        last_reaction=facts.reaction,
        sample_taken=taken,
        sample_until=None if taken is None else holds_until(taken, sample_rule_of(known.patient, known.on, settings)),
        needed_hours=shown.units * minutes_a_unit(shown.method, settings) / 60.0,
        consent_until=facts.consent_until,
    )


def _difference(typed: PlanDraft | None, plans: Sequence[Prescription]) -> str:
    if typed is not None and plans:
        return difference(typed, plans[-1], number=plans[-1].number)
    if len(plans) > 1:
        return difference(plans[-1], plans[-2], number=plans[-2].number)
    return ""


def _foreseen(shown: Prescription | PlanDraft | None, known: Known) -> str:
    """How the plan parts from what the plan of the session just before foresaw for a further one; one query."""
    series = foreseen_after([known.patient.pk], known.on - timedelta(days=1)).get(known.patient.pk)
    if shown is None or series is None or series.first_on != known.record.last_on:
        return ""
    seen = series.session_of(known.on, ())
    if seen is None:
        return ""
    settled, hbs = (shown.predicted.get(name) or [None] for name in ("hb_settled", "hbs"))
    now = ForeseenDay(known.on, shown.units, shown.hb_g_l, shown.hbs_pct, settled[0], hbs[0])
    target = shown.predicted.get("end_target_pct")
    return against_foreseen(seen, now, first_on=series.first_on, targets_pct=(series.end_target_pct, target))


def _arrived(plan: Prescription | None, known: Known) -> tuple[str, ...]:
    """Results that came after the plan was made: they re-score it and never rewrite it."""
    if plan is None:
        return ()
    said, named = [], plan.inputs
    zone = known.at.tzinfo
    hb, hbs = known.hb, known.hbs
    if hb is not None and hb.pk != (named.get("hb") or {}).get("result") and hb.supersedes_id is None:
        taken = hb.taken_at.astimezone(zone)
        said.append(f"A newer Hb, {hb.value:g} g/L of {taken:%H:%M}, is not in plan {plan.number}.")
    if _is_newer_hbs(plan, known) and hbs is not None and known.hbs_pct is not None:
        after = _rescored(plan, known)
        rests = "a forecast of" if plan.hbs_is_forecast else "an earlier"
        words = f"HbS {known.hbs_pct:.1f} % came after plan {plan.number} was made on {rests} {plan.hbs_pct:.1f}"
        end = (
            ""
            if after is None
            else f"; with it the session ends at {after:.1f} instead of {plan.predicted['hbs'][0]:.1f} %"
        )
        said.append(f"{words}{end}. The plan stays as it is until somebody makes it again.")
    return tuple(said)


def _is_newer_hbs(plan: Prescription, known: Known) -> bool:
    """Whether a sample tells of HbS that the plan was not made on; one that was corrected lapses its signature."""
    hbs, named = known.hbs, plan.inputs.get("hbs") or {}
    if hbs is None or known.hbs_pct is None or not plan.steps:
        return False
    is_another = hbs.pk != named.get("result") and hbs.supersedes_id is None
    return plan.hbs_is_forecast or (is_another and f"{known.hbs_pct:.1f}" != f"{plan.hbs_pct:.1f}")


def _rescored(plan: Prescription, known: Known) -> float | None:
    try:
        again = draft_from_typed(known, plan, as_planned(plan))
    except ValueError:
        return None
    return float(again.predicted["hbs"][0])


def _number_words(plan: Prescription, known: Known) -> str:
    made = plan.made_at.astimezone(known.at.tzinfo)
    words = f"made {made.day} {made:%b, %H:%M}" + (f" by {plan.made_by.full_name}" if plan.made_by else "")
    if plan.why:
        words += f" ({plan.why.rstrip('. ')})"
    if plan.authorised_at is not None and plan.authorised_by is not None:
        words += f"; signed {plan.authorised_at.astimezone(known.at.tzinfo):%H:%M} by {plan.authorised_by.full_name}"
    if plan.replaced_at is not None:
        words += f"; replaced {plan.replaced_at.astimezone(known.at.tzinfo):%H:%M}"
    if plan.lapsed_at is not None:
        words += (
            f"; the signature lapsed {plan.lapsed_at.astimezone(known.at.tzinfo):%H:%M}: {plan.lapsed_why.rstrip('. ')}"
        )
    return words


def _working(shown: Prescription | PlanDraft | None, settings: Mapping[str, float]) -> tuple[Line, ...]:
    """The sums behind the sheet; what changes with the steps is read from what was judged, not from the search."""
    if shown is None or not shown.steps:
        return ()
    predicted, iron = shown.predicted, settings["iron_mg_per_g_hb"]
    searched = [Line(*line) for line in predicted.get("working") or ()]
    kept = [line for line in searched if line.words not in ("HbS after over before", "net iron", "largest excess",
                                                            "deepest deficit", "HbS before", "Hb before")]  # fmt: skip
    lines = [
        ("own cells left", predicted.get("own_left_pct"), 0, "%", "by cell mass"),
        ("of today’s donor Hb kept", predicted.get("donor_kept_pct"), 0, "%", "the rest is drawn off again later"),
        ("net iron", predicted.get("net_iron_mg"), 0, "mg", f"{iron:g} mg for each gram of Hb in less out"),
        ("deepest deficit", predicted.get("deepest_ml"), 0, "mL", "all fluids, in less out, one draw ahead"),
        ("largest excess", predicted.get("highest_ml"), 0, "mL", "all fluids, in less out"),
    ]
    found = [Line(words, f"{figure(value, places)} {unit}", ground) for words, value, places, unit, ground in lines
             if value is not None]  # fmt: skip
    return (*kept, *found)


def _results(plan: Prescription, known: Known) -> tuple[str, ...]:
    said = []
    for name, words, unit, places in (("hb", "Hb", "g/L", 0), ("hbs", "HbS", "%", 1)):
        row = plan.inputs.get(name) or {}
        if not row.get("result"):
            continue
        taken = datetime.fromisoformat(row["taken_at"]).astimezone(known.at.tzinfo)
        said.append(f"{words} {row['value']:.{places}f} {unit} of {taken.day} {taken:%b, %H:%M}")
    weight = plan.inputs.get("weight") or {}
    if weight.get("on"):
        on = date.fromisoformat(weight["on"])
        said.append(f"weight {weight['value']:.1f} kg of {on.day} {on:%b %Y}")
    return tuple(said)
