"""The running balance against its limits, said before a volume is entered and after."""

import math
from dataclasses import dataclass

NEAR = 0.8
"""From this share of a limit on, it is said. Chosen here; not from a source."""

OK, WARN, STOP = "ok", "warn", "stop"


@dataclass(frozen=True, slots=True)
class BalanceLimits:
    """How far the balance may go [mL]: under (more out than in, also by one draw) and over; weight_kg for mL/kg.

    ahead_ml: so much more out than in is said of whoever is to be given first; inf for all others.
    """

    under_ml: float
    over_ml: float
    weight_kg: float
    ahead_ml: float = math.inf

    @property
    def under_ml_per_kg(self) -> float:
        return self.under_ml / self.weight_kg

    @property
    def over_ml_per_kg(self) -> float:
        return self.over_ml / self.weight_kg


@dataclass(frozen=True, slots=True)
class Judged:
    """A balance [mL] as `OK`, `WARN` or `STOP`, and the sentence that says so."""

    state: str
    words: str


def judged(balance_ml: float, limits: BalanceLimits) -> Judged:
    """Say where a balance stands: inside, drawn ahead, near a limit, or beyond it and by how much."""
    side, limit = ("under", limits.under_ml) if balance_ml < 0 else ("over", limits.over_ml)
    beyond = abs(balance_ml) - limit
    if beyond > 0:
        return Judged(STOP, f"{beyond:.0f} mL beyond the limit {side}; tell the prescriber")
    if -balance_ml >= limits.ahead_ml:
        return Judged(WARN, f"{-balance_ml:.0f} mL drawn ahead; with this flag it is given first")
    if abs(balance_ml) >= NEAR * limit:
        return Judged(WARN, f"near the limit {side}: {-beyond:.0f} mL left")
    return Judged(OK, "inside limits")


def judged_touch(balance_ml: float, *, in_ml: float, out_ml: float, limits: BalanceLimits) -> Judged | None:
    """Say what entering these volumes would do: None where it stays clear of every limit."""
    if out_ml - in_ml > limits.under_ml:
        return Judged(
            STOP, f"{out_ml - in_ml:.0f} mL drawn without return: the limit of one draw is {limits.under_ml:.0f} mL."
        )
    after = judged(balance_ml + in_ml - out_ml, limits)
    if after.state == OK:
        return None
    value = f"{balance_ml + in_ml - out_ml:+.0f}".replace("-", "\u2212")
    return Judged(after.state, f"This would bring the balance to {value} mL, {after.words}.")
