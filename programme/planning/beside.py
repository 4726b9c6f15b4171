"""What the pages show beside a suggestion: the grid, units more or less, limits and the other orders, as plain rows."""

from __future__ import annotations

import zlib
from typing import Any

from programme.planning.numeric import choices as ch
from programme.planning.numeric import details
from programme.planning.numeric.loop import LivedYear, live_a_year
from programme.planning.numeric.people import AVAILABLE
from programme.planning.numeric.suggest import outlook_of
from programme.planning.printed import number, numbers
from programme.planning.reckoning import Part

DUE_WITHIN_DAYS = 7


def beside(found: Part, *, asked_about: bool = False) -> list[dict[str, Any]]:
    """Return the rows beside everyone's suggestion, in the order of `found.records`.

    asked_about: somebody has just entered or asked something about these people. The caller says so, for what is stored
    must not depend on how many are reckoned together.
    """
    people, said = found.people, found.said
    outlook = outlook_of(found.programme.fit, found.pace)
    weighed = details.weigh(people, found.tried, said)
    grids = _grids(details.risk_grid(outlook, people, said))
    units = details.units_rows(weighed, people, outlook, said)
    limits, orders = details.limit_rows(people, said), details.other_orders(weighed, people, said)
    lived = lived_years(found, weighed, asked_about=asked_about)
    return [
        {
            "grid": grids[row],
            "marginal": [_units(shown) for shown in units[row]],
            "limits": [_limit(shown) for shown in limits[row]],
            "alternatives": [{"name": name, "words": words} for name, words in orders[row]],
            "lived": lived[row],
        }
        for row in range(len(found.records))
    ]


def lived_years(found: Part, weighed: details.Weighed, *, asked_about: bool) -> list[dict[str, dict[str, Any]]]:
    """Live the choices of those who are due or asked about forward over a year; {} for everybody else, {letter: year}.

    It takes thousands of paths a choice, so nobody who is weeks away is lived forward until their page asks for it.
    """
    people, said, as_of = found.people, found.said, found.programme.as_of
    years: list[dict[str, dict[str, Any]]] = []
    for row in range(len(found.records)):
        due = said.next_day[row] - as_of.toordinal() <= DUE_WITHIN_DAYS
        given = said.bar[row] == AVAILABLE and (due or asked_about)
        seed = zlib.crc32(f"{found.records[row].patient_ref}|{as_of}".encode())
        plans = details.year_plans(weighed, people, said, row) if given else {}
        years.append(
            {
                ch.LETTERS[place]: _year(
                    live_a_year(
                        plan,
                        found.programme.fit,
                        found.pace.take(row),
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
        "days_over": number(lived.days_over, 1),
    }


def _grids(grid: details.Grid) -> list[dict[str, Any]]:
    columns = zip(numbers(grid.days, 0), numbers(grid.ends_pct, 0), numbers(grid.chance, 4), strict=True)
    return [{"days": days, "ends": ends, "chance": chance} for days, ends, chance in columns]


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
