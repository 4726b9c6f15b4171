"""A pace that never stands still: the third made-up world.

HbS climbs towards the untransfused level by a power law; the pace itself wanders over months, and rare shocks with a
heavy tail move HbS by several points within a day. Hb goes its own way towards a personal resting level.
"""

from typing import ClassVar, Self

import numpy as np

from .people import FloatArray, IntArray, People
from .world import State, World, illness, wander


class Restless(World):
    """HbS [%] and Hb [g/L] move by themselves; grams follow from them."""

    name: ClassVar[str] = "restless"
    output_per_pace: ClassVar[float] = 1.1

    @classmethod
    def begin(cls, people: People, day: IntArray, rng: np.random.Generator) -> Self:
        n = people.n
        traits = {
            "pace": 0.50 * rng.lognormal(0.0, 0.25, n),  # points a day far from the untransfused level
            "rest_hb": np.clip(rng.normal(86.0, 6.0, n), 70.0, 100.0),
            "shock_per_day": rng.gamma(2.0, 0.004, n),
        }
        state = {
            "hbs": np.clip(people.ceiling_pct + rng.normal(2.0, 4.0, n), 15.0, 80.0),
            "hb": people.hb_goal_g_l - 8.0,
            "log_pace": np.zeros(n),
            "months": rng.normal(0.0, 0.16, n),
            "ill_left": np.zeros(n),
        }
        return cls(people, traits, state, day, rng)

    def _day(self, state: State, *, quiet: bool) -> State:
        t, n = self.traits, self.people.n
        months = wander(state["months"], days=120.0, sd=0.16, rng=self.rng, quiet=quiet)
        room = 1.0 - (state["hbs"] / self.people.untransfused_pct) ** 1.5
        climb = t["pace"] * np.exp(state["log_pace"] + months) * np.maximum(room, 0.0)
        jump, hb_noise = np.zeros(n), np.zeros(n)
        if not quiet:
            hit = self.rng.random(n) < t["shock_per_day"]
            size = 1.6 * np.clip(self.rng.standard_t(3.0, n), -8.0, 8.0)
            jump = np.where(hit, size, 0.0) + self.rng.normal(0.0, 0.34, n)
            hb_noise = self.rng.normal(0.0, 0.5, n)
        ill = state["ill_left"] > 0.0
        return state | {
            "hbs": np.clip(
                state["hbs"] + climb * np.where(ill, 1.5, 1.0) + jump, 1.0, self.people.untransfused_pct - 0.5
            ),
            "hb": np.clip(state["hb"] + (t["rest_hb"] - state["hb"]) / 40.0 + hb_noise, 45.0, 140.0),
            "months": months,
            "ill_left": illness(state["ill_left"], per_year=0.5, rng=self.rng, quiet=quiet),
        }

    def own_g(self) -> FloatArray:
        total = self.state["hb"] * self.people.true_volume_ml / 1000.0
        return np.asarray(total * self.state["hbs"] / self.people.untransfused_pct)

    def donor_g(self) -> FloatArray:
        return np.asarray(self.state["hb"] * self.people.true_volume_ml / 1000.0 - self.own_g())

    def hbs_pct(self) -> FloatArray:
        return self.state["hbs"]

    def _keep_donor(self, state: State, share: FloatArray) -> State:
        return self._from_grams(state, self.own_g(), self.donor_g() * share)

    def _mix_in(self, state: State, kept: FloatArray, given_g: FloatArray) -> State:
        return self._from_grams(state, self.own_g() * kept, self.donor_g() * kept + given_g)

    def _from_grams(self, state: State, own_g: FloatArray, donor_g: FloatArray) -> State:
        total = own_g + donor_g
        return state | {
            "hbs": self.people.untransfused_pct * own_g / total,
            "hb": total / self.people.true_volume_ml * 1000.0,
        }
