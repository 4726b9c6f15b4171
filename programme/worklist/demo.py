"""The invented programme that `make demo` shows: forty people of the Saltmarsh Day Unit.

Their courses come from the day-by-day world of cohorts of cells, which has the shape of no forecasting form. Dates
are counted back from the given day; otherwise the demo is always the same. The past goes in as a history file, the
way a day unit would bring in its own; only what such a file cannot hold is written by services afterwards.
"""

from __future__ import annotations

import csv
import io
from dataclasses import dataclass
from datetime import date, timedelta
from pathlib import Path
from typing import Any

import numpy as np
import yaml
from django.conf import settings

from sessions.numeric.mechanisms.daybyday import DayByDay
from sessions.numeric.mechanisms.habit import MOST_UNITS, UNIT_HB_G_L, UNIT_ML, Prescribed, prescribe_by_habit
from sessions.numeric.mechanisms.people import People
from sessions.numeric.mechanisms.world import Reading, World
from sessions.numeric.volume import blood_volume_ml

SCENARIO = Path(settings.BASE_DIR) / "fixtures" / "demo_people.yaml"
SEED = 20_400
PACE_RISE = 1.3
DRUG_STOPPED_DAYS = 84.0
"""Before the last session, so that the last three gaps show it."""
QUIET_MARROW = -0.65
STEADY = 0.3
SETTLING_VISITS = 4
UNIT_G = UNIT_ML * UNIT_HB_G_L / 1000.0
NEW_METHOD_FOR_DAYS = 150


@dataclass(frozen=True, slots=True)
class DemoPerson:
    """One line of the scenario."""

    ref: str
    family: str
    given: str
    sex: str
    age: int
    cm: float
    kg: float
    type: str
    hbs0: float
    every: int
    months: int
    ago: int
    ceiling: float
    needs: str
    antibodies: str
    story: str


def read_scenario() -> tuple[DemoPerson, ...]:
    """Read the people of the invented unit."""
    scenario = yaml.safe_load(SCENARIO.read_text())
    return tuple(DemoPerson(**dict(zip(scenario["columns"], row, strict=True))) for row in scenario["people"])


@dataclass(frozen=True, slots=True)
class DemoCourse:
    """The past as a history file, and looks at people after their last session that a file cannot hold."""

    history: bytes
    last_on: dict[str, date]
    after_reaction: dict[str, tuple[date, float, float, float]]


def visit_days(person: DemoPerson, today: date, rng: np.random.Generator) -> list[date]:
    """Return the days of a person's sessions, newest last: the usual interval, now and then late or a week moved."""
    days = [last_visit(person, today)]
    first = today - timedelta(days=round(person.months * 30.4))
    while True:
        late = rng.random() < 0.08
        gap = person.every + (int(rng.choice([7, 7, 14])) if late else 0)
        if days[0] - timedelta(days=gap) < first:
            return days
        days.insert(0, days[0] - timedelta(days=gap))


def last_visit(person: DemoPerson, today: date) -> date:
    """The day of the last session: as long ago as the scenario says, moved back to a working day."""
    day = today - timedelta(days=person.ago)
    return day - timedelta(days=max(0, day.weekday() - 4))


def make_course(people: tuple[DemoPerson, ...], today: date) -> DemoCourse:
    """Live through the past of everyone and return it as the unit would have written it down."""
    rng = np.random.default_rng(SEED)
    visits = [visit_days(person, today, rng) for person in people]
    world = _world(people, visits, rng)
    climb = np.full(len(people), 13.0)
    after = np.full(len(people), np.nan)
    rows: list[dict[str, Any]] = []
    most = max(len(days) for days in visits)
    for place in range(most):
        # Everybody steps through their own calendar; who has no further session waits where they are.
        wait = [_days_to(days, place) for days in visits]
        come = np.array([days is not None for days in wait])
        seen = world.advance(np.array([days or 0 for days in wait], dtype=np.int64))
        climb = np.where(np.isnan(after), climb, 0.7 * climb + 0.3 * np.clip(seen.measured_before - after, 4, 25))
        steps = _prescribe(people, world, seen, climb, come, rng)
        _plant_after(people, visits, world, place, today)
        done = world.exchange(
            in_ml=steps.in_ml,
            out_ml=steps.out_ml,
            cells_hb_g_l=steps.cells_hb_g_l * rng.normal(1.0, 0.03, (len(people), 1)),
            early_loss=rng.uniform(0.0, 0.08, len(people)),
        )
        after = np.where(come, done.measured_before, after)
        for number in (int(place) for place in np.flatnonzero(come)):
            rows.append(_row(people[number], visits[number], place, number, seen, done, steps, today, rng))
    return DemoCourse(
        _as_csv(rows),
        {person.ref: days[-1] for person, days in zip(people, visits, strict=True)},
        _looks_after_reaction(people, visits, world),
    )


def _world(people: tuple[DemoPerson, ...], visits: list[list[date]], rng: np.random.Generator) -> World:
    female = np.array([person.sex == "F" for person in people])
    kg = np.array([person.kg for person in people], dtype=float)
    cm = np.array([person.cm for person in people], dtype=float)
    age = np.array([person.age for person in people], dtype=float)
    volume = blood_volume_ml(female=female, height_cm=cm, weight_kg=kg, age_years=age)
    n = len(people)
    hbs0 = np.array([person.hbs0 for person in people], dtype=float)
    bodies = People(
        weight_kg=kg,
        blood_volume_ml=volume,
        true_volume_ml=volume * rng.lognormal(-0.04, 0.06, n),
        untransfused_pct=hbs0,
        believed_untransfused_pct=hbs0,
        sickle_c=np.array([person.type == "SC" for person in people]),
        ceiling_pct=np.array([person.ceiling for person in people], dtype=float),
        usual_interval_days=np.array([person.every for person in people], dtype=np.int64),
        hb_goal_g_l=np.array([116.0 if person.story == "high_hb" else rng.normal(106, 3) for person in people]),
        sloppiness_pct=rng.normal(-3, 1.2, n),
        after_missing=np.zeros(n),
        volumes_recorded=np.ones(n, dtype=bool),
    )
    start = np.array([days[0].toordinal() for days in visits], dtype=np.int64)
    world = DayByDay.begin(bodies, start, rng)
    # A settled adult programme by hand: three to six units a visit, which asks for a quieter marrow than most.
    world.state["log_pace"] = rng.normal(QUIET_MARROW, 0.10, n)
    for trait in ("part", "hold", "hb0", "own_life"):
        values = world.traits[trait]
        world.traits[trait] = values.mean() + 0.5 * (values - values.mean())
    # Published series found little effect of Hb after a session on the climb (Transfusion 2024;64:685-92).
    world.traits["hold"] *= STEADY
    _settle(world, people, rng)
    world.day = start
    stopped = np.array([person.story == "drug_stopped" for person in people])
    changes = np.array([days[-1].toordinal() - DRUG_STOPPED_DAYS for days in visits])
    world.plant(
        change_day=np.where(stopped, changes, np.inf),
        change_log=np.where(stopped, world.output_per_pace * np.log(PACE_RISE), 0.0),
    )
    return world


def _settle(world: World, people: tuple[DemoPerson, ...], rng: np.random.Generator) -> None:
    """Some sessions before the record begins, for those who were already on a programme then."""
    known = np.array([person.story != "newcomer" for person in people])
    climb = np.full(len(people), 13.0)
    for _ in range(SETTLING_VISITS):
        seen = world.advance(np.where(known, world.people.usual_interval_days, 0))
        steps = _prescribe(people, world, seen, climb, known, rng)
        world.exchange(in_ml=steps.in_ml, out_ml=steps.out_ml, cells_hb_g_l=steps.cells_hb_g_l)


def _days_to(days: list[date], place: int) -> int | None:
    if place >= len(days):
        return None
    return 0 if place == 0 else (days[place] - days[place - 1]).days


def _prescribe(
    people: tuple[DemoPerson, ...], world: World, seen: Reading, climb: np.ndarray, come: np.ndarray,
    rng: np.random.Generator,
) -> Prescribed:  # fmt: skip
    ceiling = world.people.ceiling_pct
    target = np.clip(ceiling - climb + world.people.sloppiness_pct, 9.0, ceiling * 0.8)
    steps = prescribe_by_habit(
        blood_volume_ml=world.people.blood_volume_ml,
        weight_kg=world.people.weight_kg,
        hb_g_l=seen.hb_before,
        hbs_pct=seen.measured_before,
        end_target_pct=target,
        hb_goal_g_l=world.people.hb_goal_g_l + rng.normal(0.0, 2.0, len(people)),
    )
    steps = _on_machine(people, world, seen, target, steps)
    some = come[:, None]
    return Prescribed(np.where(some, np.round(steps.in_ml), 0.0), np.where(some, steps.out_ml, 0.0), steps.cells_hb_g_l)


def _on_machine(
    people: tuple[DemoPerson, ...], world: World, seen: Reading, target: np.ndarray, steps: Prescribed
) -> Prescribed:
    """Whole units by machine for those whose story it is: no saline first, and an end near the usual Hb.

    What is exchanged is haemoglobin mass. In the world of volumes that is level: so much in and out, of the Hb that
    brings the person's to its goal while HbS comes to its target.
    """
    machine = np.array([person.story == "machine" for person in people])[:, None]
    goal = world.people.hb_goal_g_l
    ratio = np.clip(target / seen.measured_before, 0.1, 0.65)  # for less nobody sets up a machine
    own_left = np.clip(ratio * goal / seen.hb_before, 0.05, 0.8)
    cells_hb = goal * (1.0 - ratio) / (1.0 - own_left)
    wash_ml = -np.log(own_left) * world.people.blood_volume_ml
    units = np.clip(np.ceil(wash_ml * cells_hb / 1000.0 / UNIT_G), 1, MOST_UNITS)
    level_ml = 1000.0 * units * UNIT_G / cells_hb
    none = np.zeros_like(level_ml)
    through = np.stack([none, level_ml], axis=1)
    return Prescribed(
        np.where(machine, through, steps.in_ml),
        np.where(machine, through, steps.out_ml),
        np.where(machine, np.stack([none, cells_hb], axis=1), steps.cells_hb_g_l),
    )


def _plant_after(
    people: tuple[DemoPerson, ...], visits: list[list[date]], world: World, place: int, today: date
) -> None:
    """A delayed haemolytic reaction after the last session of the one whose story it is."""
    reacts = np.array([p.story == "reaction" and place == len(v) - 1 for p, v in zip(people, visits, strict=True)])
    if reacts.any():
        n = len(people)
        world.plant_reaction(reacts, start_days=np.full(n, 3.0), over_days=np.full(n, 5.0), lost=0.62)


def _looks_after_reaction(
    people: tuple[DemoPerson, ...], visits: list[list[date]], world: World
) -> dict[str, tuple[date, float, float, float]]:
    """Hb, HbS and HbA some days into the reaction, as measured when the person came back unwell."""
    reacts = np.array([person.story == "reaction" for person in people])
    if not reacts.any():
        return {}
    days = np.where(reacts, 9, 0)
    look = world.advance(days.astype(np.int64))
    return {
        person.ref: (
            visits[number][-1] + timedelta(days=9),
            float(look.hb_before[number]),
            float(look.measured_before[number]),
            float(look.hba_pct[number]),
        )
        for number, person in enumerate(people)
        if reacts[number]
    }


def _row(
    person: DemoPerson, days: list[date], place: int, number: int, seen: Reading, done: Reading, steps: Prescribed,
    today: date, rng: np.random.Generator,
) -> dict[str, Any]:  # fmt: skip
    """One line of the history file."""
    on = days[place]
    last = place == len(days) - 1
    gap = (on - days[place - 1]).days if place else person.every
    hbs_before = seen.measured_before[number]
    if person.story == "wrong_tube" and place == len(days) - 3:
        hbs_before = 3.2
    grows = 1.0 if person.age > 17 else 1.0 - 0.004 * (len(days) - 1 - place) * person.every / 28
    cells_ml, out_ml = steps.in_ml[number, 1], steps.out_ml[number].sum()
    if person.story == "machine":
        cells_ml = out_ml = UNIT_ML * round(cells_ml * steps.cells_hb_g_l[number, 1] / 1000.0 / UNIT_G)
    row: dict[str, Any] = {
        "patient_ref": person.ref,
        "sex": person.sex,
        "birth_date": born(person, today).isoformat(),
        "height_cm": person.cm,
        "baseline_hbs_pct": person.hbs0,
        "threshold_hbs_pct": person.ceiling,
        "session_date": on.isoformat(),
        "weight_kg": round(person.kg * grows * rng.normal(1.0, 0.006), 1),
        "hb_pre_g_l": int(seen.hb_before[number]),
        "hb_post_g_l": int(done.hb_before[number]),
        "hbs_pre_pct": round(float(hbs_before), 1),
        "hbs_post_pct": "" if rng.random() < 0.06 and not last else round(float(done.measured_before[number]), 1),
        "saline_in_ml": int(steps.in_ml[number, 0]),
        "red_cells_in_ml": int(cells_ml),
        "blood_out_ml": int(out_ml),
        "units": round(cells_ml / UNIT_ML),
        "hbs_method": "",
        "visit_reason": "late_missed" if gap > person.every else "routine",
        "admission_in_gap": "no",
    }
    if person.story == "method":
        row["hbs_method"] = "B" if (days[-1] - on).days < NEW_METHOD_FOR_DAYS else "A"
    if person.story == "since_spring" and place % 9 == 4:
        row["hbs_post_pct"] = ""
    return row


def born(person: DemoPerson, today: date) -> date:
    """A birth date that gives the person their age; the day is drawn from the reference."""
    return date(today.year - person.age - 1, 1 + int(person.ref[-1]) % 9, 3 + int(person.ref[-2]))


def _as_csv(rows: list[dict[str, Any]]) -> bytes:
    text = io.StringIO()
    writer = csv.DictWriter(text, fieldnames=list(rows[0]), lineterminator="\n")
    writer.writeheader()
    writer.writerows(sorted(rows, key=lambda row: (row["patient_ref"], row["session_date"])))
    return text.getvalue().encode()
