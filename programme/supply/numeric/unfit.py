"""Units that came in, held against the person and the day they are for, by the same rules as at the chair."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, replace
from datetime import date

from sessions.day.numeric.blood_match import STOP, Needed, UnitBlood, differences, must_be_negative


@dataclass(frozen=True, slots=True)
class UnitHere:
    """A unit that waits for the person. number: as it is printed. expires_on: None where it was not entered."""

    number: str
    blood: UnitBlood
    expires_on: date | None


@dataclass(frozen=True, slots=True)
class Unfit:
    """What speaks against units, each in words with its number.

    refused: the chair would refuse it. expired: by the day of the session. unstated: what must be known and was not
    entered, so that nobody here can say whether it fits.
    """

    refused: tuple[str, ...] = ()
    expired: tuple[str, ...] = ()
    unstated: tuple[str, ...] = ()


def unfit(units: Iterable[UnitHere], needed: Needed, session_on: date) -> Unfit:
    """Return what speaks against units that are here for a person and a day.

    A unit whose label was not entered whole is held against the rest of it, as if what is missing fitted.
    """
    refused, expired, unstated = [], [], []
    for unit in units:
        against = _against(unit, needed)
        refused += [f"{unit.number}: {' '.join(against)}"] if against else []
        if unit.expires_on is not None and unit.expires_on < session_on:
            expired.append(f"{unit.number} expires on {unit.expires_on:%a} {unit.expires_on.day} {unit.expires_on:%b}")
        missing = _missing(unit, needed)
        unstated += [f"{unit.number}: {', '.join(missing)}"] if missing else []
    return Unfit(tuple(refused), tuple(expired), tuple(unstated))


def _against(unit: UnitHere, needed: Needed) -> list[str]:
    """Why the chair would refuse it; that the person's own group is not recorded is said of the order instead."""
    recorded = bool(needed.abo and needed.rhd)
    found = (one for one in differences(_filled(unit.blood, needed), needed) if one.state == STOP)
    return [one.words.removesuffix(" Do not give.") for one in found if recorded or one.field != "group"]


def _filled(blood: UnitBlood, needed: Needed) -> UnitBlood:
    wanted = frozenset(must_be_negative(needed))
    return replace(
        blood,
        abo=blood.abo or needed.abo,
        rhd=blood.rhd or needed.rhd,
        negative=blood.negative | (wanted - blood.positive),
        hbs_negative=True if blood.hbs_negative is None else blood.hbs_negative,
    )


def _missing(unit: UnitHere, needed: Needed) -> list[str]:
    known = unit.blood.negative | unit.blood.positive
    antigens = [antigen for antigen in must_be_negative(needed) if antigen not in known]
    parts = [] if unit.blood.abo and unit.blood.rhd else ["group"]
    parts += antigens
    parts += ["HbS"] if needed.hbs_negative and unit.blood.hbs_negative is None else []
    return parts + (["day of expiry"] if unit.expires_on is None else [])
