"""Kinds of reactions, what defines them, and what severity and imputability may be said together.

Kinds, grades and words: ISBT Working Party on Haemovigilance, definitions for non-infectious reactions (2011), severity
as reprinted in the CDC biovigilance protocol, appendix C. Time windows: the Dutch office TRIP, which gives 12 h for
circulatory overload where older texts give 6. The local kinds are common practice. Who reports what to whom is law and
local policy.
"""

from dataclasses import dataclass

DAY_H = 24.0
GRADE_OF_DEATH = 4
RELATED = ("possible", "probable", "definite")


@dataclass(frozen=True, slots=True)
class Kind:
    """One kind: its name in words, what defines it, and the hours after the blood in which it must begin.

    after_h: more than this; within_h: at most this; inf where no window is part of the definition.
    """

    name: str
    words: str
    means: str
    after_h: float = float("-inf")
    within_h: float = float("inf")
    may_be_haemolysis: bool = False


KINDS: dict[str, Kind] = {
    kind.name: kind
    for kind in (
        Kind("febrile", "febrile, not haemolytic", "a rise of 1 °C or more (2 °C or more: not mild), or rigors, during "
             "or within 2 h, with no other cause", within_h=2.0),
        Kind("allergic", "allergic", "itching, rash, swelling; with airway, breathing or pressure: anaphylactic"),
        Kind("acute_haemolytic", "acute haemolytic", "signs of haemolysis within 24 h", within_h=DAY_H,
             may_be_haemolysis=True),
        Kind("delayed_haemolytic", "delayed haemolytic", "signs of haemolysis after 24 h and up to 28 days",
             after_h=DAY_H, within_h=28 * DAY_H, may_be_haemolysis=True),
        Kind("taco", "circulatory overload (TACO)", "breathlessness, raised pressure, fluid on the lungs within 12 h",
             within_h=12.0),
        Kind("trali", "lung injury (TRALI)", "new low oxygen and shadows on both lungs within 6 h, without overload",
             within_h=6.0),
        Kind("hypotensive", "hypotensive", "pressure falls, and nothing else explains it"),
        Kind("other", "other, or not yet known", "whatever fits none of these, or cannot be told yet"),
        Kind("access", "access: haematoma, infiltration, thrombosis", "the needle or line, not the blood"),
        Kind("vasovagal", "faint (vasovagal)", "pallor, sweating, slow pulse, falling pressure"),
        Kind("citrate", "citrate", "tingling, cramps; from citrate, mostly in automated sessions"),
    )
}  # fmt: skip

SEVERITY: dict[int, str] = {
    1: "non-severe",
    2: "severe: a hospital stay, or treatment to prevent lasting harm",
    3: "life-threatening: major treatment to prevent death",
    4: "death",
}


def kind_words(name: str) -> str:
    """Return a kind in words; a name that is not known as it stands."""
    return KINDS[name].words if name in KINDS else name.replace("_", " ")


def doubts(kind: str, *, hours_after: float | None, temp_rise_c: float | None = None) -> tuple[str, ...]:
    """Return a question where the time or the temperature does not fit the kind; asking never refuses.

    hours_after: from the end of the unit to the first sign [h], 0 or less during it, None where not known. At exactly
    24 h it still is acute, at exactly 28 days still delayed. Raises: KeyError for a kind that is not known.
    """
    row, found = KINDS[kind], []
    if hours_after is not None and hours_after > row.within_h:
        found.append(f"{row.words}: begins within {_long(row.within_h)} by definition, this began later.")
    if hours_after is not None and hours_after <= row.after_h:
        found.append(f"{row.words}: begins more than {_long(row.after_h)} after the blood, this began earlier.")
    if kind == "febrile" and temp_rise_c is not None and temp_rise_c < 1.0:
        found.append(f"febrile: a rise of 1 °C or more by definition; {temp_rise_c:.1f} °C was entered.")
    return tuple(found)


def _long(hours: float) -> str:
    return f"{hours / DAY_H:g} days" if hours > 2 * DAY_H else f"{hours:g} h"


def judgement_faults(severity: int | None, imputability: str) -> dict[str, str]:
    """Return what is wrong with a judgement by field; grade 4 is a death that at least possibly was the blood's."""
    faults = {}
    if severity is not None and severity not in SEVERITY:
        faults["severity"] = f"{severity} is no grade; allowed is 1 to 4."
    if severity == GRADE_OF_DEATH and imputability not in RELATED:
        faults["imputability"] = (
            "Grade 4 is for a death that is possibly, probably or certainly related; else grade what the reaction was."
        )
    return faults
