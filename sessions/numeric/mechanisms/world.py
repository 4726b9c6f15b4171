"""The frame of a made-up world: people who live from day to day, are measured, exchanged, topped up and fall ill.

A world is driven from outside: `attend` or `advance` lets days pass up to a visit, `exchange` carries a session out.
What happens inside a day is each mechanism's own (`_day`), and none of them has the shape of a forecasting form.
"""

from dataclasses import dataclass, fields
from typing import ClassVar, Self

import numpy as np

from ..columns import EARLY_OTHER, EARLY_UNWELL, LATE_MISSED, ROUTINE
from .mixing import mix
from .people import BoolArray, FloatArray, IntArray, People

State = dict[str, FloatArray]

ASSAY_SD_HBS_PCT = 1.0
NOISE_SD_HB_G_L = 2.5


@dataclass(frozen=True, slots=True)
class Reading:
    """One look at every person, arrays [P]. Measured values carry assay noise and are rounded as reported."""

    days: IntArray  # days since the last session
    reason: IntArray  # 0 routine, 1 early unwell, 2 early other, 3 late or missed
    true_before: FloatArray  # HbS [%]
    measured_before: FloatArray  # HbS [%], 0.1
    hb_true_g_l: FloatArray
    hb_before: FloatArray  # [g/L], whole
    hba_pct: FloatArray  # measured HbA [%]


@dataclass(frozen=True, slots=True)
class Happenings:
    """What is planted for each person, arrays [P]; a day that is never reached is inf."""

    change_day: FloatArray
    change_log: FloatArray  # log of the factor on the output of own cells
    topup_day: FloatArray
    topup_g: FloatArray
    reaction_from: FloatArray
    reaction_to: FloatArray
    reaction_keep: FloatArray  # share of donor cells left after each day of the reaction

    @classmethod
    def none(cls, n: int) -> Self:
        never, nothing = np.full(n, np.inf), np.zeros(n)
        return cls(
            never.copy(),
            nothing.copy(),
            never.copy(),
            nothing.copy(),
            never.copy(),
            never.copy(),
            nothing + 1.0,
        )

    def take(self, rows: IntArray) -> Self:
        return type(self)(**{f.name: getattr(self, f.name)[rows] for f in fields(self)})


class World:
    """Base of the made-up worlds. `state` holds what changes, `traits` what does not; arrays lead with [P]."""

    name: ClassVar[str]
    # A change of pace by a factor f is planted as output × f^this, for climb is only in part new own cells.
    output_per_pace: ClassVar[float]
    # The chance of the days, by name in the state: (spread, memory in days). It belongs to the gap, not to the pace.
    chance: ClassVar[dict[str, tuple[float, float]]] = {}

    def __init__(self, people: People, traits: State, state: State, day: IntArray, rng: np.random.Generator) -> None:
        self.people = people
        self.traits = traits
        self.state = state
        self.day = day.astype(np.int64)
        self.rng = rng
        self.happenings = Happenings.none(people.n)
        self.since_session = np.zeros(people.n, dtype=np.int64)

    # What each mechanism supplies ---------------------------------------------------------------

    @classmethod
    def begin(cls, people: People, day: IntArray, rng: np.random.Generator) -> Self:
        """People as they come to their first session, on the given days (ordinals)."""
        raise NotImplementedError

    def _day(self, state: State, *, quiet: bool) -> State:
        """The state one day later; `quiet` leaves the day's chance out."""
        raise NotImplementedError

    def own_g(self) -> FloatArray:
        """Own Hb in the body [g], [P]."""
        raise NotImplementedError

    def donor_g(self) -> FloatArray:
        """Donor Hb in the body [g], [P]."""
        raise NotImplementedError

    def hbs_pct(self) -> FloatArray:
        """True HbS [%], [P]."""
        raise NotImplementedError

    def _keep_donor(self, state: State, share: FloatArray) -> State:
        """Lose donor cells of every age alike, down to `share` of them."""
        raise NotImplementedError

    def _mix_in(self, state: State, kept: FloatArray, given_g: FloatArray) -> State:
        """Keep `kept` of all cells present and add fresh donor Hb [g]."""
        raise NotImplementedError

    def _urge(self) -> FloatArray:
        """Chance of coming today, unwell, before the day arranged."""
        return np.where(self.state["ill_left"] > 0.0, 0.05, 0.0)

    def _plan_to_come(self, planned_days: IntArray) -> tuple[IntArray, IntArray]:
        """Days and reason with which people would come if they stay well: 3 % early, 12 % late or missed."""
        n = len(planned_days)
        draw = self.rng.random(n)
        late = draw < 0.12
        early = (draw > 0.97) & (planned_days > 16)
        by = np.where(self.rng.random(n) < 0.7, self.rng.integers(4, 15, n), self.rng.integers(15, 36, n))
        days = planned_days + self.rng.choice([-1, 0, 0, 0, 1], n)
        days = np.where(late, planned_days + by, np.where(early, planned_days - self.rng.integers(4, 10, n), days))
        reason = np.where(late, LATE_MISSED, np.where(early, EARLY_OTHER, ROUTINE))
        return np.maximum(days, 5).astype(np.int64), reason.astype(np.int64)

    # What every world does alike ------------------------------------------------------------------

    def hb_g_l(self) -> FloatArray:
        """True Hb at the settled volume [g/L], [P]."""
        return (self.own_g() + self.donor_g()) / self.people.true_volume_ml * 1000.0

    def take(self, rows: IntArray, rng: np.random.Generator | None = None) -> Self:
        """A separate world with the chosen rows (they may repeat); the original is not touched."""
        copy = type(self)(
            self.people.take(rows),
            {k: v[rows].copy() for k, v in self.traits.items()},
            {k: v[rows].copy() for k, v in self.state.items()},
            self.day[rows],
            self.rng if rng is None else rng,
        )
        copy.happenings = self.happenings.take(rows)
        copy.since_session = self.since_session[rows].copy()
        return copy

    def forget_chance(self) -> None:
        """Draw the chance of the days anew, as if nothing were known of how it stands today."""
        for name, (sd, _) in self.chance.items():
            self.state[name] = sd * self.rng.standard_normal(self.people.n)

    def _wandered(self, state: State, name: str, *, quiet: bool) -> FloatArray:
        sd, days = self.chance[name]
        return wander(state[name], days=days, sd=sd, rng=self.rng, quiet=quiet)

    def plant(self, **arrays: FloatArray) -> None:
        """Set happenings by name (see `Happenings`); what is not named stays."""
        current = {f.name: getattr(self.happenings, f.name) for f in fields(self.happenings)}
        self.happenings = Happenings(**(current | {k: np.asarray(v, float) for k, v in arrays.items()}))

    def plant_reaction(
        self, who: BoolArray, *, start_days: FloatArray, over_days: FloatArray, lost: float = 0.5
    ) -> None:
        """Delayed haemolysis for `who`: `lost` of the donor cells go within `over_days`, from `start_days` from now."""
        begins = np.where(who, self.day + np.round(start_days), np.inf)
        ends = np.where(who, begins + np.maximum(1.0, np.round(over_days)), np.inf)
        keep = np.where(who, (1.0 - lost) ** (1.0 / np.maximum(1.0, np.round(over_days))), 1.0)
        self.plant(reaction_from=begins, reaction_to=ends, reaction_keep=keep)

    def advance(self, days: IntArray, *, quiet: bool = False) -> Reading:
        """Let exactly `days` [P] pass for each person and look at them."""
        wanted = np.asarray(days, dtype=np.int64)
        self._live(wanted, quiet=quiet, may_come=np.zeros(self.people.n, dtype=bool))
        return self.look(np.zeros(self.people.n, dtype=np.int64))

    def attend(self, planned_days: IntArray) -> Reading:
        """Let people live until they come: on the day arranged, late, or early because they are unwell."""
        days, reason = self._plan_to_come(np.asarray(planned_days, dtype=np.int64))
        came = self._live(days, quiet=False, may_come=np.ones(self.people.n, dtype=bool))
        unwell = (came < days) & (came < planned_days)
        return self.look(np.where(unwell, EARLY_UNWELL, reason).astype(np.int64))

    def look(self, reason: IntArray) -> Reading:
        """Measure everybody now, without letting time pass."""
        n = self.people.n
        hbs, hb = self.hbs_pct(), self.hb_g_l()
        donor = self.donor_g()
        hba = 97.0 * donor / (donor + self.own_g())
        noise = self.rng.normal(0.0, 1.0, (3, n))
        return Reading(
            days=self.since_session.copy(),
            reason=reason,
            true_before=hbs,
            measured_before=np.clip(np.round(hbs + ASSAY_SD_HBS_PCT * noise[0], 1), 0.1, 99.0),
            hb_true_g_l=hb,
            hb_before=np.round(hb + NOISE_SD_HB_G_L * noise[1]),
            hba_pct=np.clip(np.round(hba + ASSAY_SD_HBS_PCT * noise[2], 1), 0.0, 99.0),
        )

    def exchange(
        self,
        *,
        in_ml: FloatArray,
        out_ml: FloatArray,
        cells_hb_g_l: FloatArray,
        early_loss: FloatArray | float = 0.0,
    ) -> Reading:
        """Carry a session out for everybody (steps [P, S]; a row of zeros is no session) and measure after it.

        The true volume and a little imperfect mixing act, not the volume the unit reckons with.
        """
        n = self.people.n
        volume = self.people.true_volume_ml * self.rng.lognormal(0.0, 0.03, n)
        done = mix(volume, in_ml, out_ml, cells_hb_g_l)
        self.state = self._mix_in(self.state, done.kept, done.given_g * (1.0 - early_loss))
        self.since_session = np.where(np.any(out_ml > 0.0, axis=1), 0, self.since_session)
        return self.look(np.zeros(n, dtype=np.int64))

    def _live(self, days: IntArray, *, quiet: bool, may_come: BoolArray) -> IntArray:
        """Step through the days; returns the days really lived (fewer where a person came early)."""
        came = days.copy()
        for passed in range(int(days.max(initial=0))):
            active = passed < came
            after = self._day(self.state, quiet=quiet)
            self.state = after if active.all() else _merge(active, after, self.state)
            self.day = self.day + active
            self.since_session = self.since_session + active
            self._happen(active)
            # Nobody is brought back within ten days of a session.
            urge = np.where(active & may_come & (self.since_session >= 10), self._urge(), 0.0)
            if urge.any():
                comes = (self.rng.random(len(urge)) < urge) & (passed + 1 < came)
                came = np.where(comes, passed + 1, came)
        return came

    def _happen(self, active: BoolArray) -> None:
        plan = self.happenings
        changes = active & (plan.change_day == self.day)
        if changes.any():
            self.state["log_pace"] = self.state["log_pace"] + np.where(changes, plan.change_log, 0.0)
        topped = active & (plan.topup_day == self.day)
        if topped.any():
            given = np.where(topped, plan.topup_g, 0.0)
            self.state = self._mix_in(self.state, np.ones(self.people.n), given)
        reacts = active & (plan.reaction_from < self.day) & (self.day <= plan.reaction_to)
        if reacts.any():
            self.state = self._keep_donor(self.state, np.where(reacts, plan.reaction_keep, 1.0))


def wander(value: FloatArray, *, days: float, sd: float, rng: np.random.Generator, quiet: bool) -> FloatArray:
    """One day of a stationary autoregressive process with memory `days` and spread `sd`."""
    stay = float(np.exp(-1.0 / days))
    drawn = 0.0 if quiet else sd * np.sqrt(1.0 - stay**2) * rng.standard_normal(value.shape)
    return stay * value + drawn


def illness(left: FloatArray, *, per_year: FloatArray | float, rng: np.random.Generator, quiet: bool) -> FloatArray:
    """Days of illness still to come, one day later; new illnesses of 5 to 14 days arrive at random."""
    left = np.maximum(left - 1.0, 0.0)
    if quiet:
        return left
    falls = (rng.random(left.shape) < per_year / 365.25) & (left <= 0.0)
    return np.where(falls, rng.integers(5, 15, left.shape).astype(float), left)


def _merge(active: BoolArray, after: State, before: State) -> State:
    return {k: np.where(active.reshape(active.shape + (1,) * (after[k].ndim - 1)), after[k], before[k]) for k in after}
