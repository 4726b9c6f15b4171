"""What the pages show beside a suggestion: the grid, units more or less, limits and the other orders, as plain rows."""

from __future__ import annotations

import zlib
from typing import Any

from programme.planning import inputs
from programme.planning.numeric import choices as ch
from programme.planning.numeric import details
from programme.planning.numeric.loop import LivedYear, live_a_year
from programme.planning.numeric.people import AVAILABLE, PeopleInputs, taken
from programme.planning.numeric.prescribe import NO_PLAN
from programme.planning.numeric.suggest import CHUNK, Suggestions, outlook_of
from programme.planning.printed import number
from programme.planning.reckoning import Reckoned
from sessions.numeric.drift.person import PeoplePace

DUE_WITHIN_DAYS = 7


def beside(found: Reckoned, *, asked_about: bool = False) -> list[dict[str, Any]]:
    """Return the rows beside everyone's suggestion, in the order of `found.records`.

    asked_about: somebody has just entered or asked something about these people. The caller says so, for what is stored
    must not depend on how many are reckoned together.
    """
    rows: list[dict[str, Any]] = []
    for start in range(0, len(found.records), CHUNK):
        rows += _beside_some(found, slice(start, start + CHUNK), asked_about=asked_about)
    return rows


def _beside_some(found: Reckoned, some: slice, *, asked_about: bool) -> list[dict[str, Any]]:
    people, said = taken(found.people, some), taken(found.said, some)
    outlook = outlook_of(found.programme.fit, taken(found.pace, some))
    weighed = details.weigh(people, inputs.site_rules(found.settings).cells, said)
    grid = details.risk_grid(outlook, people, said)
    units = details.units_rows(weighed, people, outlook, said)
    lived = lived_years(
        found, people, said, taken(found.pace, some), weighed, first=some.start, asked_about=asked_about
    )
    return [
        {
            "grid": _grid(grid, row),
            "marginal": [_units(shown) for shown in units[row]] if said.plan.standing[row] != NO_PLAN else [],
            "limits": [_limit(shown) for shown in details.limit_rows(people, said, row)],
            "alternatives": [
                {"name": name, "words": words} for name, words in details.other_orders(weighed, people, said, row)
            ],
            "lived": lived[row],
        }
        for row in range(len(said.bar))
    ]


def lived_years(
    found: Reckoned,
    people: PeopleInputs,
    said: Suggestions,
    pace: PeoplePace,
    weighed: details.Weighed,
    *,
    first: int,
    asked_about: bool,
) -> list[dict[str, dict[str, Any]]]:
    """Live the choices of those who are due or asked about forward over a year; {} for everybody else, {letter: year}.

    It takes thousands of paths a choice, so nobody who is weeks away is lived forward until their page asks for it.
    """
    reach = details.reach_of_all(weighed)
    as_of = found.programme.as_of.toordinal()
    years: list[dict[str, dict[str, Any]]] = []
    for row in range(len(said.bar)):
        due = said.next_day[row] - as_of <= DUE_WITHIN_DAYS
        given = said.bar[row] == AVAILABLE and (due or asked_about)
        seed = zlib.crc32(f"{found.records[first + row].patient_ref}|{found.programme.as_of}".encode())
        plans = details.year_plans(weighed, reach, people, said, row) if given else {}
        years.append(
            {
                ch.LETTERS[place]: _year(
                    live_a_year(
                        plan,
                        found.programme.fit,
                        pace.take(row),
                        ceiling_pct=float(people.ceiling_pct[row]),
                        attendance=people.attendance.take([row]),
                        seed=seed + place,
                    )
                )
                for place, plan in plans.items()
            }
        )
    return years


def _year(lived: LivedYear) -> dict[str, Any]:
    return {
        "visits": number(lived.visits, 1),
        "units": number(lived.units, 0),
        "iron_mg": number(lived.iron_mg, 0),
        "over_visit": number(lived.over_a_visit, 4),
        "over_year": number(lived.over_once, 4),
    }


def _grid(grid: details.Grid, row: int) -> dict[str, Any]:
    return {
        "days": [int(day) for day in grid.days[row]],
        "ends": [number(end, 0) for end in grid.ends_pct[row]],
        "chance": [[number(chance, 4) for chance in line] for line in grid.chance[row]],
    }


def _units(shown: details.UnitsRow) -> dict[str, Any]:
    return {
        "units": shown.units,
        "hbs_pct": number(shown.hbs_pct, 1),
        "points": number(shown.points, 1),
        "hb_g_l": number(shown.hb_g_l, 0),
        "out_ml": number(shown.out_ml, 0),
        "chance": number(shown.chance, 4),
        "limit": shown.limit or None,
    }


def _limit(shown: details.LimitRow) -> dict[str, Any]:
    return {
        "name": shown.name,
        "words": shown.words,
        "reached": number(shown.reached, 0),
        "allowed": number(shown.allowed, 0),
        "unit": shown.unit,
        "state": shown.state,
    }
