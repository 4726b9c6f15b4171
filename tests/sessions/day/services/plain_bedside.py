"""A plain second version of the bedside: its own list of what was entered, everything worked out from it by loops.

Nothing of the product is used here. What the product refuses, this must refuse too, and the other way round.
"""

import math
from datetime import datetime, timedelta

from tests.sessions.day.services.plain_entries import STOPPED, Row, Unit
from tests.sessions.day.services.plain_plan import OnAPlan

BLOOD_ML, HB, HBS, CELLS_HB = 4000.0, 94.0, 30.0, 194.0
MOST_ML = {"saline": 6000, "red_cells": 6000, "out": 8000}
TAKES_UNDO = {"moved", "step_done", "totals", "observation", "pause", "resume", "note", "time", "both"}
TAKES_TIME = {"moved", "step_done", "observation", "pause", "resume", "note", "unit_started", "unit_ended"}
FROM_THE_PAGE = TAKES_UNDO | {"undo"}
AFTER_THE_END = {"observation", "note", "undo", "time", "both"}
FOUR_HOURS = timedelta(hours=4)


class Model(OnAPlan):
    def __init__(self, start: datetime, by: int, method: str) -> None:
        super().__init__(start, by)
        self.method, self.state = method, "running"
        self.first_end: datetime | None = None
        self.reactions: list[tuple[str, int | None]] = []
        self.sign_open = False

    # What it refuses

    def refuses(self, kind: str, said: dict, now: datetime, by: int, seen: int, waited: int = 0) -> bool:
        allowed = FROM_THE_PAGE if self.state == "running" else AFTER_THE_END if self.state != "closed" else set()
        if kind not in allowed and not self.is_late(kind, now, waited):
            return True
        if kind in ("moved", "step_done", "totals") and (kind == "totals") != (self.method == "automated"):
            return True
        if kind == "totals":
            return self.machine() is not None or self.refuses_totals(said, now)
        if kind == "moved":
            return self.refuses_volume(said) or (self.state != "running" and self.is_too_much(said))
        if kind in ("pause", "note"):
            return not said["words"]
        if kind == "resume":
            halt = self.halt()
            return halt is not None and (not said["words"] or (halt.number > seen and halt.by != by))
        if kind == "step_done":
            unseen = [row for row in self.rows if row.kind == "plan" and row.number > seen and row.by != by]
            return bool(unseen) or said["step"] not in self.plan
        if kind in ("undo", "time"):
            row = self.find(said["number"])
            if row is None or row.undone or row.kind not in (TAKES_UNDO if kind == "undo" else TAKES_TIME):
                return True
            if kind == "time" and self.cannot_be(said["at"], now):
                return True
            if row.kind == "totals" and self.state != "running":
                return True
            if kind == "undo" and row.kind == "pause" and self.is_for_a_reaction(row):
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
        if said["in"] == said["out"] == 0 or said["fluid"] is None:
            return True
        if said["in"] == 0:
            return False
        if (said["unit"] is None) == (said["fluid"] == "red_cells"):
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
        totals[said["fluid"]] += said["in"]
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
        planned = {place for step in self.plan.values() for place in step.units}
        if self.sign_open or (unit.place not in planned and self.method != "automated"):
            return True
        return any(other.state == "running" for other in self.units)

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

    def refuses_reaction(self, at: datetime, place: int | None, signs: str, now: datetime) -> bool:
        """What was seen is said, of a unit of this session if of one, and not before its start or to come."""
        started = self.start if self.state == "running" else self.start_and_end()[0]
        return not signs or at > now or at < started or (place is not None and self.unit_at(place) is None)

    def react(self, kind: str, place: int | None, by: int, at: datetime, now: datetime) -> None:
        if not self.paused():
            self.stop(by, now)
        self.reactions.append((kind, place))
        self.sign_open = self.sign_open or "haemolytic" in kind
        if self.state != "closed":
            self.keep("reaction", by, at, 0, {})

    def stop(self, by: int, now: datetime) -> bool:
        """Stop the run; say whether it was not stopped for a reaction yet."""
        if self.state != "running" or self.halt() is not None:
            return False
        self.keep("pause", by, now, 0, {"words": STOPPED})
        return True

    def has_turned_unit(self) -> bool:
        return any(s and e and e < s for s, e in self.unit_times().values())

    # Where it stands

    def machine(self) -> dict | None:
        """The totals of an automated session that count."""
        return next((row.said for row in reversed(self.rows) if row.kind == "totals" and not row.undone), None)

    def totals(self) -> dict[str, float]:
        told = self.machine()
        return self.moved() if told is None else {name: told[name] for name in MOST_ML}

    def moved(self) -> dict[str, float]:
        totals = {"saline": 0.0, "red_cells": 0.0, "out": 0.0}
        for row in self.moves():
            totals[row.said["fluid"]] += row.said["in"]
            totals["out"] += row.said["out"]
        return totals

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
            hb = CELLS_HB if row.said["fluid"] == "red_cells" and given else 0.0
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
            same = (row.said["step"], row.said["fluid"], (given > 0, drawn > 0) if self.method == "one_arm" else None)
            fits = same == last and found[-1][1] + given <= 3000 and found[-1][2] + drawn <= 3000
            if fits:
                fluid, in_ml, out_ml, end = found.pop()
                found.append((fluid, in_ml + given, out_ml + drawn, max(end, at)))
            else:
                found.append((row.said["fluid"], given, drawn, at))
            last = same
        return found
