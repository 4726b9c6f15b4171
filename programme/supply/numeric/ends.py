"""Where units went and ended: counts on every way from arrival to the end, and the share wasted with its interval."""

from collections import Counter
from collections.abc import Iterable
from dataclasses import dataclass

from scipy.special import betaincinv

GIVEN, RETURNED, DISCARDED = "given", "returned", "discarded"
ENDS = (GIVEN, RETURNED, DISCARDED)
HERE = "here"
WAYS = (GIVEN, HERE, DISCARDED, RETURNED)
"""What becomes of a unit: one of the ends, or it is still here."""


@dataclass(frozen=True, slots=True)
class Flow:
    """Units that came in a span, each counted once, by whether they were taken to a chair and where they are.

    chair, straight: units by way, of those that were taken to a chair and of those that were not.
    """

    chair: dict[str, int]
    straight: dict[str, int]

    @property
    def came(self) -> int:
        return self.to_chair + self.not_taken

    @property
    def to_chair(self) -> int:
        return sum(self.chair.values())

    @property
    def not_taken(self) -> int:
        return sum(self.straight.values())

    def at(self, way: str) -> int:
        """Units that went this way, by a chair or straight."""
        return self.chair[way] + self.straight[way]

    @property
    def given(self) -> int:
        return self.at(GIVEN)

    @property
    def returned(self) -> int:
        return self.at(RETURNED)

    @property
    def discarded(self) -> int:
        return self.at(DISCARDED)

    @property
    def here(self) -> int:
        """Units that have not ended yet, those at a chair included."""
        return self.at(HERE)

    @property
    def ended(self) -> int:
        return self.came - self.here


def count_flow(units: Iterable[tuple[str, bool]]) -> Flow:
    """Count units by state and whether an issue was recorded.

    A unit that was given or is at a chair was taken there, whether its issue was recorded or not; whatever has not
    ended is still here. Each unit is counted once.
    """
    counted = Counter(
        (issued or state in (GIVEN, "issued"), state if state in ENDS else HERE) for state, issued in units
    )
    return Flow({way: counted[True, way] for way in WAYS}, {way: counted[False, way] for way in WAYS})


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
