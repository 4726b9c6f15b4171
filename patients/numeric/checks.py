"""What is checked again and again in people who are exchanged, and when it is next due.

How often is a setting of the site, `check_<name>_days`; its ground stands with it in the table of settings.
"""

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date, timedelta

SEVERE = ("SS", "Sb0")
ANTIBODIES_ELSEWHERE = "antibodies_elsewhere"
"""Asked of other hospitals and registers: a screen finds what can be detected today, and antibodies fade."""


@dataclass(frozen=True, slots=True)
class Check:
    """One check. codes: laboratory codes (LOINC, or our own) that are all measured in it. ages: from, to, in years."""

    name: str
    words: str
    codes: tuple[str, ...] = ()
    by_sample: bool = False  # a crossmatch sample counts: the screen is done with it
    ages: tuple[float, float] = (0.0, 200.0)
    genotypes: tuple[str, ...] = ()

    def measured_on(self, newest: Mapping[str, date]) -> date | None:
        """Return since when all of it is measured: the oldest of the newest results by code; None where one lacks."""
        days = [newest.get(code) for code in self.codes]
        known = [day for day in days if day is not None]
        return min(known) if known and len(known) == len(days) else None

    @property
    def setting(self) -> str:
        return f"check_{self.name}_days"

    def applies(self, age_years: float, genotype: str) -> bool:
        """Say whether a person of this age (nan: unknown, taken as in range) and genotype is to have it."""
        outside = age_years < self.ages[0] or age_years > self.ages[1]
        return not outside and (not self.genotypes or genotype in self.genotypes)


CHECKS: tuple[Check, ...] = (
    Check("ferritin", "ferritin", codes=("2276-4",)),
    Check("liver_iron", "liver iron", codes=("own:lic",)),
    Check("heart_iron", "heart iron"),
    Check("antibody_screen", "antibody screen", by_sample=True),
    Check(ANTIBODIES_ELSEWHERE, "antibodies known elsewhere asked for"),
    Check("liver_kidney", "liver and kidney tests", codes=("1742-6", "14682-9")),  # ALT and creatinine
    Check("virology", "hepatitis and HIV serology"),
    Check("eyes", "eyes"),
    Check("echo", "echocardiogram"),
    Check("doppler", "transcranial Doppler", ages=(2.0, 17.0), genotypes=SEVERE),
)
BY_NAME: dict[str, Check] = {check.name: check for check in CHECKS}


@dataclass(frozen=True, slots=True)
class Due:
    """When a check was last done and is next due; `next_on` None where it was never recorded."""

    check: Check
    every_days: int
    last_on: date | None
    next_on: date | None

    def is_overdue(self, today: date) -> bool:
        """Overdue only from a day that is known: what was never recorded here may have been done elsewhere."""
        return self.next_on is not None and self.next_on < today


def due_of(check: Check, every_days: float, last_on: date | None) -> Due | None:
    """Return when `check` is next due after `last_on`; None where the site does not ask for it (every 0 days)."""
    if every_days <= 0:
        return None
    days = round(every_days)
    return Due(check, days, last_on, None if last_on is None else last_on + timedelta(days=days))
