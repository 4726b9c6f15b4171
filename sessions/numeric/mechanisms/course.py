"""One made-up person followed by given dates in the day-by-day world: for invented programmes with stories."""

from dataclasses import dataclass
from typing import Literal

import numpy as np

from .daybyday import F_CELL_LIFE_DAYS, STAGES, DayByDay
from .habit import UNIT_HB_G_L, UNIT_ML, prescribe_by_habit
from .people import FloatArray, People

SETTLING_CYCLES, SETTLING_DAYS = 9, 28


@dataclass(frozen=True, slots=True)
class MadeUpPerson:
    """Who is followed. pace_pct_per_day: the typical climb of HbS over four weeks [points/day]."""

    weight_kg: float
    blood_volume_ml: float
    untransfused_pct: float = 88.0
    untransfused_hb_g_l: float = 80.0
    pace_pct_per_day: float = 0.45
    usual_before_pct: float = 30.0
    hb_goal_g_l: float = 103.0
    ill_per_year: float = 0.4
    start: Literal["on_programme", "untransfused"] = "on_programme"
    volume_factor: float = 0.95  # true mixing volume over the reckoned one


@dataclass(frozen=True, slots=True)
class Event:
    """Something planted on a day (ordinal).

    pace_changes: size is the factor on the pace (a drug stopped: about 1.4). topped_up: size is donor Hb given [g].
    haemolysis: size is the share of donor cells lost, over `over_days`.
    """

    day: int
    kind: Literal["pace_changes", "topped_up", "haemolysis"]
    size: float
    over_days: int = 8


@dataclass(frozen=True, slots=True)
class Seen:
    """What the laboratory reports of one sample: HbS and HbA [%, 0.1], Hb [g/L, whole]; and the true values."""

    hbs_pct: float
    hba_pct: float
    hb_g_l: float
    true_hbs_pct: float
    true_hb_g_l: float


class Course:
    """A person's life from a day on; the same arguments and calls give the same course.

    Call `come(day)` with rising ordinals, and `exchange(...)` where a session is done.
    Events must be given at the start; they happen on their day, whether anybody looks or not.
    """

    def __init__(self, person: MadeUpPerson, *, first_day: int, seed: int, events: tuple[Event, ...] = ()) -> None:
        if late := [e for e in events if e.day <= first_day]:
            raise ValueError(f"events must come after the first day {first_day}; {late[0].kind} is on {late[0].day}")
        self._person = person
        self._pending = sorted(events, key=lambda e: e.day)
        self._world = _begin(person, first_day, np.random.default_rng(seed))

    @property
    def day(self) -> int:
        return int(self._world.day[0])

    def come(self, day: int) -> Seen:
        """Let time pass up to `day` (not before the day reached) and take a sample."""
        if day < self.day:
            raise ValueError(f"day {day} lies before {self.day}, up to which this person has been followed")
        while self._pending and self._pending[0].day <= day:
            event = self._pending.pop(0)
            self._pass(event.day - 1)
            self._plant(event)
        self._pass(day)
        return self._look()

    def weigh(self, *, weight_kg: float, blood_volume_ml: float) -> None:
        """A child grows: cells stay as concentrated as they were, so their mass grows with the volume."""
        growth = np.array([blood_volume_ml / float(self._world.people.blood_volume_ml[0])])
        state, p = self._world.state, self._world.people
        mass = {k: state[k] * growth[:, None] for k in ("plain", "f", "donor")}
        self._world.state = state | mass
        for kind in ("make_plain", "make_f"):
            self._world.traits[kind] = self._world.traits[kind] * growth
        p.weight_kg[0], p.blood_volume_ml[0] = weight_kg, blood_volume_ml
        p.true_volume_ml[0] = blood_volume_ml * self._person.volume_factor

    def usual_steps(
        self, *, end_target_pct: float, hb_g_l: float, hbs_pct: float
    ) -> tuple[tuple[str, float, float], ...]:
        """Steps of habit to a target from measured values: (fluid, in [mL], out [mL]), saline first."""
        steps = prescribe_by_habit(
            blood_volume_ml=self._world.people.blood_volume_ml,
            weight_kg=self._world.people.weight_kg,
            hb_g_l=np.array([hb_g_l]),
            hbs_pct=np.array([hbs_pct]),
            end_target_pct=np.array([end_target_pct]),
            hb_goal_g_l=np.array([self._person.hb_goal_g_l]),
        )
        saline, cells = (float(v) for v in steps.in_ml[0])
        drawn = [float(v) for v in steps.out_ml[0]]
        units = round(cells / UNIT_ML)
        first = (("saline", saline, drawn[0]),) if saline > 0.0 else ()
        return first + (("red_cells", UNIT_ML, round(drawn[1] / max(units, 1))),) * units

    def exchange(self, steps: tuple[tuple[str, float, float], ...], *, unit_hb_g_l: float = UNIT_HB_G_L) -> Seen:
        """Carry the steps out (fluid, in [mL], out [mL]) today and take the after-sample."""
        array = np.array([[a, b] for _, a, b in steps], dtype=float)
        cells = np.array([unit_hb_g_l if fluid == "red_cells" else 0.0 for fluid, _, _ in steps])
        self._world.exchange(
            in_ml=array[None, :, 0], out_ml=array[None, :, 1], cells_hb_g_l=cells[None, :], early_loss=0.03
        )
        return self._look()

    def _pass(self, day: int) -> None:
        if day > self.day:
            self._world.advance(np.array([day - self.day]))

    def _plant(self, event: Event) -> None:
        day, size = np.array([float(event.day)]), np.array([event.size])
        if event.kind == "pace_changes":
            self._world.plant(change_day=day, change_log=self._world.output_per_pace * np.log(size))
        elif event.kind == "topped_up":
            self._world.plant(topup_day=day, topup_g=size)
        else:
            keep = (1.0 - size) ** (1.0 / event.over_days)
            self._world.plant(reaction_from=day, reaction_to=day + event.over_days, reaction_keep=keep)

    def _look(self) -> Seen:
        seen = self._world.look(np.zeros(1, dtype=np.int64))
        return Seen(
            hbs_pct=float(seen.measured_before[0]),
            hba_pct=float(seen.hba_pct[0]),
            hb_g_l=float(seen.hb_before[0]),
            true_hbs_pct=float(seen.true_before[0]),
            true_hb_g_l=float(seen.hb_true_g_l[0]),
        )


def _begin(person: MadeUpPerson, first_day: int, rng: np.random.Generator) -> DayByDay:
    """The person as they come on the first day, with the output of own cells that gives the wanted pace."""
    one = _people(person)
    world = DayByDay.begin(one, np.array([first_day]), rng)
    _typical(world, person)
    tried = np.linspace(-2.0, 2.5, 61)
    many = world.take(np.zeros(len(tried), dtype=np.int64))
    many.state["log_pace"] = tried.copy()
    climb = _settle(many, person)
    rises = np.maximum.accumulate(climb)
    world = many.take(np.array([int(np.argmin(np.abs(rises - person.pace_pct_per_day)))]))
    world.day = np.array([first_day], dtype=np.int64)
    world.since_session = np.array([SETTLING_DAYS], dtype=np.int64)
    if person.start == "untransfused":
        _without_donor_cells(world)
    return world


def _typical(world: DayByDay, person: MadeUpPerson) -> None:
    """A marrow and own cells in the middle of the range, so that a story does not depend on the luck of the seed."""
    t = world.traits
    output = person.untransfused_hb_g_l / t["hb0"]
    t["make_plain"] = t["make_plain"] * output * t["own_life"] / 19.0
    t["make_f"] = t["make_f"] * output
    for trait, value in (("own_life", 19.0), ("part", 0.66), ("hold", 0.024), ("random_loss", 0.0007)):
        t[trait][:] = value
    t["hb0"][:], t["ill_per_year"][:] = person.untransfused_hb_g_l, person.ill_per_year


def _without_donor_cells(world: DayByDay) -> None:
    """Own cells alone, at the untransfused Hb, with the output that holds it."""
    t = world.traits
    plain, f = t["make_plain"] * t["own_life"], t["make_f"] * F_CELL_LIFE_DAYS
    world.state["donor"][:] = 0.0
    world.state["plain"] = np.repeat((plain / STAGES)[:, None], STAGES, axis=1)
    world.state["f"] = np.repeat((f / STAGES)[:, None], STAGES, axis=1)
    world.state["drive"][:] = 1.0
    world.state["log_pace"][:] = np.minimum(world.state["log_pace"], 0.0)


def _settle(world: DayByDay, person: MadeUpPerson) -> FloatArray:
    """Quiet cycles of four weeks up to the next before-value; returns the mean of the last four climbs [points/day]."""
    climbs = []
    for _ in range(SETTLING_CYCLES):
        end = np.clip(person.usual_before_pct - SETTLING_DAYS * person.pace_pct_per_day, 8.0, None)
        steps = prescribe_by_habit(
            blood_volume_ml=world.people.blood_volume_ml,
            weight_kg=world.people.weight_kg,
            hb_g_l=world.hb_g_l(),
            hbs_pct=world.hbs_pct(),
            end_target_pct=np.full(world.people.n, end),
            hb_goal_g_l=world.people.hb_goal_g_l,
        )
        world.exchange(in_ml=steps.in_ml, out_ml=steps.out_ml, cells_hb_g_l=steps.cells_hb_g_l, early_loss=0.03)
        after = world.hbs_pct()
        world.advance(np.full(world.people.n, SETTLING_DAYS), quiet=True)
        climbs.append((world.hbs_pct() - after) / SETTLING_DAYS)
    return np.asarray(np.mean(climbs[-4:], axis=0))


def _people(person: MadeUpPerson) -> People:
    def of(value: float) -> FloatArray:
        return np.array([value], dtype=np.float64)

    return People(
        weight_kg=of(person.weight_kg),
        blood_volume_ml=of(person.blood_volume_ml),
        true_volume_ml=of(person.blood_volume_ml * person.volume_factor),
        untransfused_pct=of(person.untransfused_pct),
        believed_untransfused_pct=of(person.untransfused_pct),
        sickle_c=np.array([person.untransfused_pct > 94.0]),
        ceiling_pct=of(person.usual_before_pct),
        usual_interval_days=np.array([SETTLING_DAYS], dtype=np.int64),
        hb_goal_g_l=of(person.hb_goal_g_l),
        sloppiness_pct=of(0.0),
        after_missing=of(0.0),
        volumes_recorded=np.array([True]),
    )
