"""Where units ended: counts, and the share that was wasted with its exact interval."""

from collections.abc import Iterable
from dataclasses import dataclass

from scipy.special import betaincinv

GIVEN, RETURNED, DISCARDED = "given", "returned", "discarded"


@dataclass(frozen=True, slots=True)
class Ends:
    """Units that came in a span, each counted once: given, returned, discarded, or still here."""

    came: int
    given: int
    returned: int
    discarded: int

    @property
    def here(self) -> int:
        """Units that have not ended yet."""
        return self.came - self.given - self.returned - self.discarded


def count_ends(states: Iterable[str]) -> Ends:
    """Count units by their state; whatever has not ended is still here."""
    found = list(states)
    return Ends(len(found), found.count(GIVEN), found.count(RETURNED), found.count(DISCARDED))


def exact_interval(count: int, of: int, *, level: float = 0.95) -> tuple[float, float]:
    """Exact interval of a share (Clopper and Pearson, Biometrika 1934;26:404-13), both 0 to 1.

    Units of one order may share their fate, so the true interval is rather wider. Raises ValueError for a count outside
    0 to `of`, or of nothing.
    """
    if not 0 <= count <= of or of < 1:
        raise ValueError(f"{count} of {of} is no share")
    tail = (1.0 - level) / 2.0
    low = float(betaincinv(count, of - count + 1, tail)) if count else 0.0
    high = float(betaincinv(count + 1, of - count, 1.0 - tail)) if count < of else 1.0
    return low, high
