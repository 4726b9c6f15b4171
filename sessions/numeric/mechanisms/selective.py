"""Who comes when depends on how fast HbS climbs: the fourth made-up world.

Own cells grow back by Gompertz's law. Somebody whose HbS runs ahead of what they are used to feels it and comes early;
a slow climber, and anybody in a slow gap, feels well and lets the date pass. So the lengths of the gaps carry news of
what happened in them, and averaging over them blindly is wrong.
"""

from typing import ClassVar, Self

import numpy as np

from ..columns import EARLY_OTHER, LATE_MISSED, ROUTINE
from .people import FloatArray, IntArray, People
from .world import State, World, illness


class Selective(World):
    """Own cells in grams grow by Gompertz's law, donor cells lose older ones faster."""

    name: ClassVar[str] = "selective"
    output_per_pace: ClassVar[float] = 1.75
    chance: ClassVar[dict[str, tuple[float, float]]] = {"spell": (0.46, 20.0)}

    @classmethod
    def begin(cls, people: People, day: IntArray, rng: np.random.Generator) -> Self:
        n = people.n
        hb = people.hb_goal_g_l - 8.0
        total = hb * people.true_volume_ml / 1000.0
        share = np.clip(people.ceiling_pct + rng.normal(2.0, 4.0, n), 15.0, 80.0) / people.untransfused_pct
        traits = {
            "room_g": 80.0 * people.true_volume_ml / 1000.0,  # where own growth would end
            "rate": 0.0125 * rng.lognormal(0.0, 0.28, n),
            "donor_loss": np.clip(rng.normal(0.0088, 0.0008, n), 0.006, 0.012),
        }
        state = {
            "own": total * share,
            "donor": total * (1.0 - share),
            "log_pace": np.zeros(n),
            "spell": np.zeros(n),
            "used_to": people.ceiling_pct + 1.0,
            "ill_left": np.zeros(n),
        }
        return cls(people, traits, state, day, rng)

    def _day(self, state: State, *, quiet: bool) -> State:
        t = self.traits
        spell = self._wandered(state, "spell", quiet=quiet)
        grows = t["rate"] * np.exp(state["log_pace"] + spell) * np.log(t["room_g"] / state["own"])
        hbs = self.hbs_pct()
        return state | {
            "own": state["own"] * np.exp(np.maximum(grows, -0.05)),
            "donor": state["donor"] * np.exp(-t["donor_loss"]),
            "spell": spell,
            "used_to": state["used_to"] + np.maximum(hbs - state["used_to"], 0.0) / 20.0 - 0.03,
            "ill_left": illness(state["ill_left"], per_year=0.3, rng=self.rng, quiet=quiet),
        }

    def _urge(self) -> FloatArray:
        ahead = self.hbs_pct() - self.state["used_to"]
        return np.asarray(0.03 / (1.0 + np.exp(-(ahead - 2.0))) + np.where(self.state["ill_left"] > 0.0, 0.04, 0.0))

    def _plan_to_come(self, planned_days: IntArray) -> tuple[IntArray, IntArray]:
        """A slow pace, standing or in this spell, makes late and missed visits likelier (about 13 % overall)."""
        n = len(planned_days)
        speed = np.log(self.traits["rate"] / 0.0125) + self.state["log_pace"] + self.state["spell"]
        late = self.rng.random(n) < 0.10 * np.exp(-1.5 * np.clip(speed, -1.0, 1.0))
        early = ~late & (self.rng.random(n) < 0.02) & (planned_days > 16)
        by = np.where(self.rng.random(n) < 0.7, self.rng.integers(4, 15, n), self.rng.integers(15, 36, n))
        days = planned_days + self.rng.choice([-1, 0, 0, 0, 1], n)
        days = np.where(late, planned_days + by, np.where(early, planned_days - self.rng.integers(4, 10, n), days))
        reason = np.where(late, LATE_MISSED, np.where(early, EARLY_OTHER, ROUTINE))
        return np.maximum(days, 5).astype(np.int64), reason.astype(np.int64)

    def own_g(self) -> FloatArray:
        return self.state["own"]

    def donor_g(self) -> FloatArray:
        return self.state["donor"]

    def hbs_pct(self) -> FloatArray:
        return np.asarray(self.people.untransfused_pct * self.own_g() / (self.own_g() + self.donor_g()))

    def _keep_donor(self, state: State, share: FloatArray) -> State:
        return state | {"donor": state["donor"] * share}

    def _mix_in(self, state: State, kept: FloatArray, given_g: FloatArray) -> State:
        return state | {"own": state["own"] * kept, "donor": state["donor"] * kept + given_g}
