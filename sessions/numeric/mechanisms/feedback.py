"""Compartments with a delayed answer of the marrow, and donor cells lost at random: the second made-up world.

Signal → precursors → young → own cells is a chain of compartments that overshoots a little after each exchange; donor
cells vanish exponentially; a person's luck is drawn from a slow and a fast wandering factor on production, and now
and then a crisis destroys own cells and rebounds.
"""

from typing import ClassVar, Self

import numpy as np

from .people import FloatArray, IntArray, People
from .world import State, World, illness


class Feedback(World):
    """Compartments in grams of Hb; rates per day."""

    name: ClassVar[str] = "feedback"
    output_per_pace: ClassVar[float] = 1.9
    chance: ClassVar[dict[str, tuple[float, float]]] = {"luck": (0.38, 6.0)}

    @classmethod
    def begin(cls, people: People, day: IntArray, rng: np.random.Generator) -> Self:
        n = people.n
        hb0 = np.clip(rng.normal(76.0, 6.0, n) + 12.0 * people.sickle_c, 60.0, 105.0)
        own_life = rng.lognormal(np.log(26.0), 0.15, n)
        own0 = hb0 * people.true_volume_ml / 1000.0
        traits = {
            "hb0": hb0,
            "own_life": own_life,
            "make": own0 / own_life,
            # Half of full production is reached this far over the untransfused Hb [g/L].
            "half": np.clip(rng.normal(18.0, 3.0, n), 10.0, 28.0),
            # Random loss; preserved cells lived 97 d on average in patients (44 studies), 115 d when fresh
            # (Franco RS. Transfus Med Hemother 2012;39:302-7).
            "donor_life": np.clip(rng.normal(100.0, 10.0, n), 70.0, 130.0),
        }
        hb = people.hb_goal_g_l - 8.0
        total = hb * people.true_volume_ml / 1000.0
        share = np.clip(people.ceiling_pct + rng.normal(2.0, 4.0, n), 15.0, 80.0) / people.untransfused_pct
        signal = 1.0 / (1.0 + ((hb - hb0) / traits["half"]).clip(0.0) ** 2)
        state = {
            "own": total * share,
            "donor": total * (1.0 - share),
            "signal": signal,
            "precursor": signal * 1.0,
            "log_pace": rng.normal(0.0, 0.24, n),
            "luck": np.zeros(n),
            "ill_left": np.zeros(n),
        }
        return cls(people, traits, state, day, rng)

    def _day(self, state: State, *, quiet: bool) -> State:
        t = self.traits
        over = np.maximum(self.hb_g_l() - t["hb0"], 0.0) / t["half"]
        signal = state["signal"] + (1.0 / (1.0 + over**2) - state["signal"]) / 2.5
        precursor = state["precursor"] + (state["signal"] - state["precursor"]) / 4.0
        luck = self._wandered(state, "luck", quiet=quiet)
        ill = state["ill_left"] > 0.0
        made = t["make"] * precursor * np.exp(state["log_pace"] + luck)
        own = state["own"] * np.exp(-np.where(ill, 1.6, 1.0) / t["own_life"]) + made
        return state | {
            "own": own,
            "donor": state["donor"] * np.exp(-1.0 / t["donor_life"]),
            "signal": signal,
            "precursor": precursor,
            "luck": luck,
            "ill_left": illness(state["ill_left"], per_year=0.6, rng=self.rng, quiet=quiet),
        }

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
