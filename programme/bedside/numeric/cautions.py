"""What is said beside a plan at the right moment: what is unusual today, and what usually is done about it.

Each sentence ends in the hands of people: 'local policy decides'. Sources: the top-up and the rules of thumb in
`sessions.numeric.smallvolumes`; drawing at the end where Hb starts near or above 100 g/L, Swerdlow PS, Hematology ASH
Educ Program 2006:48-53; 10 mL/kg saline, at most 500 mL, for the dehydrated is common practice.
"""

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date, datetime, timedelta

from sessions.day.numeric.volume_stops import SMALL_BODY_KG
from sessions.numeric.smallvolumes import topup

ENDS_SHORT_ML_PER_KG = 2.0
"""A plan that ends so much short is said to. Chosen here; not from a source."""
DRAWN_AHEAD_ML_PER_KG = 2.0
"""With a flag, through one arm, so much drawn ahead of what is given is said. Chosen here; not from a source."""
HIGH_START_G_L = 100.0
GROWN_YEARS = 18.0
DEHYDRATED_ML_PER_KG, DEHYDRATED_MOST_ML = 10.0, 500.0
LOCAL = "Local policy decides."
NOTE, CHECK = "note-1", "check"
MOST_HOURS_BETWEEN_UNITS = 1.0


@dataclass(frozen=True, slots=True)
class Today:
    """What is known of the person on the day of the session; None where nothing is recorded. [kg, mL, g/L, %]

    tops_up: whether the plan begins with red cells given without drawing. ends_ml: its balance at the end.
    drawn_ahead_ml: of somebody with a flag, through one arm: the greatest deficit on the way; 0 for all others.
    last_reaction: in words, '' for none.
    sample_until: up to then a unit may be started on the newest sample (`unit_clocks`). needed_hours: to the end.
    """

    on: date
    now: datetime
    weight_kg: float
    weight_on: date | None
    age_years: float | None
    blood_volume_ml: float
    hb_g_l: float
    hb_measured: bool
    hbs_pct: float
    hbs_is_forecast: bool
    end_target_pct: float | None
    unit_hb_g_l: float
    tops_up: bool
    ends_ml: float
    drawn_ahead_ml: float
    dehydrated: bool
    antibodies: tuple[str, ...]
    sickle_negative: bool | None
    group_recorded: bool
    last_reaction: str
    sample_taken: datetime | None
    sample_until: datetime | None
    needed_hours: float
    consent_until: date | None


@dataclass(frozen=True, slots=True)
class Caution:
    """One sentence beside the plan; level: 'check' or 'note-1'."""

    name: str
    level: str
    words: str


def cautions(today: Today, settings: Mapping[str, float]) -> tuple[Caution, ...]:
    """Return everything that is said beside the plan, what to check first. settings: of the site, by name."""
    found = [
        *_start(today, settings), *_body(today, settings), *_blood(today), *_sample(today), *_consent(today),
        *_figures(today), *_length(today, settings),
    ]  # fmt: skip
    return tuple(sorted(found, key=lambda caution: caution.level != CHECK))


def _start(today: Today, settings: Mapping[str, float]) -> list[Caution]:
    found = []
    low, floor = settings["low_start_hb_g_l"], settings["hb_floor_warn_g_l"]
    if today.hb_g_l < low:
        given = topup(
            blood_volume_ml=today.blood_volume_ml, weight_kg=today.weight_kg, hb_g_l=today.hb_g_l,
            rise_g_l=max(min(floor - today.hb_g_l, 20.0), 0.0), unit_hb_g_l=today.unit_hb_g_l,
        )  # fmt: skip
        words = (
            f"Low start: Hb {today.hb_g_l:.0f}, under {low:.0f} g/L. Usually a small top-up comes first: about "
            f"{float(given.settled_ml):.0f} mL by arithmetic, {float(given.rule_ml):.0f} mL by the rule of 3 mL/kg for "
            f"10 g/L, {float(given.measured_low_ml):.0f} to {float(given.measured_high_ml):.0f} mL as measured. "
        )
        words += "" if today.tops_up else "This plan does not begin with one. "
        found.append(Caution("low_start", CHECK, words + LOCAL))
    if today.hb_g_l >= HIGH_START_G_L:
        words = (
            f"High start: Hb {today.hb_g_l:.0f} g/L. Usually blood is drawn without full return, so that Hb "
            f"does not end "
            f"higher than it should. {LOCAL}"
        )
        found.append(Caution("high_start", CHECK, words))
    if today.ends_ml <= -ENDS_SHORT_ML_PER_KG * today.weight_kg:
        words = (
            f"This plan ends {-today.ends_ml:.0f} mL short, {-today.ends_ml / today.weight_kg:.1f} mL/kg and "
            f"{-100.0 * today.ends_ml / today.blood_volume_ml:.0f} in 100 of the blood volume: nothing is given back "
            f"for it. Usually that is drawn last and slowly, blood pressure is taken lying and sitting, and the person "
            f"drinks and rests before going home; some units give part of it back as saline. {LOCAL}"
        )
        found.append(Caution("ends_short", CHECK, words))
    found += drawn_first(today.drawn_ahead_ml, today.weight_kg)
    if today.dehydrated:
        volume = min(DEHYDRATED_ML_PER_KG * today.weight_kg, DEHYDRATED_MOST_ML)
        words = (
            f"Dehydrated: usually 10 mL/kg of saline, here {volume:.0f} mL, goes in before anything is drawn, "
            f"and Hb is "
            f"measured again, for it falls. {LOCAL}"
        )
        found.append(Caution("dehydrated", CHECK, words))
    return found


def drawn_first(ahead_ml: float, weight_kg: float) -> tuple[Caution, ...]:
    """Return what is said where somebody with a flag is drawn so far ahead of what is given; () where they are not."""
    if ahead_ml < DRAWN_AHEAD_ML_PER_KG * weight_kg:
        return ()
    words = (
        f"Drawn first: up to {ahead_ml:.0f} mL more is drawn than was given before it. With this person’s flag what is "
        f"given through one arm usually goes in first and is drawn after, so that they are not left short of volume on "
        f"the way. {LOCAL}"
    )
    return (Caution("drawn_first", CHECK, words),)


def _body(today: Today, settings: Mapping[str, float]) -> list[Caution]:
    found = []
    if today.weight_kg < SMALL_BODY_KG:
        words = (
            f"{today.weight_kg:.1f} kg, under 40: smaller draws and volumes are allowed, and what goes in "
            f"usually goes by "
            f"pump. {LOCAL}"
        )
        found.append(Caution("small_body", CHECK, words))
    child = today.weight_kg < SMALL_BODY_KG or (today.age_years is not None and today.age_years < GROWN_YEARS)
    most = settings["weight_stale_child_days" if child else "weight_stale_days"]
    age = None if today.weight_on is None else (today.on - today.weight_on).days
    if age is None or age > most:
        old = "never recorded apart from sessions" if age is None else f"{age} days old"
        words = (
            f"The weight is {old}; up to {most:.0f} days are allowed{' here' if child else ''}. Weigh today. {LOCAL}"
        )
        found.append(Caution("weight", CHECK, words))
    return found


def _blood(today: Today) -> list[Caution]:
    found = []
    if today.last_reaction:
        words = (
            f"{today.last_reaction}. Usually the prescriber looks at it before more red cells, the first 15 "
            f"minutes of each "
            f"unit go slowly, and the laboratory is told. {LOCAL}"
        )
        found.append(Caution("reaction", CHECK, words))
    if not today.group_recorded:
        found.append(Caution("group", CHECK, "The blood group is not recorded: no unit can be checked against it."))
    if today.antibodies:
        words = (
            f"Antibodies ever found: {', '.join(today.antibodies)}. Units must lack these antigens even when "
            f"the antibody "
            f"cannot be found now; the laboratory is told early. {LOCAL}"
        )
        found.append(Caution("antibody", NOTE, words))
    if today.sickle_negative:
        found.append(Caution("sickle_negative", NOTE, f"Units must be HbS-negative. {LOCAL}"))
    return found


def _sample(today: Today) -> list[Caution]:
    if today.sample_taken is None or today.sample_until is None:
        return [
            Caution("sample", CHECK, f"No crossmatch sample is recorded: send one before blood is asked for. {LOCAL}")
        ]
    taken = f"{today.sample_taken:%a} {today.sample_taken.day} {today.sample_taken:%b %H:%M}"
    until = f"{today.sample_until:%a} {today.sample_until.day} {today.sample_until:%b %H:%M}"
    first = max(today.now, datetime(today.on.year, today.on.month, today.on.day, 8, tzinfo=today.now.tzinfo))
    last = first + timedelta(hours=max(today.needed_hours - MOST_HOURS_BETWEEN_UNITS, 0.0))
    if today.sample_until < last:
        words = f"The crossmatch sample of {taken} holds until {until}, not to the last unit: send a new one. {LOCAL}"
        return [Caution("sample", CHECK, words)]
    words = f"Crossmatch sample taken {taken}; the last unit must be started by {until}."
    return [Caution("sample", NOTE, words)]


def _length(today: Today, settings: Mapping[str, float]) -> list[Caution]:
    most = settings["hours_session_most"]
    if today.needed_hours <= most:
        return []
    words = (
        f"Long: about {today.needed_hours:.1f} h from the first unit to the last at this unit's usual pace, over "
        f"{most:g} h. Usual ways: fewer units, both arms, or two days. {LOCAL}"
    )
    return [Caution("length", CHECK, words)]


def _consent(today: Today) -> list[Caution]:
    if today.consent_until is None:
        return [Caution("consent", CHECK, f"No consent is recorded: ask for it before the start. {LOCAL}")]
    if today.consent_until < today.on:
        until = f"{today.consent_until.day} {today.consent_until:%b %Y}"
        return [Caution("consent", CHECK, f"Consent was in date until {until}: ask for it again. {LOCAL}")]
    return []


def _figures(today: Today) -> list[Caution]:
    found = []
    if not today.hb_measured:
        words = "Hb before is expected, not measured: a plan is signed on a measured Hb only."
        found.append(Caution("hb_expected", CHECK, words))
    if today.hbs_is_forecast:
        words = (
            "HbS before is forecast. The plan may be signed on it; when the result comes, what the session does "
            "is reckoned "
            "again and the plan stays as it was signed."
        )
        found.append(Caution("hbs_forecast", NOTE, words))
    if today.end_target_pct is not None and today.hbs_pct <= today.end_target_pct:
        words = (
            f"HbS is {today.hbs_pct:.1f} % before the session, not over the {today.end_target_pct:.1f} % at which it "
            f"should end. Usually the session waits for its day, unless something else asks for it. {LOCAL}"
        )
        found.append(Caution("low_already", CHECK, words))
    return found
