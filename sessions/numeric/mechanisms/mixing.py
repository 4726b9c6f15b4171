"""What one exchange does to the cells of a made-up person.

Written apart from the planner's own arithmetic, so that a fault there cannot hide in the worlds it is judged in.
"""

from dataclasses import dataclass

import numpy as np

from .people import FloatArray


@dataclass(frozen=True, slots=True)
class Mixed:
    """Result of one exchange, arrays [P]."""

    kept: FloatArray  # share of the cells present before that is still in the body, 0..1
    given_g: FloatArray  # donor Hb from today's units still in the body at the end [g]


def mix(volume_ml: FloatArray, in_ml: FloatArray, out_ml: FloatArray, cells_hb_g_l: FloatArray) -> Mixed:
    """Run steps of fluid in and blood out at steady rates through one well-mixed volume.

    Arguments: volume [mL], shape [P]; steps [mL], [mL], [g/L] (0 for saline), shape [P, S].
    Old cells: dM/dt = −b·M/V with V = V₀ + (a − b)·t, so M₁/M₀ = (V₁/V₀)^(−b/(a−b)); e^(−b/V) when a = b.
    Given cells, at concentration c: C₁ = c·(1 − (V₁/V₀)^(−a/(a−b))) from nothing.
    Textbook dilution of a well-mixed volume.
    """
    volume = volume_ml.astype(np.float64).copy()
    kept = np.ones_like(volume)
    given = np.zeros_like(volume)
    for a, b, c in zip(in_ml.T, out_ml.T, cells_hb_g_l.T, strict=True):
        end = volume + a - b
        if np.any(end <= 0.0):
            raise ValueError("a step of an exchange would leave no blood: out_ml exceeds the volume present plus in_ml")
        # ln(V1/V0)/(V1−V0) tends to 1/V0 for level steps.
        change = end - volume
        level = np.abs(change) < 1e-9 * volume
        per_ml = np.where(level, 1.0 / volume, np.log(end / volume) / np.where(level, 1.0, change))
        stays = np.exp(-b * per_ml)
        fresh = c * (1.0 - np.exp(-a * per_ml)) * end / 1000.0
        kept, given, volume = kept * stays, given * stays + fresh, end
    return Mixed(kept=kept, given_g=given)
