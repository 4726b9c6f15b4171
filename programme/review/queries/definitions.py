"""What each measure counts, in words, with its unit, scale and interval method."""

from __future__ import annotations

from dataclasses import dataclass

BY_PERSON = "persons resampled"
EXACT = "exact"
ONE_EACH = "Wilson, one a person"


@dataclass(frozen=True, slots=True)
class Definition:
    """One measure. counted: what stands between and after the two counts; times: what the ratio is multiplied by.

    most: end of the drawn scale. aim: its setting, or ''.
    """

    key: str
    name: str
    words: str
    counted: tuple[str, str]
    missing: str
    how: str = BY_PERSON
    times: float = 100.0
    unit: str = "%"
    most: float = 100.0
    places: int = 1
    aim: str = ""

    @property
    def is_share(self) -> bool:
        return self.unit == "%"

    @property
    def denominator_places(self) -> int:
        return 1 if self.counted[1] == "person-years" else 0


DEFINITIONS = (
    Definition(
        "under_sessions", "HbS within own ceiling, by sessions",
        "Sessions whose HbS before was not over the ceiling in force for that person on that day, of all sessions with "
        "a measured HbS before.", ("of", "sessions"), "had no HbS before", aim="aim_under_sessions_pct",
    ),
    Definition(
        "under_days", "HbS within own ceiling, by days",
        "Days on which HbS, drawn straight from after one session to "
        "before the next, was within the ceiling. After the "
        "last session HbS is carried on at the person’s own middle rate to the end of the span, so that people who "
        "missed visits count.", ("of", "reckoned days"), "days lie in gaps with an unknown end",
        aim="aim_under_days_pct",
    ),
    Definition(
        "on_time", "On time",
        "Sessions that came no later than the planned interval and "
        "the days of grace: the usual interval decided for the "
        "person; the longest allowed is no plan. People whose next session never came are counted by days, not here.",
        ("of", "sessions after another"), "had no interval decided", aim="aim_on_time_pct",
    ),
    Definition(
        "near_target", "Ended within 2 points of the end target",
        "Sessions whose measured HbS after was within 2 points of "
        "the end target decided for the person, of those with a "
        "target.", ("of", "sessions with a target"), "had no HbS after",
    ),
    Definition(
        "level", "Level: balance within 2 mL/kg at the end",
        "Sessions in which fluid in less blood out was within 2 mL per kg of body weight.",
        ("of", "sessions"), "lacked a volume",
    ),
    Definition(
        "units", "Units per person-year",
        "Red cell units of sessions over the years that people were "
        "on the programme: from the first session to the day of "
        "leaving. Units given outside a session are not counted.", ("units in", "person-years"), "sessions lack units",
        times=1.0, unit="", most=80.0,
    ),
    Definition(
        "points_per_unit", "Points of HbS removed per unit",
        "Mean over sessions of HbS before less HbS after, over the "
        "units.", ("points in", "sessions"), "sessions lack a figure",
        times=1.0, unit="", most=6.0, places=2,
    ),
    Definition(
        "iron", "Net iron from exchanges, mg/kg a year",
        "Iron given less iron drawn, reckoned from each session’s "
        "own volumes, per kg of body weight and year; people who "
        "were on the programme for 90 days or longer. Excretion and chelation are not in it.",
        ("mg/kg in", "person-years"), "sessions lack a figure", times=1.0, unit="", most=100.0,
    ),
    Definition(
        "antibodies", "New antibodies per 100 units",
        "Antibodies found here in the calendar year in which the span ends, over the units of that year up to its end: "
        "only the year of finding is stored.", ("in", "units"), "", how=EXACT, unit="", most=2.0, places=2,
    ),
    Definition(
        "reactions", "Reactions noted, per 100 sessions",
        "Adverse events of any kind and grade noted in the span, "
        "over sessions. The interval takes events as apart from "
        "each other; several in one person make it too narrow.", ("in", "sessions"), "", how=EXACT, unit="", most=10.0,
    ),
    Definition(
        "ferritin", "Ferritin asked for in time",
        "People on the programme on the last day whose newest ferritin is not older than the site’s interval for it.",
        ("of", "people"), "have none stored", how=ONE_EACH,
    ),
    Definition(
        "accepted", "Suggestions accepted when deciding",
        "Decisions that took the suggestion which stood beside them, of those that took it or decided otherwise.",
        ("of", "decisions"), "had no suggestion beside them",
    ),
    Definition(
        "both_results", "Sessions with HbS before and after",
        "Quality of the data: sessions with a measured HbS on both sides.", ("of", "sessions"), "",
    ),
)  # fmt: skip
BY_KEY = {definition.key: definition for definition in DEFINITIONS}
