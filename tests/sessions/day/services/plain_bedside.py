"""A plain second version of the bedside: its own list of what was entered, everything worked out from it by loops.

Nothing of the product is used here. What the product refuses, this must refuse too, and the other way round.
"""

import math
from dataclasses import dataclass, field
from datetime import datetime, timedelta

# The plan of the machine, written out: step → (fluid, in, out). Steps beyond it are saline added afterwards.
PLANNED_UNITS = (1, 2, 3)
PLAN = {1: ("saline", 400.0, 400.0), 2: ("red_cells", 774.0, 750.0)}
PLACES = (1, 2, 3)
BLOOD_ML, HB, HBS, CELLS_HB = 4000.0, 94.0, 30.0, 194.0
MOST_ML = {"saline": 6000, "red_cells": 6000, "out": 8000}
TAKES_UNDO = {"moved", "step_done", "totals", "observation", "pause", "resume", "note", "time", "both"}
TAKES_TIME = {"moved", "step_done", "observation", "pause", "resume", "note", "unit_started", "unit_ended"}
FROM_THE_PAGE = TAKES_UNDO | {"undo"}
AFTER_THE_END = {"observation", "note", "undo", "time", "both"}
FOUR_HOURS = timedelta(hours=4)


@dataclass
class Row:
    """One entry as the model knows it."""

    number: int
    kind: str
    by: int
    at: datetime
    seen: int = 0
    said: dict = field(default_factory=dict)
    undone: bool = False


@dataclass
class Unit:
    """One unit at the chair."""

    place: int
    label: str
    state: str = "at_chair"
    first: int | None = None
    checked_at: datetime | None = None


class Model:
    def __init__(self, start: datetime, by: int, method: str) -> None:
        self.start, self.method, self.state = start, method, "running"
        self.first_end: datetime | None = None
        self.rows = [Row(1, "start_check", by, start), Row(2, "observation", by, start)]
        self.order: list[Row] = []
        self.units: list[Unit] = []

    def find(self, number: int) -> Row | None:
        return self.rows[number - 1] if 1 <= number <= len(self.rows) else None

    def unit_at(self, place: int | None) -> Unit | None:
        return next((unit for unit in self.units if unit.place == place), None)

    def keep(self, kind: str, by: int, at: datetime, seen: int, said: dict) -> int:
        if kind == "undo":
            self.rows[said["number"] - 1].undone = True
        row = Row(len(self.rows) + 1, kind, by, at, min(seen, len(self.rows)), said)
        self.rows.append(row)
        if kind == "moved":
            self.order.append(row)
        return row.number

    # What it refuses

    def refuses(self, kind: str, said: dict, now: datetime, waited: int = 0) -> bool:
        allowed = FROM_THE_PAGE if self.state == "running" else AFTER_THE_END if self.state != "closed" else set()
        if kind not in allowed and not self.is_late(kind, now, waited):
            return True
        if kind in ("moved", "step_done", "totals") and (kind == "totals") != (self.method == "automated"):
            return True
        if kind == "totals":
            return self.machine() is not None or self.refuses_totals(said, now)
        if kind == "moved":
            return self.refuses_volume(said) or (self.state != "running" and self.is_too_much(said))
        if kind in ("undo", "time"):
            row = self.find(said["number"])
            if row is None or row.undone or row.kind not in (TAKES_UNDO if kind == "undo" else TAKES_TIME):
                return True
            if kind == "time" and self.cannot_be(said["at"], now):
                return True
            if row.kind == "totals" and self.state != "running":
                return True
            if kind == "time" and row.kind == "unit_started" and said["at"] < self.earliest_start(row.said["unit"]):
                return True
            return self.would_turn_a_unit(kind, said)
        if kind == "both":
            rows = [self.find(number) for number in said["numbers"]]
            return len(set(said["numbers"])) < 2 or any(r is None or r.undone or r.kind != "moved" for r in rows)
        return False

    def is_late(self, kind: str, now: datetime, waited: int) -> bool:
        """It was done at the chair before somebody else ended the session, and waited in a tablet."""
        if self.state not in ("finished", "abandoned") or kind not in FROM_THE_PAGE or not waited:
            return False
        return self.first_end is not None and now - timedelta(seconds=waited) <= self.first_end

    def refuses_volume(self, said: dict) -> bool:
        if said["in"] == said["out"] == 0:
            return True
        if said["in"] == 0:
            return False
        if (said["unit"] is None) == (PLAN[said["step"]][0] == "red_cells"):
            return True  # cells of no unit, or saline of one
        if said["unit"] is None:
            return False
        unit = self.unit_at(said["unit"])
        return unit is None or unit.state not in ("running", "given")

    def cannot_be(self, moment: datetime, now: datetime) -> bool:
        return moment > now or moment < self.start - FOUR_HOURS

    def earliest_start(self, place: int) -> datetime:
        """Of a unit: its check, and the start checks of the session; all times here are whole minutes."""
        unit = self.unit_at(place)
        return max(self.start, unit.checked_at) if unit and unit.checked_at else self.start

    def refuses_totals(self, said: dict, now: datetime) -> bool:
        """What the machine states: nothing at all, cells of no unit, or times that cannot be."""
        if said["saline"] == said["red_cells"] == said["out"] == 0 or (said["red_cells"] > 0) != (said["units"] > 0):
            return True
        if self.state != "running" and said["units"] != len(self.units_started()):
            return True
        return said["to"] < said["from"] or self.cannot_be(said["from"], now) or self.cannot_be(said["to"], now)

    def is_too_much(self, said: dict) -> bool:
        """The row of a session that is over holds no more than can be; while it runs, only finishing finds out."""
        totals = self.totals()
        totals[PLAN.get(said["step"], PLAN[1])[0]] += said["in"]
        totals["out"] += said["out"]
        return any(totals[name] > most for name, most in MOST_ML.items())

    def would_turn_a_unit(self, kind: str, said: dict) -> bool:
        """Say whether a unit would end before it started."""
        fix = self.rows[said["number"] - 1]
        fix.undone = kind == "undo"
        if kind == "time":
            self.rows.append(Row(len(self.rows) + 1, kind, 0, said["at"], 0, said))
        turned = self.has_turned_unit()
        if kind == "time":
            self.rows.pop()
        fix.undone = False
        return turned

    def refuses_check(self, unit: Unit, who: int, second: int | None, *, alone: bool, right_bag: bool) -> bool:
        if unit.state != "at_chair" or self.state != "running" or not right_bag or second == who:
            return True
        return unit.first == who and second is None and not alone

    def refuses_start(self, unit: Unit) -> bool:
        if unit.state != "checked" or self.state != "running" or self.paused():
            return True
        if unit.place not in PLANNED_UNITS and self.method != "automated":
            return True
        return any(other.state == "running" for other in self.units)

    def given_of(self, unit: Unit) -> float:
        return sum(row.said["in"] for row in self.moves() if row.said["unit"] == unit.place)

    def refuses_finish(self, *, abandoned: bool) -> bool:
        """Nothing done, a unit still running or left at the chair, one that ended before it started, two at once."""
        times = self.unit_times()
        used = {place for place, (started, _) in times.items() if started} | {r.said["unit"] for r in self.moves()}
        left = [u for u in self.units if u.state in ("at_chair", "checked") and u.place not in used]
        too_much = any(self.totals()[name] > most for name, most in MOST_ML.items())
        if left or self.has_turned_unit() or self.conflicts() or too_much:
            return True
        if self.method == "automated":
            told, started = self.machine(), len(self.units_started())
            still = any(s and not e for s, e in times.values())
            if told is None:
                return started > 0 or not abandoned
            return told["units"] != started or (still and not abandoned)
        return not abandoned and (not self.moves() or any(s and not e for s, e in times.values()))

    def has_turned_unit(self) -> bool:
        return any(s and e and e < s for s, e in self.unit_times().values())

    # Where it stands

    def moves(self) -> list[Row]:
        return [row for row in self.order if not row.undone]

    def when(self, row: Row) -> datetime:
        at = row.at
        for fix in self.rows:
            if fix.kind == "time" and not fix.undone and fix.said["number"] == row.number:
                at = fix.said["at"]
        return at

    def unit_times(self) -> dict[int, tuple[datetime | None, datetime | None]]:
        found: dict[int, tuple[datetime | None, datetime | None]] = {}
        for row in self.rows:
            if row.kind in ("unit_started", "unit_ended") and not row.undone:
                started, ended = found.get(row.said["unit"], (None, None))
                at = self.when(row)
                found[row.said["unit"]] = (at, ended) if row.kind == "unit_started" else (started, at)
        return found

    def machine(self) -> dict | None:
        """The totals of an automated session that count."""
        return next((row.said for row in reversed(self.rows) if row.kind == "totals" and not row.undone), None)

    def units_started(self) -> list[int]:
        return [place for place, (started, _) in self.unit_times().items() if started]

    def totals(self) -> dict[str, float]:
        told = self.machine()
        return self.moved() if told is None else {name: told[name] for name in MOST_ML}

    def moved(self) -> dict[str, float]:
        totals = {"saline": 0.0, "red_cells": 0.0, "out": 0.0}
        for row in self.moves():
            totals[PLAN.get(row.said["step"], PLAN[1])[0]] += row.said["in"]
            totals["out"] += row.said["out"]
        return totals

    def step_is_done(self, number: int) -> bool:
        if any(r.kind == "step_done" and not r.undone and r.said["step"] == number for r in self.rows):
            return True
        mine = [row for row in self.moves() if row.said["step"] == number]
        _, in_ml, out_ml = PLAN[number]
        given, drawn = sum(r.said["in"] for r in mine), sum(r.said["out"] for r in mine)
        # 5 % of either step is over 10 mL.
        return bool(mine) and given >= 0.95 * in_ml and drawn >= 0.95 * out_ml

    def conflicts(self) -> set[tuple[int, int]]:
        settled = [set(r.said["numbers"]) for r in self.rows if r.kind == "both" and not r.undone]
        found = set()
        for first in self.moves():
            for second in self.moves():
                apart = second.number > first.number > second.seen and first.by != second.by
                pair = {first.number, second.number}
                if apart and first.said["step"] == second.said["step"] and pair not in settled:
                    found.add((first.number, second.number))
        return found

    def paused(self) -> bool:
        kinds = [row.kind for row in self.rows if row.kind in ("pause", "resume") and not row.undone]
        return bool(kinds) and kinds[-1] == "pause"

    def hb_and_hbs(self) -> tuple[float, float] | None:
        """The wash-out worked step by step: Hb settled at the starting volume, and HbS."""
        volume, old, fresh = BLOOD_ML, HB, 0.0
        for row in self.moves():
            given, drawn = row.said["in"], row.said["out"]
            after = volume + given - drawn
            if after <= 0:
                return None
            mean = volume if after == volume else (after - volume) / math.log(after / volume)
            left = math.exp(-given / mean)
            hb = CELLS_HB if PLAN.get(row.said["step"], PLAN[1])[0] == "red_cells" and given else 0.0
            old, fresh, volume = old * left, hb + (fresh - hb) * left, after
        return (old + fresh) * volume / BLOOD_ML, HBS * old / (old + fresh)

    # What is stored of it at the end

    def start_and_end(self) -> tuple[datetime, datetime | None]:
        if (told := self.machine()) is not None:
            return told["from"], told["to"]
        times = self.unit_times()
        moved = [self.when(row) for row in self.moves()]
        starts = [self.start, *moved, *(s for s, _ in times.values() if s)]
        return min(starts), max([*moved, *(e for _, e in times.values() if e)], default=None)

    def units_given(self) -> list[int]:
        started = {place for place, (start, _) in self.unit_times().items() if start}
        return sorted(started | {row.said["unit"] for row in self.moves() if row.said["unit"] and row.said["in"]})

    def steps(self) -> list[tuple[str, float, float, datetime]]:
        """Fluid, in, out and end of each step: two arms at once within a step of the plan, one arm each way by itself.

        A stored step holds 3 L at most; what is more is another step.
        """
        found: list[tuple[str, float, float, datetime]] = []
        last = None
        for row in self.moves():
            given, drawn, at = row.said["in"], row.said["out"], self.when(row)
            same = (row.said["step"], (given > 0, drawn > 0) if self.method == "one_arm" else None)
            fits = same == last and found[-1][1] + given <= 3000 and found[-1][2] + drawn <= 3000
            if fits:
                fluid, in_ml, out_ml, end = found.pop()
                found.append((fluid, in_ml + given, out_ml + drawn, max(end, at)))
            else:
                found.append((PLAN.get(row.said["step"], PLAN[1])[0], given, drawn, at))
            last = same
        return found
