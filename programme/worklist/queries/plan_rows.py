"""The plain rows of the plan page: limits, units more or less, and the sums behind the sheet."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date
from typing import Any

from programme.worklist.numeric.sheet import Sheet, SheetInputs
from programme.worklist.numeric.words import capital, figure
from programme.worklist.queries.who import volume_of
from sessions.numeric.mixing import bound_words
from sessions.queries.people import PersonRecord

BAR_PX = 108.0


@dataclass(frozen=True, slots=True)
class Line:
    """One line of the shown working."""

    words: str
    figure: str
    ground: str
    reckoned: bool = True


@dataclass(frozen=True, slots=True)
class Marginal:
    """What one unit more or less would do; `limit` says why there is no plan with this many."""

    units: int
    hbs_pct: float | None
    points: float | None
    hb_g_l: float | None
    chance: float | None
    over: bool
    out_ml: float | None
    bar_px: float
    chosen: bool
    limit: str

    @property
    def litres_out(self) -> str:
        return "" if self.out_ml is None else f"{self.out_ml / 1000:.2f}"


@dataclass(frozen=True, slots=True)
class LimitLine:
    """One limit: its name, what is said beneath it, and how far the session goes. state: 'ok', 'warn' or 'stop'."""

    name: str
    words: str
    reached: float | None
    allowed: float | None
    unit: str
    state: str


@dataclass(frozen=True, slots=True)
class SeriesLine:
    """One session of a series on consecutive open days."""

    number: int
    on: date
    units: int
    saline_ml: float
    red_cells_ml: float
    blood_out_ml: float
    hb_before_g_l: float
    hb_after_g_l: float
    rise_g_l: float
    hbs_before_pct: float
    hbs_after_pct: float


def series_lines(options: Mapping[str, Any]) -> tuple[SeriesLine, ...]:
    """Return the planned series, the session of this plan first; empty where one session does it."""
    return tuple(
        SeriesLine(number=number, on=date.fromisoformat(row["date"]), **{k: v for k, v in row.items() if k != "date"})
        for number, row in enumerate(options.get("series") or (), start=1)
    )


def limit_line(row: Mapping[str, Any]) -> LimitLine:
    """Read a stored limit; its words name it before the first semicolon."""
    name, _, rest = (row.get("words") or row["name"]).partition("; ")
    return LimitLine(capital(name), rest, row.get("reached"), row.get("allowed"), row.get("unit") or "", row["state"])


def longest_bar(options: Mapping[str, Any], body: Mapping[str, Any]) -> float:
    """Return the highest HbS after that the bars have to show. [%]"""
    ends: list[float] = [row["hbs_pct"] for row in options.get("marginal") or () if row.get("hbs_pct") is not None]
    return max([*ends, float(body.get("end_target_hbs_pct") or 0.0), 1.0])


def bar_px(value: float | None, longest: float) -> float:
    """Return the length of one bar in picture units."""
    return 0.0 if value is None else round(BAR_PX * value / longest, 1)


def marginal_rows(options: Mapping[str, Any], body: Mapping[str, Any], accepted: float) -> tuple[Marginal, ...]:
    """Return what each number of units would do, as stored."""
    units = (body.get("session") or {}).get("units")
    longest = longest_bar(options, body)
    return tuple(
        Marginal(
            units=int(row["units"]),
            hbs_pct=row.get("hbs_pct"),
            points=row.get("points"),
            hb_g_l=row.get("hb_g_l"),
            chance=row.get("chance"),
            over=(row.get("chance") or 0.0) > accepted,
            out_ml=row.get("out_ml"),
            bar_px=bar_px(row.get("hbs_pct"), longest),
            chosen=row["units"] == units,
            limit=row.get("limit") or "",
        )
        for row in options.get("marginal") or ()
    )


def working_lines(
    record: PersonRecord,
    start: SheetInputs,
    sheet: Sheet,
    working: Mapping[str, Any],
    settings: Mapping[str, float],
) -> tuple[Line, ...]:
    """Return the sums behind the sheet, with units and grounds."""
    outcome, iron = sheet.outcome, settings["iron_mg_per_g_hb"]
    rule = working.get("volume_rule") or volume_of(record)[1]
    personal = working.get("mixing_words") or (
        "as the formula: too few measured sessions to tell"
        if start.mixing == 1.0
        else "from this person’s own sessions"
    )
    given = outcome.donor_hb_given_g
    mixing = ", ".join(filter(None, (personal, bound_words(start.mixing))))
    return (
        Line("blood volume, for limits and mL/kg", f"{start.blood_volume_ml / 1000:.2f} L", rule, reckoned=False),
        Line("mixes like, for HbS and Hb", f"{start.blood_volume_ml * start.mixing / 1000:.2f} L", mixing),
        Line(
            "donor unit", f"{start.unit_volume_ml:g} mL, {start.unit_hb_g:g} g Hb",
            "site setting; give or take 5 g each", reckoned=False,
        ),
        Line(
            "own cells left", f"{outcome.own_cells_left_pct:.0f} %",
            f"by cell mass; HbS left {outcome.hbs_left_pct:.0f} % of before, which differs when Hb changes",
        ),
        Line(
            "net iron", f"{'+' if outcome.net_iron_mg > 0 else ''}{figure(outcome.net_iron_mg)} mg",
            f"{iron:g} mg for each gram of Hb in ({given:.0f}) less out ({given - outcome.net_iron_mg / iron:.0f})",
        ),
        Line(
            "deepest deficit",
            f"{figure(outcome.deepest_deficit_ml)} mL",
            f"{figure(outcome.deepest_deficit_ml_per_kg, 1)} mL/kg; all fluids, blood out over fluid in, at any moment",
        ),
        Line(
            "of today’s donor Hb",
            f"{outcome.donor_hb_kept_pct:.0f} % kept",
            "the rest is drawn off again in later steps",
        ),
        Line(
            "Hb as it ends, and settled", f"{outcome.hb_post_g_l:.0f}, {outcome.hb_settled_g_l:.0f} g/L",
            "settled: once the volume has gone back to the blood volume",
        ),
    )  # fmt: skip
