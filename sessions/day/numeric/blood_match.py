"""Whether a red cell unit may be given to a person: group, Rh and K, every antibody ever found, HbS.

Units match ABO, D, C, c, E, e and K, are negative for every antibody ever found, even one that can no longer be found,
and HbS-negative where the person needs it: ASH 2020 (Chou et al., Blood Adv 2020;4:327-55) and UK practice, both as
quoted by others. Which ABO groups may be given to which is common knowledge of the trade. Local policy decides beyond.
"""

import re
from collections.abc import Iterable
from dataclasses import dataclass

MAY_GIVE = {"O": ("O",), "A": ("A", "O"), "B": ("B", "O"), "AB": ("AB", "A", "B", "O")}
"""ABO groups of red cells that a person may be given, by the person's own group; the same group first."""

RH_AND_K = ("C", "c", "E", "e", "K")
ONE_LETTER = ("D", "C", "c", "E", "e", "K", "k", "M", "N", "S", "s", "U", "V", "f", "G")
LONGER = (
    "Cw", "Kpa", "Kpb", "Jsa", "Jsb", "Fya", "Fyb", "Fy3", "Jka", "Jkb", "Jk3", "Lea", "Leb", "Lua", "Lub", "P1", "VS",
    "Doa", "Dob", "Dia", "Dib", "Wra", "Cob", "Yta", "Ytb", "hrS", "hrB", "Goa", "Vel",
)  # fmt: skip
NOT_RED_CELL = ("HLA", "HPA", "HNA")
_BY_FOLDED = {name.casefold(): name for name in LONGER}
_ANTI = re.compile(r"^\s*(?:allo)?[-\s]?anti[-\s]*", re.IGNORECASE)
_OWN_NEGATIVE = re.compile(r"(?<![A-Za-z(])([CcEeK])\s*[-\u2212]")
_TYPED = re.compile(r"([A-Za-z][A-Za-z0-9()^]*)\s*([-\u2212+]?)")

FEW_DONORS_LACK = frozenset({"k", "U", "Kpb", "Jsb", "Lub", "Fy3", "Jk3", "Vel", "Yta", "hrB", "hrS", "Dib", "Wrb"})
"""Antigens that nearly every donor carries: units without them are searched for far ahead. From memory."""

STOP, ASK = "stop", "ask"


@dataclass(frozen=True, slots=True)
class Needed:
    """What blood a person must have. Antibodies are names as recorded, such as 'anti-Jk(b)'; own_type such as 'C- E-'.

    abo or rhd empty: not recorded, so nothing can be matched.
    """

    abo: str
    rhd: str
    own_type: str = ""
    antigens_to_avoid: str = ""
    hbs_negative: bool = True
    antibodies: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class UnitBlood:
    """What a unit is stated to be. hbs_negative None: not stated."""

    abo: str
    rhd: str
    negative: frozenset[str] = frozenset()
    positive: frozenset[str] = frozenset()
    hbs_negative: bool | None = None


@dataclass(frozen=True, slots=True)
class Difference:
    """One thing in which unit and person differ: STOP refuses, ASK wants a second look. `field`: where it belongs."""

    state: str
    field: str
    words: str


def antigen_named(name: str) -> str | None:
    """Return the antigen in 'anti-Jk(b)', 'Jkb', 'jk(b)' or 'E' as it is written here; None where it names none.

    Letters that stand alone are told apart by their case (C and c are two antigens); longer names are not. A name that
    begins with 'anti-' is taken as an antigen even where it is rare and not listed here.
    """
    bare = _ANTI.sub("", name)
    key = re.sub(r"[()\s^]", "", bare).rstrip("-\u2212+")
    if key.upper().startswith(NOT_RED_CELL):
        return None
    if key in ONE_LETTER:
        return key
    known = _BY_FOLDED.get(key.casefold())
    if known is not None:
        return known
    return key if bare != name and key and " " not in bare.strip() else None  # rare, but it is named


def must_be_negative(needed: Needed) -> dict[str, str]:
    """Return every antigen that a unit must be stated negative for, with why; D is judged with the group."""
    wanted: dict[str, str] = {}
    for name in needed.antibodies:
        for antigen in antigens_of(name):
            if antigen != "D":
                wanted.setdefault(antigen, f"{name.strip()} was found")
    for antigen in antigens_in(needed.antigens_to_avoid):
        if antigen != "D":
            wanted.setdefault(antigen, "units for this person must be")
    for antigen in _OWN_NEGATIVE.findall(needed.own_type):
        wanted.setdefault(antigen, f"own type {antigen}\u2212, Rh and K are matched")
    return wanted


def is_rare(needed: Needed) -> bool:
    """Return whether few donors have blood that this person may have."""
    return not FEW_DONORS_LACK.isdisjoint(must_be_negative(needed))


def antigens_of(antibody: str) -> tuple[str, ...]:
    """Return every antigen that an antibody's name says: 'anti-c+E' and 'anti-CD' name two, 'auto' none."""
    found: list[str] = []
    for part in re.split(r"[+,/&]| and ", antibody):
        one = part if _ANTI.match(part) or not _ANTI.match(antibody) else f"anti-{part.strip()}"
        antigen = antigen_named(one)
        if antigen and re.fullmatch(r"[CcEeD]*D[CcEe]*", antigen):  # 'anti-CD' is short for both
            found += antigen
        elif antigen:
            found.append(antigen)
    return tuple(dict.fromkeys(found))


def antigens_in(text: str) -> tuple[str, ...]:
    """Return the antigens in a list such as 'C, E, K' or 'C- E- Jk(b)-', as written here, in order and once each."""
    found = [antigen_named(part) or part.rstrip("-\u2212+") for part in re.split(r"[,;\s]+", text) if part]
    return tuple(dict.fromkeys(found))


def typed_antigens(text: str) -> tuple[frozenset[str], frozenset[str]]:
    """Return (negative, positive) in what a unit's label says, such as 'C- E- K- Fy(a)+'; without a sign: negative."""
    negative: set[str] = set()
    positive: set[str] = set()
    for name, sign in _TYPED.findall(text):
        antigen = antigen_named(name) or name
        (positive if sign == "+" else negative).add(antigen)
    return frozenset(negative), frozenset(positive)


def differences(unit: UnitBlood, needed: Needed) -> tuple[Difference, ...]:
    """Return everything in which a unit differs from what the person must have, refusals first; nothing if it fits."""
    found = [
        *_group(unit, needed),
        *_antigens(unit, needed),
        *_hbs(unit, needed),
        *_unmatched(needed),
        *_unnamed(needed),
    ]
    return tuple(sorted(found, key=lambda one: one.state == ASK))


def _group(unit: UnitBlood, needed: Needed) -> list[Difference]:
    if not needed.abo or not needed.rhd:
        missing = "group" if not needed.abo else "D type"
        return [Difference(STOP, "group", f"The person's {missing} is not recorded: no unit can be matched.")]
    found = []
    if unit.abo not in MAY_GIVE.get(needed.abo, ()):
        allowed = " or ".join(MAY_GIVE.get(needed.abo, ()))
        found.append(
            Difference(STOP, "group", f"Wrong group: the unit is {unit.abo}, allowed is {allowed}. Do not give.")
        )
    elif unit.abo != needed.abo:
        words = f"The unit is group {unit.abo}, the person {needed.abo}: compatible, not the same. Was it meant?"
        found.append(Difference(ASK, "group", words))
    against_d = any("D" in antigens_of(name) for name in needed.antibodies)
    if unit.rhd == "+" and (needed.rhd == "-" or against_d):
        why = "anti-D was found" if against_d else "the person is D negative"
        found.append(Difference(STOP, "group", f"Wrong D type: the unit is D positive, {why}. Do not give."))
    return found


def _antigens(unit: UnitBlood, needed: Needed) -> list[Difference]:
    wanted = must_be_negative(needed)
    found = []
    for antigen, why in wanted.items():
        if antigen in unit.positive:
            words = f"The unit is {antigen} positive, and must be negative: {why}. Do not give."
            found.append(Difference(STOP, "negative", words))
    unstated = {antigen: why for antigen, why in wanted.items() if antigen not in unit.negative | unit.positive}
    if unstated:
        named = "; ".join(f"{antigen} ({why})" for antigen, why in unstated.items())
        words = f"Must be negative, and is not stated for this unit: {named}. Read the label, or ask the laboratory."
        found.append(Difference(STOP, "negative", words))
    return found


def _hbs(unit: UnitBlood, needed: Needed) -> list[Difference]:
    if not needed.hbs_negative or unit.hbs_negative:
        return []
    if unit.hbs_negative is None:
        words = "HbS must be negative, and is not stated for this unit. Read the label, or ask the laboratory."
        return [Difference(STOP, "hbs", words)]
    return [Difference(STOP, "hbs", "The unit is from a donor with HbS; this person needs HbS-negative. Do not give.")]


def _unmatched(needed: Needed) -> list[Difference]:
    """Where nothing is recorded of the person's Rh and K type, no label can show that a unit matches it."""
    avoided = set(antigens_in(needed.antigens_to_avoid)) & set(RH_AND_K)
    if needed.own_type.strip() or avoided:
        return []
    words = (
        "The person's C, c, E, e and K type is not recorded: Rh and K cannot be matched here. Has the laboratory "
        "matched this unit?"
    )
    return [Difference(ASK, "negative", words)]


def _unnamed(needed: Needed) -> list[Difference]:
    """Antibodies whose name says no antigen: nobody can match them from a label."""
    unclear = [name for name in needed.antibodies if not antigens_of(name)]
    return [
        Difference(ASK, "negative", f"{name}: names no antigen; the laboratory must have found this unit compatible.")
        for name in unclear
    ]


def negatives_written(antigens: Iterable[str]) -> str:
    """Return antigens as they are stored with a unit: 'C, E, K'."""
    return ", ".join(sorted(set(antigens), key=lambda name: (name.casefold(), name)))
