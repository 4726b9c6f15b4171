"""A volume of blood as the bags in which it is drawn, one after another."""

import math
from collections.abc import Sequence
from itertools import groupby

A_LITTLE_ML = 40.0
"""Nobody draws another bag for less. Chosen here; not from a source."""


def draws_of(out_ml: float, size_ml: float, most_ml: float = math.inf) -> tuple[float, ...]:
    """Return a volume as bags of the usual size, rounded down to 10 mL; the last may be smaller. [mL]

    What would fill only A_LITTLE_ML of another bag goes into the last ones instead, where they hold no more than
    most_ml.
    """
    if out_ml <= 0.0:
        return ()
    size = max(10.0, 10.0 * math.floor(min(size_ml, most_ml) / 10.0))
    whole = int(out_ml // size)
    rest = out_ml - whole * size
    bags = [size] * whole
    if whole and 0.0 < rest <= A_LITTLE_ML and size + rest <= most_ml:
        bags[-1] += rest
    elif rest >= 0.5:
        bags.append(rest)
    return tuple(bags)


def draws_words(draws: Sequence[float]) -> str:
    """Return '3 × 100, 50' for the bags of one step; '' where nothing is drawn."""
    parts = []
    for size, same in groupby(draws):
        many = len(list(same))
        parts.append(f"{many} × {size:.0f}" if many > 1 or len(draws) == 1 else f"{size:.0f}")
    return ", ".join(parts)
