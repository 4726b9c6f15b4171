"""Until when a record is kept: the latest of all days that a rule of the unit asks for. It deletes nothing."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date


@dataclass(frozen=True, slots=True)
class Rules:
    """Site settings in years: after the last contact, until an age, after the last red cells."""

    after_contact_years: int
    until_age_years: int
    after_blood_years: int


@dataclass(frozen=True, slots=True)
class Known:
    """What the rules go by. None: not recorded; of red cells, none were given."""

    born: date | None
    last_contact: date | None
    last_blood: date | None


@dataclass(frozen=True, slots=True)
class Kept:
    """until: the last day on which the record must be kept, None where that cannot be said. because: which rule."""

    until: date | None
    because: str


def years_after(day: date, years: int) -> date:
    """Return the same day of a later year; of 29 February the 1 March where there is none."""
    try:
        return day.replace(year=day.year + years)
    except ValueError:
        return date(day.year + years, 3, 1)


def kept_until(known: Known, rules: Rules) -> Kept:
    """Return until when a record is kept. Without birth date or any contact it cannot be said, so it is not past."""
    if known.born is None:
        return Kept(None, "no birth date is recorded")
    if known.last_contact is None:
        return Kept(None, "no contact is recorded")
    days = [
        (years_after(known.last_contact, rules.after_contact_years),
         f"{rules.after_contact_years} years after the last contact"),
        (years_after(known.born, rules.until_age_years), f"until the age of {rules.until_age_years}"),
    ]  # fmt: skip
    if known.last_blood is not None:
        days.append((years_after(known.last_blood, rules.after_blood_years),
                     f"{rules.after_blood_years} years after the last red cells"))  # fmt: skip
    until, because = max(days)
    return Kept(until, because)
