"""A plan of one session before it is stored: plain values, the limits it passes, and how it parts from another."""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Protocol

KEPT, WARNED, STOPPED = "ok", "warn", "stop"
MINUS = "\u2212"


@dataclass(frozen=True, slots=True)
class PlanDraft:
    """One plan as reckoned, in the shapes in which it is stored (`models.Prescription`). [kg, g/L, %, mL]"""

    method: str
    weight_kg: float
    hb_g_l: float
    hbs_pct: float
    hbs_is_forecast: bool
    blood_volume_ml: float
    mixing_volume_ml: float
    units: int
    inputs: dict[str, Any]
    steps: list[dict[str, Any]]
    predicted: dict[str, Any]
    limits: list[dict[str, Any]]


class Planned(Protocol):
    """What two plans are compared by: a draft, or a stored plan."""

    @property
    def method(self) -> str: ...
    @property
    def weight_kg(self) -> float: ...
    @property
    def hb_g_l(self) -> float: ...
    @property
    def hbs_pct(self) -> float: ...
    @property
    def units(self) -> int: ...
    @property
    def steps(self) -> Any: ...
    @property
    def predicted(self) -> Any: ...


def passed(limits: Iterable[Mapping[str, Any]]) -> list[Mapping[str, Any]]:
    """Return the limits that a plan passes, stops first; each needs a prescriber's reason."""
    found = [row for row in limits if row["state"] in (WARNED, STOPPED)]
    return sorted(found, key=lambda row: row["state"] != STOPPED)


def unbreakable(limits: Iterable[Mapping[str, Any]]) -> list[Mapping[str, Any]]:
    """Return the stops that a plan passes and that the site lets nobody pass."""
    return [row for row in limits if row["state"] == STOPPED and row.get("hard")]


def limit_words(row: Mapping[str, Any]) -> str:
    """Say which limit is passed and by how much: 'Rise of Hb in the day: 46, allowed is 40 g/L'."""
    name = str(row["words"]).partition(";")[0]
    unit = f" {row['unit']}" if row.get("unit") else ""
    return f"{name[:1].upper()}{name[1:]}: {_number(row['reached'])}, allowed is {_number(row['allowed'])}{unit}"


def totals(steps: Sequence[Mapping[str, Any]]) -> tuple[float, float, float]:
    """Return saline in, red cells in and blood out of a plan. [mL]"""
    saline = sum(float(step["in_ml"]) for step in steps if step["fluid"] == "saline")
    cells = sum(float(step["in_ml"]) for step in steps if step["fluid"] != "saline")
    return saline, cells, sum(float(step["out_ml"]) for step in steps)


METHODS = {"two_arm": "by hand, two arms at once", "one_arm": "by hand, one arm", "automated": "automated"}


def difference(now: Planned, before: Planned, *, number: int) -> str:
    """Return in words how a plan parts from an earlier one, which has the number `number`; figures as printed."""
    said = []
    if now.method != before.method:
        said.append(f"{METHODS.get(now.method, now.method)} instead of {METHODS.get(before.method, before.method)}")
    rows: list[tuple[str, float | None, float | None, int, str]] = [
        ("weight", now.weight_kg, before.weight_kg, 1, "kg"),
        ("Hb before", now.hb_g_l, before.hb_g_l, 0, "g/L"),
        ("HbS before", now.hbs_pct, before.hbs_pct, 1, "%"),
        ("units", now.units, before.units, 0, ""),
    ]
    volumes = zip(("saline", "red cells", "blood out"), totals(now.steps), totals(before.steps), strict=True)
    rows += [(name, new, old, 0, "mL") for name, new, old in volumes]
    rows.append(("HbS after", _last(now, "hbs"), _last(before, "hbs"), 1, "%"))
    rows.append(("Hb after, settled", _settled(now), _settled(before), 0, "g/L"))
    for name, new, old, places, unit in rows:
        if new is None or old is None or f"{new:.{places}f}" == f"{old:.{places}f}":
            continue
        said.append(f"{name} {_number(new, places)} instead of {_number(old, places)} {unit}".rstrip())
    if not said:
        same = _order(now) == _order(before)
        return f"The same as plan {number}." if same else f"As plan {number}, with its steps laid out otherwise."
    return f"Against plan {number}: {'; '.join(said)}."


def _last(plan: Planned, name: str) -> float | None:
    spread = (plan.predicted or {}).get(name)
    return None if not spread else float(spread[0])


def _settled(plan: Planned) -> float | None:
    spread = (plan.predicted or {}).get("hb_settled")
    return None if not spread else float(spread[0])


def _order(plan: Planned) -> list[tuple[Any, ...]]:
    return [(step["fluid"], step["in_ml"], step["out_ml"]) for step in plan.steps]


def _number(value: float | None, places: int = 0) -> str:
    if value is None:
        return "\u2013"
    return f"{value:,.{places}f}".replace("-", MINUS)
