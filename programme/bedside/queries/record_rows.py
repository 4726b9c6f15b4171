"""Single lines of a session's record: a plan, a step, an entry, a reaction, a result, each in words."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from datetime import datetime, tzinfo
from typing import Any

from patients.models import FLAGS, STORED_UNIT
from programme.bedside.numeric.words import entry_words, given_name, totals_words
from programme.core.models import User
from programme.core.numeric.words import count_of
from programme.worklist.numeric.words import full_day_words
from sessions.day.models import AdverseEvent, Entry, FollowUp, Prescription
from sessions.day.numeric import entries as kinds
from sessions.day.numeric.entries import VITALS
from sessions.day.numeric.machine import Totals
from sessions.day.numeric.reactions import kind_words
from sessions.day.queries import Ending
from sessions.models import ExchangeStep, Method, ResultLink

MOMENTS = {
    "before": "before the start", "after_15": "15 min after a unit was started", "interval": "while it ran",
    "end": "at the end", "going_home": "before going home", "reaction": "at a reaction", "other": "in between",
}  # fmt: skip
"""When observations were taken, for somebody who does not know the page."""


@dataclass(frozen=True, slots=True)
class Line:
    """One line of the record: of the log on paper, and a row of the CSV. Moments are local to the unit.

    undone: by which later entry, '' where it counts. was: its time before that was put right, '' where it stands.
    """

    kind: str
    words: str
    at: datetime | None = None
    entered_at: datetime | None = None
    by: str = ""
    number: int | None = None
    step: int | None = None
    unit: int | None = None
    fluid: str = ""
    in_ml: float | None = None
    out_ml: float | None = None
    value: float | None = None
    value_unit: str = ""
    why: str = ""
    undone: str = ""
    was: str = ""


@dataclass(frozen=True, slots=True)
class PlanOnRecord:
    """One plan of the session: who made and signed it, from what, and its steps (step, fluid, units, in, out)."""

    number: int
    carried_out: bool
    said: tuple[str, ...]
    steps: tuple[tuple[int, str, str, str, str], ...]
    broken: tuple[str, ...]


def moment_words(at: datetime | None, zone: tzinfo) -> str:
    if at is None:
        return ""
    local = at.astimezone(zone)
    return f"{full_day_words(local)} {local:%H:%M}"


def plan_row(row: Prescription, ending: Ending, zone: tzinfo) -> PlanOnRecord:
    said = [f"Made {moment_words(row.made_at, zone)}{_by(row.made_by)}{because_words(row.why)}."]
    forecast = ", forecast" if row.hbs_is_forecast else ""
    flags = "".join(f", flag {FLAGS[name]}" for name in row.inputs.get("flags") or ())
    said.append(
        f"From weight {row.weight_kg:.1f} kg, Hb {row.hb_g_l:.0f} g/L, HbS {row.hbs_pct:.1f} %{forecast}{flags}; "
        f"blood volume {row.blood_volume_ml:,.0f} mL, mixes like {row.mixing_volume_ml:,.0f} mL; "
        f"{count_of(row.units, 'unit')}, {row.get_method_display()}{_set_to(row)}."
    )
    if row.authorised_at is None:
        said.append("Never signed.")
    else:
        said.append(f"Signed {moment_words(row.authorised_at, zone)}{_by(row.authorised_by)}.")
    if row.lapsed_at is not None:
        said.append(f"The signature lapsed {moment_words(row.lapsed_at, zone)}{because_words(row.lapsed_why)}.")
    if row.replaced_at is not None:
        said.append(f"Replaced {moment_words(row.replaced_at, zone)} by the plan after it.")
    return PlanOnRecord(
        number=row.number,
        carried_out=ending.plan is not None and ending.plan.pk == row.pk,
        said=tuple(said),
        steps=tuple(
            (
                int(step["number"]),
                given_name(step["fluid"], float(step["in_ml"])),
                ", ".join(str(place) for place in step.get("units") or ()),
                f"{float(step['in_ml']):.0f}",
                f"{float(step['out_ml']):.0f}",
            )
            for step in row.steps
        ),
        broken=tuple(f"{limit.get('words') or limit['name']}: {limit['reason']}" for limit in row.broken),
    )


def _set_to(row: Prescription) -> str:
    """What was prescribed beside units: the Hb that the machine was to end at, for its steps are its own."""
    settled = row.predicted.get("hb_settled") if row.method == Method.AUTOMATED else None
    return f", set to end at Hb {settled[0]:.0f} g/L" if settled else ""


def plan_lines(plan: PlanOnRecord) -> Iterator[Line]:
    """A plan as lines: what is said of it with its signature, its steps, and each limit that was passed and why."""
    which = "the plan carried out" if plan.carried_out else "not carried out"
    yield Line("plan", f"{which}. {' '.join(plan.said)}", number=plan.number)
    for step, fluid, places, in_ml, out_ml in plan.steps:
        words = f"{fluid}, unit {places}" if places else fluid
        yield Line("step as planned", words, number=plan.number, step=step, in_ml=float(in_ml), out_ml=float(out_ml))
    for words in plan.broken:
        yield Line("limit passed", words, number=plan.number)


def people_named(users: Iterable[User | None]) -> tuple[str, ...]:
    """Return everyone once, with what they are to the unit today."""
    named = {user.pk: f"{user.full_name}, {user.role_words}" for user in users if user is not None}
    return tuple(sorted(named.values()))


def _by(user: User | None) -> str:
    return f" by {user.full_name}, {user.role_words}" if user else ""


def because_words(why: str) -> str:
    return f": {why.rstrip('. ')}" if why else ""


def step_line(row: ExchangeStep, zone: tzinfo) -> Line:
    until = f" to {row.ended_at.astimezone(zone):%H:%M}" if row.ended_at else ""
    cells = f", {row.cells_hb_g_l:.0f} g/L" if row.cells_hb_g_l else ""
    return Line(
        "step as carried out",
        f"{given_name(row.fluid, row.in_ml)}{cells}{until}",
        None if row.started_at is None else row.started_at.astimezone(zone),
        step=row.number,
        fluid=row.fluid if row.in_ml > 0.0 else "",
        in_ml=row.in_ml,
        out_ml=row.out_ml,
    )


def log_lines(ending: Ending, zone: tzinfo) -> Iterator[Line]:
    """Every entry as it was made, in order.

    Observations give one more line for each sign that is a number, the totals of a machine one for each volume.
    """
    undone = {
        e.body["number"]: e for e in ending.entries if e.kind == kinds.UNDO and e.number not in ending.state.undone
    }
    fixed = {
        e.body["number"]: e for e in ending.entries if e.kind == kinds.TIME and e.number not in ending.state.undone
    }
    for entry in ending.entries:
        taken_out, fix = undone.get(entry.number), fixed.get(entry.number)
        at = entry.happened_at.astimezone(zone)
        right = at if fix is None else datetime.fromisoformat(fix.body["happened_at"]).astimezone(zone)
        body = entry.body
        gone = "" if taken_out is None else f"undone by entry {taken_out.number}{because_words(taken_out.why)}"
        yield Line(
            kind=entry.kind.replace("_", " "),
            words=_entry_words(entry, zone),
            at=right,
            entered_at=entry.received_at.astimezone(zone),
            by=entry.by.full_name,
            number=entry.number,
            step=body.get("step"),
            unit=body.get("unit"),
            fluid=(body.get("fluid") or "") if body.get("in_ml") else "",
            in_ml=body.get("in_ml"),
            out_ml=body.get("out_ml"),
            why=entry.why,
            undone=gone,
            was="" if fix is None else f"was {at:%H:%M}, put right by {fix.by.full_name}{because_words(fix.why)}",
        )
        yield from _vitals(entry, right, gone)
        yield from _volumes(entry, right, gone)


def _volumes(entry: Entry, at: datetime, gone: str) -> Iterator[Line]:
    """The volumes of a machine's totals, each where the columns of the table have it."""
    if entry.kind == kinds.TOTALS:
        body = entry.body
        said: dict[str, Any] = {"by": entry.by.full_name, "number": entry.number, "undone": gone}
        yield Line("total", "saline in", at, fluid="saline", in_ml=body["saline_in_ml"], **said)
        yield Line(
            "total", "red cells in", at, fluid="red_cells", in_ml=body["red_cells_in_ml"],
            value=float(body["units"]), value_unit="units", **said,
        )  # fmt: skip
        yield Line("total", "blood out", at, out_ml=body["blood_out_ml"], **said)


def _vitals(entry: Entry, at: datetime, gone: str) -> Iterator[Line]:
    if entry.kind == kinds.OBSERVATION:
        for name, vital in VITALS.items():
            if entry.body.get(name) is not None:
                yield Line(
                    "vital sign", vital.words, at, by=entry.by.full_name, number=entry.number,
                    value=float(entry.body[name]), value_unit=vital.unit, undone=gone,
                )  # fmt: skip


def _entry_words(entry: Entry, zone: tzinfo) -> str:
    body = entry.body
    if entry.kind == kinds.SAMPLE:
        taken = datetime.fromisoformat(body["taken_at"])
        line = ", from where fluid was given" if body.get("from_return") else ""
        return f"after-sample taken {moment_words(taken, zone)} from {body['place']}{line}"
    if entry.kind == kinds.START_CHECK:
        answers = body.get("answers") or {}
        said = "; ".join(
            f"{name.replace('_', ' ')} {str(value).replace('_', ' ')}" for name, value in answers.items() if value
        )
        found = f". Found: {'; '.join(body['found'])}" if body.get("found") else ""
        who = f" Let go on by {body['decided_by_name']}." if body.get("decided_by_name") else ""
        return f"checked before the start: {said}{found}.{who}"
    if entry.kind == kinds.TOTALS:
        return totals_words(Totals.of_body(body).in_zone(zone))
    if entry.kind == kinds.OBSERVATION:
        return f"{MOMENTS.get(body.get('moment', ''), 'observed')}: {entry_words(entry.kind, body)}"
    return entry_words(entry.kind, body)


def event_line(row: AdverseEvent, zone: tzinfo) -> Line:
    unit = row.unit
    of = unit and f"unit {unit.place}, {unit.donation_number or 'number not recorded'}"
    parts = [kind_words(row.kind), of, row.signs and f"signs: {row.signs}", row.done and f"done: {row.done}"]
    if row.severity:
        parts.append(f"grade {row.severity}, imputability {row.get_imputability_display() or 'not judged'}")
    parts.append(row.outcome and f"outcome: {row.outcome}")
    if row.judged_by:
        parts.append(f"judged by {row.judged_by.full_name} {moment_words(row.judged_at, zone)}")
    return Line(
        "reaction", "; ".join(str(part) for part in parts if part), row.at.astimezone(zone),
        row.noted_at.astimezone(zone), row.noted_by.full_name, unit=unit.place if unit else None,
    )  # fmt: skip


def result_line(link: ResultLink, zone: tzinfo) -> Line:
    row = link.result
    unit = STORED_UNIT[row.analyte]
    how = "paired by its time" if link.by_rule else "paired by a person"
    method = f", {row.method}" if row.method else ""
    state = "" if row.status == "final" else f", {row.get_status_display()}"
    taken = moment_words(row.taken_at, zone) if row.time_known else full_day_words(row.taken_on)
    return Line(
        f"result {link.position}",
        f"{row.get_analyte_display()} {row.value:g} {unit}, taken {taken}{method}{state}; {how}",
        row.taken_at.astimezone(zone),
        row.recorded_at.astimezone(zone),
        value=row.value,
        value_unit=unit,
        why=row.why,
    )


def follow_up_line(row: FollowUp, zone: tzinfo) -> Line:
    words = f"{row.get_kind_display()}, due {full_day_words(row.due_on)}" + (f": {row.words}" if row.words else "")
    if row.done_at is None:
        return Line("follow-up", f"{words}; open", entered_at=row.opened_at.astimezone(zone))
    by = row.done_by.full_name if row.done_by else ""
    return Line(
        "follow-up", f"{words}; {row.outcome}", row.done_at.astimezone(zone), row.opened_at.astimezone(zone), by
    )
