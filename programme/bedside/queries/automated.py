"""The page of a session that a machine carries out: its units, observations and totals. Fixed number of queries."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, datetime, tzinfo

from programme.bedside.numeric.balance import Judged, judged
from programme.bedside.numeric.passed_now import Stops, passed_now, stops_of
from programme.bedside.numeric.words import ml, totals_words
from programme.bedside.queries.board import Board, balance_limits, board_of
from programme.bedside.queries.run_rows import SlowStart, UnitRow, slow_start_of
from programme.planning.numeric.limits import limits_for
from sessions.day.models import Prescription
from sessions.day.numeric.draft import totals
from sessions.day.numeric.entries import TOTALS
from sessions.day.numeric.machine import Totals
from sessions.day.numeric.unit_volumes import more_of_all_words, most_of_unit_ml, over_units_words
from sessions.day.queries import Ending
from sessions.models import ExchangeSession, UnitState

OVER = (UnitState.GIVEN, UnitState.RETURNED, UnitState.DISCARDED)


@dataclass(frozen=True, slots=True)
class Planned:
    """What the signed plan asks of the machine. hb, hbs: at the end, middle, low and high; None where not known."""

    units: int
    saline_in_ml: float
    red_cells_in_ml: float
    blood_out_ml: float
    hb: tuple[float, float, float] | None
    hbs: tuple[float, float, float] | None

    @property
    def balance_ml(self) -> float:
        return self.saline_in_ml + self.red_cells_in_ml - self.blood_out_ml

    @property
    def beside(self) -> dict[str, str]:
        """The plan in the words that stand beside each box of the totals."""
        return {
            "saline_in_ml": f"planned {ml(self.saline_in_ml)}",
            "red_cells_in_ml": f"planned {ml(self.red_cells_in_ml)}",
            "blood_out_ml": f"planned {ml(self.blood_out_ml)}",
            "units": f"planned {self.units}",
        }


@dataclass(frozen=True, slots=True)
class AutomatedRun(Board):
    """A session that a machine carries out. balance: of the totals, None while they are not entered. passed: the stops
    that the totals pass and that nobody signed for."""

    planned: Planned
    balance: Judged | None
    passed: tuple[str, ...]
    slow: SlowStart | None

    @property
    def started(self) -> int:
        """How many units were really started."""
        return sum(times.started_at is not None for times in self.tally.units.values())

    @property
    def labels_ml(self) -> list[float | None]:
        """The label volume of each unit that was started."""
        rows = {unit.place: unit.row for unit in self.units if unit.row}
        started = [place for place, times in self.tally.units.items() if times.started_at is not None]
        return [rows[place].volume_ml if place in rows else None for place in sorted(started)]

    @property
    def most_cells_ml(self) -> float:
        """More red cells than this of the units started are asked about."""
        return sum(most_of_unit_ml(label) for label in self.labels_ml)

    @property
    def more_cells_words(self) -> str:
        return more_of_all_words(self.labels_ml) if self.labels_ml else ""

    @property
    def over_cells_words(self) -> str:
        """What speaks against the red cells of the totals entered; '' where nothing does."""
        return over_units_words(self.tally.totals.red_cells_in_ml, self.labels_ml) if self.tally.totals else ""

    @property
    def unit_now(self) -> UnitRow | None:
        """The unit that is being given, else the first one that is not over."""
        return unit_to_act_on(self.units)

    @property
    def place_next(self) -> int | None:
        return self.unit_now.place if self.unit_now else None

    @property
    def title(self) -> str:
        if self.pause_words:
            return self.pause_words
        unit = self.unit_now
        if unit is not None:
            what = "is being given" if unit.state == UnitState.RUNNING else "is next"
            return f"Unit {unit.place} of {max(self.planned.units, unit.place)} {what}"
        return "Every unit is over" if self.tally.totals is None else "Totals are entered"

    @property
    def sentence(self) -> str:
        """What to do now."""
        if not self.is_running:
            return "Nothing is left to do here."
        if self.pause_words:
            return "Give nothing now. The machine itself is stopped by people."
        unit = self.unit_now
        if unit is not None and unit.state == UnitState.RUNNING:
            return "End it here when the machine has ended it."
        if unit is not None:
            return unit_says(unit)
        return "Finish the session." if self.tally.totals else "Enter the totals once the machine has ended."


def unit_says(unit: UnitRow) -> str:
    """What to do with a unit that is not given yet."""
    if unit.state == UnitState.CHECKED:
        return "It is checked: start it here when the machine starts it, or put it away."
    if unit.state == UnitState.AT_CHAIR:
        return f"Unit {unit.place} is not checked yet. Do not give it."
    return f"Unit {unit.place} is not at the chair yet."


def unit_to_act_on(units: Sequence[UnitRow]) -> UnitRow | None:
    """Return the unit that is being given, else the first one that is not over."""
    running = next((unit for unit in units if unit.state == UnitState.RUNNING), None)
    return running or next((unit for unit in units if unit.state not in OVER), None)


def automated_of(exchange_session: ExchangeSession, *, today: date, at: datetime) -> AutomatedRun | None:
    """Return the page of an automated session; None where it never had a signed plan. Queries as `board_of`."""
    board = board_of(exchange_session, today=today, at=at)
    if board is None:
        return None
    plan, settings, totals_told = board.plan, board.settings, board.tally.totals
    wanted, planned = unit_to_act_on(board.units), planned_of(plan)
    stops = stops_of(
        limits_for(weight_kg=plan.weight_kg, organ_flag=exchange_session.patient.is_flagged, settings=settings),
        hb_g_l=[plan.hb_g_l], saline_ml=planned.saline_in_ml, out_ml=planned.blood_out_ml,
    )  # fmt: skip
    return AutomatedRun(
        **board.as_fields(),
        planned=planned,
        balance=judged(totals_told.balance_ml, balance_limits(plan, settings)) if totals_told else None,
        passed=_passed(stops, totals_told) if totals_told else (),
        slow=slow_start_of(board.units, wanted.place if wanted else None, settings, at) if board.is_running else None,
    )


def _passed(stops: Stops, told: Totals) -> tuple[str, ...]:
    """The stops of volume; Hb on the way the machine alone knows."""
    return passed_now(stops, hb_g_l=None, saline_ml=told.saline_in_ml, out_ml=told.blood_out_ml)


def machine_line(ending: Ending, zone: tzinfo) -> str:
    """Return the totals that count, as they stand on the page after a session and in its record; '' where none do."""
    entry = ending.newest(TOTALS)
    if entry is None:
        return ""
    line = totals_words(Totals.of_body(entry.body).in_zone(zone))
    return f"Automated, {line}; entered by {entry.by.full_name}, {entry.happened_at.astimezone(zone):%H:%M}."


def planned_of(plan: Prescription) -> Planned:
    """Return what a plan asks of the machine; no query."""
    saline, cells, out = totals(plan.steps)
    hb, hbs = (plan.predicted.get(name) for name in ("hb_settled", "hbs"))
    return Planned(plan.units, saline, cells, out, tuple(hb) if hb else None, tuple(hbs) if hbs else None)
