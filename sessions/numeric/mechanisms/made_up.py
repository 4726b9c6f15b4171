"""A programme's records from a made-up world, with the truth kept beside them."""

from dataclasses import dataclass

import numpy as np

from ..columns import SessionColumns
from .daybyday import DayByDay
from .feedback import Feedback
from .habit import Prescribed, prescribe_by_habit
from .mixing import mix
from .people import BoolArray, FloatArray, IntArray, People, draw_people
from .restless import Restless
from .selective import Selective
from .world import State, World

WORLDS: dict[str, type[World]] = {w.name: w for w in (DayByDay, Feedback, Restless, Selective)}
FIRST_DAY = 738_000  # an ordinal in 2021; nothing depends on it
NEVER_CHANGES = np.inf
VOLUME_ERROR = 0.10  # spread of formula against true mixing volume that the unit reckons with


@dataclass(frozen=True, slots=True)
class Truth:
    """What really was, one row per session as in the columns; arrays [n] unless said."""

    before_pct: FloatArray  # true HbS before
    after_pct: FloatArray  # true HbS after
    pace_pct_per_day: FloatArray  # expected climb a day over the gap that begins here, chance left out
    outlier: BoolArray  # a wrong value stands in the record
    topup_g: FloatArray  # donor Hb given elsewhere in the gap that ends here, recorded or not [g]
    topup_day: FloatArray  # its ordinal, nan for none
    state: State  # each person's state after the session, arrays [n, ...]
    change_day: FloatArray  # [P], ordinal of the planted change of pace, inf for none
    change_factor: FloatArray  # [P], on the pace, about


@dataclass(frozen=True, slots=True)
class MadeUp:
    """Records as a unit would hold them, the people, the world they came from, and the truth."""

    name: str
    columns: SessionColumns
    people: People
    truth: Truth
    world: World  # as it stands after the last session of each person; take() it before driving on


def make_world(name: str, *, n_people: int, seed: int, day: IntArray | None = None) -> World:
    """A world with people before their first session. Raises ValueError for a name that is not known."""
    if name not in WORLDS:
        raise ValueError(f"no made-up world is called {name!r}; there are {', '.join(sorted(WORLDS))}")
    rng = np.random.default_rng(seed)
    people = draw_people(n_people, rng)
    start = np.full(n_people, FIRST_DAY, dtype=np.int64) if day is None else day
    return WORLDS[name].begin(people, start, rng)


def simulate(
    name: str,
    *,
    n_people: int,
    seed: int,
    n_gaps: int | None = None,
    years: float = 3.0,
    change_share: float = 0.3,
    settle_sessions: int = 5,
) -> MadeUp:
    """Let a made-up programme run by habit and keep its records.

    name: one of `WORLDS`. n_gaps: so many gaps for everybody; otherwise `years` of calendar time in which half of the
    people join late, some so late that they have one gap or none. change_share: share of people with one planted change
    of pace (about +40 % or −30 %). settle_sessions: sessions before records begin, so that the start is forgotten.
    """
    world = make_world(name, n_people=n_people, seed=seed)
    rng = world.rng
    unit = _Unit(world)
    for _ in range(settle_sessions):
        unit.one_visit(planted_topups=False)
    # Calendars start alike after settling.
    world.day = FIRST_DAY + rng.integers(0, 28, n_people)
    end = FIRST_DAY + 28 + int(years * 365.25)
    joins = np.where(rng.random(n_people) < 0.5, FIRST_DAY, FIRST_DAY + rng.integers(0, end - FIRST_DAY, n_people))
    if n_gaps is None:
        world.day = np.maximum(world.day, joins)
    _plant_changes(world, rng, change_share, world.day, end if n_gaps is None else None, n_gaps)
    rounds: list[_Row] = []
    while n_gaps is None or len(rounds) <= n_gaps:
        row = unit.one_visit(planted_topups=True)
        rounds.append(row)
        if n_gaps is None and np.all(row.day > end):
            break
    return _made_up(name, world, unit, rounds, end if n_gaps is None else None)


@dataclass(frozen=True, slots=True)
class _Row:
    """One visit of everybody, arrays [P]."""

    day: IntArray
    figures: dict[str, FloatArray]
    state: State


class _Unit:
    """The unit's habits: it books, measures, prescribes, forgets to measure, and learns a little."""

    def __init__(self, world: World) -> None:
        self.world = world
        self.climb = np.full(world.people.n, 13.0)
        self.after: FloatArray | None = None

    def one_visit(self, *, planted_topups: bool) -> _Row:
        world, people, rng = self.world, self.world.people, self.world.rng
        n = people.n
        topup = self._plant_topups() if planted_topups else np.zeros(n)
        seen = world.attend(people.usual_interval_days)
        if self.after is not None:
            self.climb = 0.7 * self.climb + 0.3 * np.clip(seen.measured_before - self.after, 4.0, 25.0)
        target = np.clip(people.ceiling_pct - self.climb + people.sloppiness_pct, 9.0, people.ceiling_pct * 0.8)
        steps = prescribe_by_habit(
            blood_volume_ml=people.blood_volume_ml,
            weight_kg=people.weight_kg,
            hb_g_l=seen.hb_before,
            hbs_pct=seen.measured_before,
            end_target_pct=target,
            hb_goal_g_l=people.hb_goal_g_l + rng.normal(0.0, 2.0, n),
        )
        real_hb = steps.cells_hb_g_l * rng.normal(1.0, 0.03, (n, 1))
        done = world.exchange(
            in_ml=steps.in_ml, out_ml=steps.out_ml, cells_hb_g_l=real_hb, early_loss=rng.uniform(0.0, 0.1, n)
        )
        self.after = done.measured_before
        reckoned = _reckoned(people, seen.hb_before, steps)
        known = rng.random(n) < 0.6
        # Who came before the day of the top-up has had none.
        got = (topup > 0.0) & (world.happenings.topup_day <= world.day)
        topup = np.where(got, topup, 0.0)
        figures = {
            "reason": seen.reason.astype(float),
            "true_before": seen.true_before,
            "true_after": done.true_before,
            "before": seen.measured_before,
            "after": done.measured_before,
            "hb_before": seen.hb_before,
            "hb_after": done.hb_before,
            **reckoned,
            "gap_known": np.where(got, known, rng.random(n) > 0.004).astype(float),
            "topup_g": np.where(got & known, topup, 0.0),
            "topup_day": np.where(got & known, world.happenings.topup_day, np.nan),
            "true_topup_g": topup,
            "true_topup_day": np.where(got, world.happenings.topup_day, np.nan),
        }
        return _Row(world.day.copy(), figures, {k: v.copy() for k, v in world.state.items()})

    def _plant_topups(self) -> FloatArray:
        """One or two units elsewhere in about 1.5 % of gaps [g]."""
        world, n = self.world, self.world.people.n
        got = world.rng.random(n) < 0.015
        grams = np.where(got, 49.0 * world.rng.integers(1, 3, n), 0.0)
        days = world.day + world.rng.integers(5, 18, n)
        world.plant(topup_day=np.where(got, days, np.inf), topup_g=grams)
        return np.asarray(grams)


def _reckoned(people: People, hb: FloatArray, steps: Prescribed) -> dict[str, FloatArray]:
    """HbS after over before, and Hb after, as the unit reckons them from its own volumes, with their spreads."""
    volume = people.blood_volume_ml
    mixed = mix(volume, steps.in_ml, steps.out_ml, steps.cells_hb_g_l)
    old, given = hb * mixed.kept, mixed.given_g / volume * 1000.0
    ratio = np.where(people.volumes_recorded, old / (old + given), np.nan)
    kept_sd = -np.log(mixed.kept) * VOLUME_ERROR  # of the logarithm of what is kept, for a wrong volume
    return {
        "ratio": ratio,
        "ratio_sd": np.asarray(-ratio * np.log(ratio) * VOLUME_ERROR + 0.01),
        "hb_reckoned": np.where(people.volumes_recorded, old + given, np.nan),
        "hb_reckoned_sd": np.hypot(old * kept_sd - given * VOLUME_ERROR, 3.0),
    }


def _plant_changes(
    world: World,
    rng: np.random.Generator,
    share: float,
    starts: IntArray,
    end: int | None,
    n_gaps: int | None,
) -> None:
    n = world.people.n
    span = np.full(n, float((n_gaps or 0) * 30)) if end is None else np.maximum(end - starts, 0).astype(float)
    when = np.round(starts + span * rng.uniform(0.25, 0.85, n))
    who = (rng.random(n) < share) & (span > 250.0)
    factor = np.where(rng.random(n) < 0.6, 1.4, 0.7)
    output = np.where(who, world.output_per_pace * np.log(factor), 0.0)
    world.plant(change_day=np.where(who, when, NEVER_CHANGES), change_log=output)


def _made_up(name: str, world: World, unit: _Unit, rounds: list[_Row], end: int | None) -> MadeUp:
    """Stack the visits in order of person and day, lose what a unit loses, and add the truth."""
    people, rng = world.people, world.rng
    n, k = people.n, len(rounds)
    person = np.repeat(np.arange(n), k)
    day = np.stack([r.day for r in rounds], axis=1).ravel()
    keep = np.ones(n * k, dtype=bool) if end is None else day <= end
    f = {key: np.stack([r.figures[key] for r in rounds], axis=1).ravel()[keep] for key in rounds[0].figures}
    person, day = person[keep], day[keep]
    first = np.r_[True, np.diff(person) != 0] if len(person) else np.zeros(0, dtype=bool)
    m = len(person)
    before, outlier = _wrong_tubes(f["before"], rng)
    no_before, no_after = rng.random(m) < 0.04, rng.random(m) < people.after_missing[person]
    no_hb_before, no_hb_after = rng.random(m) < 0.02, rng.random(m) < 0.12
    columns = SessionColumns.build(
        person=person,
        day=day,
        hbs_before_pct=np.where(no_before, np.nan, before),
        hbs_after_pct=np.where(no_after, np.nan, f["after"]),
        hbs_ratio=f["ratio"],
        hbs_ratio_sd=f["ratio_sd"],
        hb_before_g_l=np.where(no_hb_before, np.nan, f["hb_before"]),
        hb_after_g_l=np.where(no_hb_after, np.nan, f["hb_after"]),
        hb_reckoned_g_l=np.where(no_hb_before, np.nan, f["hb_reckoned"]),
        hb_reckoned_sd=f["hb_reckoned_sd"],
        untransfused_pct=people.believed_untransfused_pct[person],
        reason=np.where(first, 0, f["reason"]).astype(np.int64),
        gap_known=first | (f["gap_known"] > 0.5),
        topup_hb_g=np.where(first, 0.0, f["topup_g"]),
        topup_day=np.where(first, np.nan, f["topup_day"]),
        blood_volume_ml=people.blood_volume_ml[person],
        method=np.zeros(m, dtype=np.int64),
        n_people=n,
    )
    state = {
        key: np.stack([r.state[key] for r in rounds], axis=1).reshape((n * k, *rounds[0].state[key].shape[1:]))[keep]
        for key in rounds[0].state
    }
    truth = Truth(
        before_pct=f["true_before"],
        after_pct=f["true_after"],
        pace_pct_per_day=_true_pace(world, person, day, state),
        outlier=outlier,
        topup_g=np.where(first, 0.0, f["true_topup_g"]),
        topup_day=np.where(first, np.nan, f["true_topup_day"]),
        state=state,
        change_day=world.happenings.change_day,
        change_factor=np.exp(world.happenings.change_log / world.output_per_pace),
    )
    return MadeUp(name, columns, people, truth, world)


def _wrong_tubes(before: FloatArray, rng: np.random.Generator) -> tuple[FloatArray, BoolArray]:
    """In about 0.6 % of results another person's value, or a tube of donor blood, stands in the record."""
    wrong = rng.random(len(before)) < 0.006
    other = np.where(rng.random(len(before)) < 0.5, rng.permutation(before), 0.6 * before)
    return np.where(wrong, np.round(other, 1), before), wrong


def restart(madeup: MadeUp, rows: IntArray, seed: int | tuple[int, ...], *, repeats: int = 1) -> World:
    """A world in which everybody stands just after the session of `rows` (indices of the columns), each repeated."""
    again = np.repeat(np.asarray(rows, dtype=np.int64), repeats)
    person = madeup.columns.person[again]
    world = madeup.world.take(person, np.random.default_rng(seed))
    world.state = {k: v[again].copy() for k, v in madeup.truth.state.items()}
    world.day = madeup.columns.day[again].copy()
    world.since_session = np.zeros(len(again), dtype=np.int64)
    n = len(again)
    never = np.full(n, np.inf)
    # A change planted on a later day still comes; top-ups and reactions are set by whoever needs them.
    world.plant(topup_day=never, topup_g=np.zeros(n), reaction_from=never, reaction_to=never)
    return world


def _true_pace(world: World, person: IntArray, day: IntArray, state: State) -> FloatArray:
    """Climb a day over the person's usual interval from just after each session, chance left out."""
    quiet = world.take(person)
    quiet.state = {k: v.copy() for k, v in state.items()}
    quiet.day = day.copy()
    quiet.plant(change_day=np.full(len(person), np.inf), topup_day=np.full(len(person), np.inf))
    before = quiet.hbs_pct()
    interval = quiet.people.usual_interval_days
    quiet.rng = np.random.default_rng(0)
    ends = quiet.advance(interval, quiet=True).true_before
    return np.asarray((ends - before) / interval)
