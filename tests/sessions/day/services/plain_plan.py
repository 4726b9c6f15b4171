"""The plan of a plain second version of the bedside: its steps, what of them is done, and how it may be changed."""

import math
from dataclasses import dataclass
from datetime import datetime
from itertools import zip_longest

from tests.sessions.day.services.plain_entries import Entered

UNIT_ML = 258.0
# Nadler, Hidalgo and Bloch, Surgery 1962;51:224-32: a woman of 165 cm and 60 kg. A changed plan is judged from it.
FORMULA_ML = 1000 * (0.3561 * 1.65**3 + 0.03308 * 60 + 0.1833)
Row = tuple[str, float, float]
"""A row of a changed plan as it is typed: fluid, in and out of a whole step [mL]."""
FIRST = ("given", "running", "checked", "at_chair")
PUT_AWAY = ("returned", "discarded")


@dataclass
class Planned:
    """One step: fluid, volumes [mL], and the places of its units."""

    fluid: str
    in_ml: float
    out_ml: float
    units: tuple[int, ...] = ()


class OnAPlan(Entered):
    """The plan of the machine, written out: step → what it is. A change mid-way makes it anew."""

    method: str

    def __init__(self, start: datetime, by: int) -> None:
        super().__init__(start, by)
        self.plan = {1: Planned("saline", 400, 400), 2: Planned("red_cells", 774, 750, (1, 2, 3))}

    def fluid_at(self, step: int) -> str | None:
        return self.plan[step].fluid if step in self.plan else None

    def step_of(self, place: int) -> int:
        """The step that gives a unit; the last one where none does."""
        return next((n for n, step in self.plan.items() if place in step.units), max(self.plan))

    def step_is_done(self, number: int) -> bool:
        if any(r.kind == "step_done" and not r.undone and r.said["step"] == number for r in self.rows):
            return True
        given, drawn = self.moved_in_step(number)
        step = self.plan[number]
        moved = any(row.said["step"] == number for row in self.moves())
        return moved and given >= enough(step.in_ml) and drawn >= enough(step.out_ml)

    def begun(self, number: int) -> bool:
        return sum(self.moved_in_step(number)) > 0

    def over_and_left(self) -> tuple[list[int], list[int]]:
        """Steps up to the last done one behind which nothing was begun, and all others."""
        touched = [n for n in self.plan if self.step_is_done(n) or self.begun(n)]
        over = [n for n in self.plan if n <= max(touched, default=0)]
        while over and not self.step_is_done(over[-1]):
            over.pop()
        return over, [n for n in self.plan if n not in over]

    def given_in(self, number: int) -> list[int]:
        """Places of which something was given in a step of red cells, in order."""
        moves = [row for row in self.moves() if row.said["step"] == number and row.said["unit"] and row.said["in"]]
        return list(dict.fromkeys(row.said["unit"] for row in moves)) if self.plan[number].fluid == "red_cells" else []

    # A change mid-way

    def fit(self, rows: list[Row]) -> list[Row]:
        """The rows as a careful nurse would type them: what was begun stays, with no less than was given and drawn."""
        rows = list(rows)
        for place, number in enumerate(self.over_and_left()[1]):
            given, drawn = self.moved_in_step(number)
            if not self.begun(number) and not any(map(self.begun, self.over_and_left()[1][place:])):
                break
            step = self.plan[number]
            _, into, out = rows[place] if place < len(rows) else (step.fluid, step.in_ml, step.out_ml)
            into = max(into, given) if step.fluid == "saline" else UNIT_ML * math.ceil(max(into, given) / UNIT_ML)
            rows[place : place + 1] = [(step.fluid, into, max(out, drawn))]
        return rows

    def apart(self, rows: list[Row]) -> list[Row]:
        """The rows as they go through one arm: what holds both and was not begun is drawn first, and then given."""
        if self.method != "one_arm":
            return rows
        touched = [n for n in self.plan if self.step_is_done(n) or self.begun(n)]
        begun = max(touched, default=0) - len(self.over_and_left()[0])
        laid = rows[:begun]
        for fluid, into, out in rows[begun:]:
            laid += [("saline", 0.0, out), (fluid, into, 0.0)] if into and out else [(fluid, into, out)]
        return laid

    def as_changed(self, rows: list[Row]) -> list[Row]:
        over, _ = self.over_and_left()
        return [(self.plan[number].fluid, *self.moved_in_step(number)) for number in over] + rows

    def refuses_change(self, rows: list[Row]) -> bool:
        _, left = self.over_and_left()
        for number, row in zip_longest(left, rows[: len(left)]):
            given, drawn = self.moved_in_step(number)
            if row is None and self.begun(number):
                return True
            if row is not None and (row[1] < given or row[2] < drawn):
                return True
            if row is not None and self.begun(number) and row[0] != self.plan[number].fluid:
                return True
        volume, lowest = FORMULA_ML, FORMULA_ML
        for _, into, out in self.as_changed(rows):
            volume += into - out
            lowest = min(lowest, volume)
        return not self.as_changed(rows) or lowest <= 0 or self.cuts_loose(rows)

    def wanted(self, rows: list[Row]) -> list[int]:
        """How many units each row needs: as many as before where nothing of it changed, else by its volume."""
        before = [s for s in (self.plan[n] for n in self.over_and_left()[1]) if s.fluid == "red_cells" and s.in_ml]
        volumes = [row[1] for row in rows if row[0] == "red_cells" and row[1]]
        same = [step.in_ml for step in before] == volumes and all(step.units for step in before)
        counts = iter([len(step.units) for step in before] if same else [round(ml / UNIT_ML) for ml in volumes])
        return [next(counts) if row[0] == "red_cells" and row[1] else 0 for row in rows]

    def placed(self) -> set[int]:
        """Units that stay where something of them was given."""
        return {place for number in self.plan for place in self.given_in(number)}

    def waiting(self) -> list[int]:
        """Places of which more can come: what hangs before what is checked, at the chair, and only planned."""
        rank = {place: len(FIRST) for step in self.plan.values() for place in step.units}
        for unit in self.units:
            is_over = unit.state in PUT_AWAY or (unit.state == "given" and self.given_of(unit) > 0)
            rank[unit.place] = len(FIRST) + 1 if is_over else FIRST.index(unit.state)
        free = [place for place in rank if place not in self.placed() and rank[place] <= len(FIRST)]
        return sorted(free, key=lambda place: (rank[place], place))

    def cuts_loose(self, rows: list[Row]) -> bool:
        """Whether a unit that hangs would be in no step."""
        running = next((unit.place for unit in self.units if unit.state == "running"), None)
        if running is None or running in self.placed():
            return False
        already = [len(self.given_in(number)) for number in self.over_and_left()[1]]
        pairs = zip_longest(self.wanted(rows), already[: len(rows)], fillvalue=0)
        free = sum(max(wanted - given, 0) for wanted, given in pairs)
        return self.waiting().index(running) >= free

    def is_across(self) -> bool:
        """Whether a unit begun in a step that is over is planned for one that is left, and may go on there."""
        over, left = self.over_and_left()
        planned = {place for number in left for place in self.plan[number].units}
        return any(place in planned for number in over for place in self.given_in(number))

    def change(self, rows: list[Row], units: list[tuple[int, ...]]) -> None:
        """Take the changed plan over, once its units are handed out as they must be."""
        over, left = self.over_and_left()
        stays = [self.given_in(number) for number in (*over, *left)] + [[]] * len(rows)
        wanted = [0] * len(over) + self.wanted(rows)
        new: list[int] = []
        for given, places, count in zip(stays, units, wanted, strict=False):
            assert list(places[: len(given)]) == given
            assert len(places) == max(len(given), count)
            new += places[len(given) :]
        waiting, known = self.waiting(), {unit.place for unit in self.units}
        known |= {place for step in self.plan.values() for place in step.units} | self.placed()
        assert new[: len(waiting)] == waiting[: len(new)]
        assert len(set(new)) == len(new)
        assert not known & set(new[len(waiting) :])
        changed = self.as_changed(rows)
        assert len(units) == len(changed)
        self.plan = {n: Planned(*row, places) for n, (row, places) in enumerate(zip(changed, units, strict=True), 1)}


def enough(planned_ml: float) -> float:
    """The least volume that ends a step: a bag may be 10 mL or 5 % short, but never by half."""
    return planned_ml - min(max(10.0, 0.05 * planned_ml), planned_ml / 2)
