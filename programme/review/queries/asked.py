"""Which days and people a review is about."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date, timedelta

YEAR = timedelta(days=365)


@dataclass(frozen=True, slots=True)
class Asked:
    """A span of days, both included; one genotype or all (''); by: how people are taken apart, or ''."""

    start: date
    end: date
    genotype: str = ""
    by: str = ""

    @property
    def shift(self) -> timedelta:
        """How far back the span lies that this one is held against: a year, for longer spans their own length."""
        whole = self.end - self.start
        return YEAR if whole <= YEAR else whole + timedelta(days=1)

    @property
    def before_words(self) -> str:
        return "year before" if self.shift == YEAR else "as long before"
