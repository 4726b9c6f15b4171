"""Made-up people: bodies, habits and goals, drawn once and shared by every made-up world."""

from dataclasses import dataclass, fields
from typing import Self

import numpy as np
from numpy.typing import NDArray

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]
BoolArray = NDArray[np.bool_]


@dataclass(frozen=True, slots=True)
class People:
    """Fixed facts about P people; every field is an array [P]."""

    weight_kg: FloatArray
    blood_volume_ml: FloatArray  # what the unit reckons from weight and height
    true_volume_ml: FloatArray  # what really mixes
    untransfused_pct: FloatArray  # true HbS (HbS+HbC in SC disease) without any donor cells
    believed_untransfused_pct: FloatArray  # what stands in the record
    sickle_c: BoolArray
    ceiling_pct: FloatArray
    usual_interval_days: IntArray
    hb_goal_g_l: FloatArray  # where the unit tends to end
    sloppiness_pct: FloatArray  # how far the unit's habit for this person misses the ceiling
    after_missing: FloatArray  # chance that the after-result is missing
    volumes_recorded: BoolArray

    @property
    def n(self) -> int:
        return len(self.weight_kg)

    def take(self, rows: IntArray) -> Self:
        """The same facts for the chosen rows, in that order (rows may repeat)."""
        return type(self)(**{f.name: getattr(self, f.name)[rows] for f in fields(self)})


def draw_people(n_people: int, rng: np.random.Generator) -> People:
    """Draw people of an invented programme.

    Untransfused HbS 87 ± 10 % is cut to 70–94 here (STOP trial arm, Cochrane review CD012389, 2020: HbS 87 ± 10 %);
    the rest is chosen here; not from a source.
    """
    weight = np.clip(rng.normal(62.0, 14.0, n_people), 24.0, 110.0)
    volume = weight * np.clip(rng.normal(66.0, 4.0, n_people) + 6.0 * (weight < 40.0), 56.0, 80.0)
    sickle_c = rng.random(n_people) < 0.12
    untransfused = np.where(
        sickle_c, rng.normal(95.0, 0.8, n_people), np.clip(rng.normal(86.0, 5.0, n_people), 72.0, 94.0)
    )
    known = rng.random(n_people) < 0.7
    believed = np.where(known, untransfused + rng.normal(0.0, 1.5, n_people), np.where(sickle_c, 95.0, 90.0))
    return People(
        weight_kg=weight,
        blood_volume_ml=volume,
        true_volume_ml=volume * rng.lognormal(-0.06, 0.08, n_people),
        untransfused_pct=untransfused,
        believed_untransfused_pct=np.clip(np.round(believed, 1), 60.0, 98.0),
        sickle_c=sickle_c,
        ceiling_pct=rng.choice([30.0, 35.0, 40.0, 50.0], n_people, p=[0.66, 0.14, 0.13, 0.07]),
        usual_interval_days=rng.choice([21, 28, 35, 42], n_people, p=[0.12, 0.52, 0.24, 0.12]).astype(np.int64),
        hb_goal_g_l=np.clip(rng.normal(103.0, 5.0, n_people), 90.0, 114.0),
        sloppiness_pct=rng.normal(0.5, 2.5, n_people),
        after_missing=np.where(rng.random(n_people) < 0.1, 0.8, rng.beta(2.0, 14.0, n_people)),
        volumes_recorded=rng.random(n_people) < 0.92,
    )
