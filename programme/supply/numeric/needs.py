"""What every unit of an order must be, in the trade's words, and where that has changed or a unit is not so.

Nothing here decides what may stand in for what.
"""

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from typing import Any

from sessions.day.numeric.blood_match import RH_AND_K, Needed, UnitBlood, antigens_of, must_be_negative

MINUS = "\u2212"


@dataclass(frozen=True, slots=True)
class OrderNeeds:
    """What every unit of an order must be, as it stood when the order was drafted or renewed."""

    abo: str
    rhd: str
    negative: tuple[str, ...]
    antibodies: tuple[str, ...]
    hbs_negative: bool
    other: str = ""
    freshest_days: int | None = None

    @property
    def group(self) -> str:
        return group_words(self.abo, self.rhd)

    @property
    def match(self) -> str:
        """The antigens that must be absent, as printed: 'C− E− K− Jk(b)−'."""
        return " ".join(printed_negative(antigen) for antigen in self.negative)

    def words(self) -> str:
        """All of it in a sentence or two."""
        signs = {"+": "D positive", "-": "D negative"}
        parts = [self.abo or "group not recorded", signs.get(self.rhd, "D type not recorded")]
        parts += [self.match] if self.match else []
        parts += ["HbS-negative"] if self.hbs_negative else []
        parts += [f"not older than {self.freshest_days} days if there is a choice"] if self.freshest_days else []
        found = f"Antibodies ever found: {', '.join(self.antibodies)}." if self.antibodies else "No antibody found."
        return f"{', '.join(parts)}. {found}" + (f" Also: {self.other}." if self.other else "")


def group_words(abo: str, rhd: str) -> str:
    """Return 'O +' as it is printed; what is missing is said."""
    sign = {"+": "+", "-": MINUS}.get(rhd, "D?")
    return f"{abo or 'group?'} {sign}"


def printed_negative(antigen: str) -> str:
    """Return an antigen that must be absent as the trade prints it: 'C−', 'Jk(b)−'."""
    bracketed = len(antigen) == 3 and antigen[-1] in "ab" and antigen[0].isupper() and antigen[1].islower()
    return f"{antigen[:2]}({antigen[2]}){MINUS}" if bracketed else f"{antigen}{MINUS}"


def order_needs(needed: Needed, *, other: str = "", freshest_days: int | None = None) -> OrderNeeds:
    """Return what is asked for a person: group, D, every antigen that must be absent, antibodies, the rest.

    Absent must be what an antibody was ever found against, what is recorded as to be avoided, and of Rh and K what the
    person's own cells lack (ASH 2020, Chou et al., Blood Adv 2020;4:327-55, and UK practice, both as quoted).
    """
    return OrderNeeds(
        abo=needed.abo,
        rhd=needed.rhd,
        negative=in_order(must_be_negative(needed)),
        antibodies=needed.antibodies,
        hbs_negative=needed.hbs_negative,
        other=other,
        freshest_days=freshest_days,
    )


def phenotype_of(needs: OrderNeeds) -> str:
    """Return what units must be beside ABO and D, as a blood bank looks for them: 'C− E− K−', 'C− E− K− Jk(b)−'.

    An antibody counts by the antigens that it is against. One that names none is named itself, for only the blood bank
    knows what it asks for. Nearly all units are HbS-negative; where that is not asked, it is said.
    """
    parts = [needs.match or "no antigen to avoid", *unclear_antibodies(needs)]
    return ", ".join(parts + ([] if needs.hbs_negative else ["HbS not asked"]))


def in_order(antigens: Iterable[str]) -> tuple[str, ...]:
    """Return antigens as the trade lists them: Rh and K first, the others by name."""
    first = {antigen: place for place, antigen in enumerate(RH_AND_K)}
    return tuple(sorted(antigens, key=lambda name: (first.get(name, len(first)), name.casefold(), name)))


def needs_to_dict(needs: OrderNeeds) -> dict[str, Any]:
    """Return needs as they are stored with an order."""
    return {
        "abo": needs.abo, "rhd": needs.rhd, "negative": list(needs.negative), "antibodies": list(needs.antibodies),
        "hbs_negative": needs.hbs_negative, "other": needs.other, "freshest_days": needs.freshest_days,
    }  # fmt: skip


def needs_from_dict(stored: Mapping[str, Any]) -> OrderNeeds:
    """Return needs from what is stored with an order."""
    return OrderNeeds(
        abo=stored.get("abo", ""),
        rhd=stored.get("rhd", ""),
        negative=tuple(stored.get("negative", ())),
        antibodies=tuple(stored.get("antibodies", ())),
        hbs_negative=bool(stored.get("hbs_negative", True)),
        other=stored.get("other", ""),
        freshest_days=stored.get("freshest_days"),
    )


def changed_needs(ordered: OrderNeeds, now: OrderNeeds) -> tuple[str, ...]:
    """Return in words what the person needs now that the order does not say, or no longer needs."""
    found = []
    if (ordered.abo, ordered.rhd) != (now.abo, now.rhd):
        found.append(f"group {ordered.group} was ordered, {now.group} is recorded now")
    more = [printed_negative(one) for one in now.negative if one not in ordered.negative]
    less = [printed_negative(one) for one in ordered.negative if one not in now.negative]
    found += [f"{' '.join(more)} must be matched too"] if more else []
    found += [f"{' '.join(less)} was ordered and is no longer asked for"] if less else []
    new = [name for name in now.antibodies if name not in ordered.antibodies]
    found += [f"{', '.join(new)} found since"] if new else []
    if ordered.hbs_negative != now.hbs_negative:
        found.append("HbS-negative is asked for now" if now.hbs_negative else "HbS-negative is no longer asked for")
    if ordered.other != now.other:
        found.append(f"other needs are now: {now.other or 'none'}")
    return tuple(found)


def unclear_antibodies(needs: OrderNeeds) -> tuple[str, ...]:
    """Return antibodies whose name says no antigen: only the blood bank can say what they ask for."""
    return tuple(name for name in needs.antibodies if not antigens_of(name))


def unit_differences(unit: UnitBlood, needs: OrderNeeds, *, age_days: int | None) -> tuple[str, ...]:
    """Return in words where a unit is not as it was asked for. Whether it may be given is not said here.

    age_days: since the donation, None where that day was not entered.
    """
    found = []
    if (unit.abo, unit.rhd) != (needs.abo, needs.rhd):
        sign = {"+": "+", "-": MINUS}.get(unit.rhd, "")
        said = f"group {unit.abo} {sign}".strip() if unit.abo else "group not entered"
        found.append(f"{said}, {needs.group} was asked for")
    wrong = [one for one in needs.negative if one in unit.positive]
    unstated = [one for one in needs.negative if one not in unit.positive | unit.negative]
    found += [f"{', '.join(wrong)} positive, asked for negative"] if wrong else []
    found += [f"not entered as negative: {', '.join(unstated)}"] if unstated else []
    if needs.hbs_negative and not unit.hbs_negative:
        found.append("HbS-negative not entered" if unit.hbs_negative is None else "not HbS-negative")
    if needs.freshest_days and age_days is not None and age_days > needs.freshest_days:
        found.append(f"{age_days} days old, not over {needs.freshest_days} was asked for")
    return tuple(found)
