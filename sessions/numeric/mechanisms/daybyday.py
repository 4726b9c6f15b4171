"""Day-by-day book-keeping of cohorts of cells: the main made-up world.

Every session's donor cells are a cohort of mixed age whose life spans follow a Weibull law; own cells pass through
stages of age, plain ones within about a fortnight and those rich in HbF within weeks; the marrow answers to Hb with
delay and is held back only in part; noise of the day, illness and drugs act on production and on cell life.
There is no straight line, logit or pool with linear loss in it.
"""

from typing import ClassVar, Self

import numpy as np
from scipy.special import gammaincc

from .people import FloatArray, IntArray, People
from .world import State, World, illness

# Weibull life-span law of normal cells, mean 115.6 d, SD 24.77 d: Shrestha RP et al. J Pharmacokinet Pharmacodyn
# 2016;43:259-74. Shape and scale follow from mean and SD.
WEIBULL_SHAPE, WEIBULL_SCALE_DAYS, MEAN_LIFE_DAYS = 5.37811, 125.3763, 115.6
# Spread between donors about 10 d: Eadie GS, Brown IW. J Clin Invest 1955 (two donors, three recipients each).
DONOR_LIFE_SD_DAYS = 10.0
BATCHES, STAGES = 9, 4
# Own cells without HbF last about 2 weeks, those with it 6 to 8: Franco RS et al. J Clin Invest 1998;101:2730-40.
F_CELL_LIFE_DAYS = 45.0
F_CELL_HBS_PCT = 72.0


def donor_share_left(days: FloatArray, life_scale: FloatArray | float = 1.0) -> FloatArray:
    """Share of a transfused cohort of mixed age that is still alive after `days` (any shape).

    Formula: A(t) = 1 − ∫₀ᵗ S(u) du / mean = Γ(1/k, (t/λ)^k)/Γ(1/k) for Weibull life spans with shape k and scale λ.
    """
    return np.asarray(gammaincc(1.0 / WEIBULL_SHAPE, (days / (WEIBULL_SCALE_DAYS * life_scale)) ** WEIBULL_SHAPE))


_AGES = np.arange(0.0, 400.0, 0.5)
_SHARES = donor_share_left(_AGES)


class DayByDay(World):
    """Cohorts of cells, a marrow that answers with delay, illness and drugs."""

    name: ClassVar[str] = "daybyday"
    output_per_pace: ClassVar[float] = 1.7
    chance: ClassVar[dict[str, tuple[float, float]]] = {"noise": (0.24, 9.0)}

    @classmethod
    def begin(cls, people: People, day: IntArray, rng: np.random.Generator) -> Self:
        n = people.n
        own_life = rng.lognormal(np.log(19.0), 0.12, n)
        # HbS of plain own cells is about the untransfused share plus what the F cells lack.
        f_mass = np.clip(rng.beta(4.0, 8.0, n), 0.05, 0.6)
        plain_hbs = (people.untransfused_pct - f_mass * F_CELL_HBS_PCT) / (1.0 - f_mass)
        too_rich = plain_hbs > 97.0
        f_mass = np.where(too_rich, (97.0 - people.untransfused_pct) / (97.0 - F_CELL_HBS_PCT), f_mass)
        plain_hbs = np.where(too_rich, 97.0, plain_hbs)
        hb0 = np.clip(rng.normal(74.0, 7.0, n) + 14.0 * people.sickle_c, 58.0, 105.0)
        own0 = hb0 * people.true_volume_ml / 1000.0
        traits = {
            "own_life": own_life,
            "plain_hbs": plain_hbs,
            "hb0": hb0,
            # Production that would hold the untransfused Hb, each kind at its own life span [g/day].
            "make_plain": own0 * (1.0 - f_mass) / own_life,
            "make_f": own0 * f_mass / F_CELL_LIFE_DAYS,
            # Years of transfusion hold the marrow at a part of what it could do, and each g/L of Hb holds it further.
            "part": np.clip(rng.normal(0.66, 0.05, n), 0.5, 0.85),
            "hold": np.clip(rng.normal(0.024, 0.004, n), 0.012, 0.036),
            "random_loss": rng.gamma(1.5, 0.0005, n),
            "ill_per_year": rng.gamma(1.5, 0.4, n),
        }
        hb = people.hb_goal_g_l - 8.0
        total = hb * people.true_volume_ml / 1000.0
        own_share = np.clip(people.ceiling_pct + rng.normal(2.0, 4.0, n), 15.0, 80.0) / people.untransfused_pct
        spread = np.ones(STAGES) / STAGES
        donor = np.zeros((n, BATCHES))
        age = np.zeros((n, BATCHES))
        donor[:, 0], age[:, 0] = total * (1.0 - own_share) * 0.65, 28.0
        donor[:, 1], age[:, 1] = total * (1.0 - own_share) * 0.35, 56.0
        state = {
            "plain": (total * own_share * (1.0 - f_mass))[:, None] * spread,
            "f": (total * own_share * f_mass)[:, None] * spread,
            "donor": donor,
            "age": age,
            "life_scale": np.ones((n, BATCHES)),
            "drive": traits["part"] * np.exp(-traits["hold"] * (hb - hb0)),
            "log_pace": rng.normal(0.0, 0.22, n),
            "noise": np.zeros(n),
            "ill_left": np.zeros(n),
        }
        return cls(people, traits, state, day, rng)

    def _day(self, state: State, *, quiet: bool) -> State:
        t = self.traits
        hb = self.hb_g_l()
        ill = state["ill_left"] > 0.0
        noise = self._wandered(state, "noise", quiet=quiet)
        make = np.exp(state["log_pace"] + noise) * state["drive"] * np.where(ill, 0.75, 1.0)
        wear = np.where(ill, 1.25, 1.0)
        age = state["age"] + 1.0
        left = np.interp(age / state["life_scale"], _AGES, _SHARES)
        had = np.interp(state["age"] / state["life_scale"], _AGES, _SHARES)
        alive = np.where(had > 1e-9, left / np.maximum(had, 1e-9), 0.0)
        return state | {
            "plain": _age_one_day(state["plain"], make * t["make_plain"], wear * STAGES / t["own_life"]),
            "f": _age_one_day(state["f"], make * t["make_f"], wear * STAGES / F_CELL_LIFE_DAYS),
            "donor": state["donor"] * alive * np.exp(-t["random_loss"])[:, None],
            "age": age,
            # Signal, precursors, release: the marrow follows Hb with about five days of delay.
            "drive": state["drive"] + (self._wanted_drive(hb) - state["drive"]) / 5.0,
            "noise": noise,
            "ill_left": illness(state["ill_left"], per_year=t["ill_per_year"], rng=self.rng, quiet=quiet),
        }

    def _wanted_drive(self, hb_g_l: FloatArray) -> FloatArray:
        """Output of the marrow over its untransfused output; being transfused for long holds it back in part."""
        t = self.traits
        transfused = np.minimum(self.donor_g() / (0.5 * (self.donor_g() + self.own_g())), 1.0)
        return np.asarray((1.0 - (1.0 - t["part"]) * transfused) * np.exp(-t["hold"] * (hb_g_l - t["hb0"])))

    def own_g(self) -> FloatArray:
        return np.asarray(self.state["plain"].sum(axis=1) + self.state["f"].sum(axis=1))

    def donor_g(self) -> FloatArray:
        return np.asarray(self.state["donor"].sum(axis=1))

    def hbs_pct(self) -> FloatArray:
        plain, f = self.state["plain"].sum(axis=1), self.state["f"].sum(axis=1)
        hbs_g = self.traits["plain_hbs"] * plain + F_CELL_HBS_PCT * f
        return np.asarray(hbs_g / (plain + f + self.donor_g()))

    def _keep_donor(self, state: State, share: FloatArray) -> State:
        return state | {"donor": state["donor"] * share[:, None]}

    def _mix_in(self, state: State, kept: FloatArray, given_g: FloatArray) -> State:
        """A new batch takes the place of the smallest one, which joins the next smallest: nothing is lost."""
        k = kept[:, None]
        donor = state["donor"] * k
        gets = given_g > 0.0
        rows = np.flatnonzero(gets)
        age, life = state["age"].copy(), state["life_scale"].copy()
        order = np.argsort(donor[rows], axis=1)
        smallest, next_one = order[:, 0], order[:, 1]
        donor[rows, next_one] += donor[rows, smallest]
        donor[rows, smallest] = given_g[rows]
        age[rows, smallest] = 0.0
        # A batch of n units of about 50 g mixes n donors: its mean life spreads less than one donor's.
        units = np.maximum(given_g[rows] / 50.0, 1.0)
        spread = DONOR_LIFE_SD_DAYS / MEAN_LIFE_DAYS / np.sqrt(units)
        life[rows, smallest] = np.clip(1.0 + spread * self.rng.standard_normal(len(rows)), 0.7, 1.3)
        return state | {
            "plain": state["plain"] * k, "f": state["f"] * k, "donor": donor, "age": age, "life_scale": life,
        }  # fmt: skip


def _age_one_day(stages: FloatArray, made_g: FloatArray, rate: FloatArray) -> FloatArray:
    """Move a cohort through equal stages of age; `rate` is the share of a stage that moves on in a day."""
    moves = stages * np.minimum(rate, 1.0)[:, None]
    arrives = np.concatenate([made_g[:, None], moves[:, :-1]], axis=1)
    return np.asarray(stages - moves + arrives)
