"""What the pages show beside a suggestion: the grid, units more or less, limits and the other orders, as plain rows."""

from __future__ import annotations

from typing import Any

from programme.planning import inputs
from programme.planning.numeric import details
from programme.planning.numeric.people import taken
from programme.planning.numeric.prescribe import NO_PLAN
from programme.planning.numeric.suggest import CHUNK, outlook_of
from programme.planning.printed import number
from programme.planning.reckoning import Reckoned


def beside(found: Reckoned) -> list[dict[str, Any]]:
    """Return the rows beside everyone's suggestion, in the order of `found.records`."""
    rows: list[dict[str, Any]] = []
    for start in range(0, len(found.records), CHUNK):
        rows += _beside_some(found, slice(start, start + CHUNK))
    return rows


def _beside_some(found: Reckoned, some: slice) -> list[dict[str, Any]]:
    people, said = taken(found.people, some), taken(found.said, some)
    outlook = outlook_of(found.programme.fit, taken(found.pace, some))
    weighed = details.weigh(people, inputs.site_rules(found.settings).cells, said)
    grid = details.risk_grid(outlook, people, said)
    units = details.units_rows(weighed, people, outlook, said)
    return [
        {
            "grid": _grid(grid, row),
            "marginal": [_units(shown) for shown in units[row]] if said.plan.standing[row] != NO_PLAN else [],
            "limits": [_limit(shown) for shown in details.limit_rows(people, said, row)],
            "alternatives": [
                {"name": name, "words": words} for name, words in details.other_orders(weighed, people, said, row)
            ],
        }
        for row in range(len(said.bar))
    ]


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
