"""What is asked before an exchange is started, and which answers stop it.

Name and birth date are asked of the person and held against the wristband; a systolic pressure under the site's stop
allows no exchange (under 90 mmHg in a local protocol of a US hospital, scribd.com/doc/134704004); observations are at
most 60 minutes old (Royal Marsden Manual, 12.21). The rest is common practice. Local policy decides: where the
prescriber may let it go on, the reason is kept with the session.
"""

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date

from sessions.day.numeric.volume_stops import SMALL_BODY_KG

GROWN_YEARS = 18.0
FEVER_C = 38.0
LOW_PRESSURE = (
    "no exchange. Usual next steps: lie the person flat, measure again by hand with a cuff that fits; if it stays low, "
    "call the prescriber, who looks for the cause, then start later or cancel with the reason. Local policy decides."
)
"""What usually is done is common practice."""

YES, NO, NOT_ASKED = "yes", "no", ""
ACCESS_IN, ACCESS_FAILED = "in", "failed"
HELD, NOT_HELD, NONE_TO_HOLD = "held", "not_held", "none"
PREGNANT, NOT_PREGNANT, MAY_BE, CANNOT_BE = "pregnant", "not_pregnant", "may_be", "cannot_be"


@dataclass(frozen=True, slots=True)
class Answers:
    """What was answered and what is recorded. `NOT_ASKED` where nothing was chosen.

    wristband: as scanned or typed. weight_age_days: None where no weight is recorded. observations_age_min: how long
    before the start they were taken [min]. systolic_mmhg, temp_c: None where not measured. no_unit: why no unit could
    be started now, '' where one could.
    """

    name_and_birth: str
    wristband: str
    patient_ref: str
    consent_until: date | None
    today: date
    infection: str
    pregnancy: str
    access: str
    medicines: str
    systolic_mmhg: float | None
    temp_c: float | None
    observations_age_min: float
    weight_kg: float
    weight_age_days: int | None
    age_years: float | None
    no_unit: str = ""


@dataclass(frozen=True, slots=True)
class Finding:
    """One answer that stands in the way. `may_go_on`: with a prescriber's reason."""

    name: str
    words: str
    may_go_on: bool = False


def findings(answers: Answers, settings: Mapping[str, float]) -> tuple[Finding, ...]:
    """Return everything that stands in the way of starting, worst first; nothing where the session may start.

    settings: site settings by name. Raises KeyError for a missing one.
    """
    found = [*_who(answers), *_now(answers, settings), *_weight(answers, settings), *_for_the_prescriber(answers)]
    return tuple(sorted(found, key=lambda finding: finding.may_go_on))


def _who(answers: Answers) -> list[Finding]:
    found = []
    if answers.name_and_birth != YES:
        found.append(
            Finding("name_and_birth", "Ask the person for name and birth date, and hold both against this page.")
        )
    worn = answers.wristband.strip()
    if not worn:
        found.append(Finding("wristband", "Scan the wristband, or type the reference that stands on it."))
    elif worn.casefold() != answers.patient_ref.casefold():
        found.append(
            Finding(
                "wristband", f"The wristband says {worn[:40]}, this page is {answers.patient_ref}: not the same person."
            )
        )
    return found


def _now(answers: Answers, settings: Mapping[str, float]) -> list[Finding]:
    found = []
    limit = settings["systolic_stop_mmhg"]
    if answers.systolic_mmhg is None:
        found.append(Finding("bp_sys", "Measure the blood pressure before the start."))
    elif answers.systolic_mmhg < limit:
        found.append(Finding("bp_sys", f"Systolic {answers.systolic_mmhg:g} mmHg, under {limit:g}: {LOW_PRESSURE}"))
    most = settings["observation_before_min"]
    if not 0.0 <= answers.observations_age_min <= most:
        found.append(
            Finding(
                "taken_at",
                f"Observations count when taken within {most:g} min before the start; these are "
                f"{answers.observations_age_min:.0f} min old. Take them again.",
            )
        )
    if answers.access == ACCESS_FAILED:
        found.append(
            Finding(
                "access",
                "Without access nothing can start. Usual next steps: another site or ultrasound, somebody experienced, "
                "the port or a line; else tell the prescriber and cancel with the reason. Local policy decides.",
            )
        )
    elif answers.access != ACCESS_IN:
        found.append(Finding("access", "Say whether access is in and tested."))
    return found


def is_small(weight_kg: float, age_years: float | None) -> bool:
    """Say whether the rules for children hold: under 18 years or 40 kg."""
    return weight_kg < SMALL_BODY_KG or (age_years is not None and age_years < GROWN_YEARS)


def weight_holds_days(weight_kg: float, age_years: float | None, settings: Mapping[str, float]) -> float:
    """Return for how many days a weight holds: fewer in children, who grow."""
    return settings["weight_stale_child_days" if is_small(weight_kg, age_years) else "weight_stale_days"]


def _weight(answers: Answers, settings: Mapping[str, float]) -> list[Finding]:
    small = is_small(answers.weight_kg, answers.age_years)
    most = weight_holds_days(answers.weight_kg, answers.age_years, settings)
    if answers.weight_age_days is not None and answers.weight_age_days <= most:
        return []
    age = "never recorded" if answers.weight_age_days is None else f"{answers.weight_age_days} days old"
    whose = " under 18 years or 40 kg" if small else ""
    words = f"The weight is {age}; allowed is up to {most:g} days{whose}. Weigh again."
    return [Finding("weight", words, may_go_on=not small)]


def _for_the_prescriber(answers: Answers) -> list[Finding]:
    found = []
    if answers.no_unit:
        words = f"{answers.no_unit} Once blood is drawn red cells must be able to follow: see to it before the start."
        found.append(Finding("blood", words, may_go_on=True))
    if answers.consent_until is None or answers.consent_until < answers.today:
        found.append(Finding("consent", "No consent is in date: ask for it and record it.", may_go_on=True))
    hot = answers.temp_c is not None and answers.temp_c >= FEVER_C
    if answers.infection != NO or hot:
        words = {NOT_ASKED: "Ask about fever and infection.", YES: "Fever or infection."}.get(answers.infection, "")
        if hot and answers.infection != YES:
            words = f"{words} Temperature {answers.temp_c:g} °C."
        found.append(
            Finding("infection", f"{words.strip()} The prescriber decides.", may_go_on=answers.infection != NOT_ASKED)
        )
    if answers.pregnancy in (NOT_ASKED, MAY_BE):
        found.append(
            Finding(
                "pregnancy",
                "Whether she is pregnant must be known: volumes and goals change.",
                answers.pregnancy == MAY_BE,
            )
        )
    elif answers.pregnancy == PREGNANT:
        words = "Pregnant: the volume formulas do not hold. The prescriber sets volume and goals."
        found.append(Finding("pregnancy", words, may_go_on=True))
    if answers.medicines not in (HELD, NONE_TO_HOLD):
        words = (
            "A medicine that should have been held was taken."
            if answers.medicines == NOT_HELD
            else "Ask about medicines to hold."
        )
        found.append(Finding("medicines", words, may_go_on=answers.medicines == NOT_HELD))
    return found
