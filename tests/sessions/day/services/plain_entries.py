"""What was entered at a plain second version of the bedside, and what is read straight off it, by loops."""

from dataclasses import dataclass, field
from datetime import datetime

STOPPED = "stopped for a reaction"


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


class Entered:
    """rows: in the order in which they came. order: volumes in the order in which they count."""

    def __init__(self, start: datetime, by: int) -> None:
        self.start = start
        self.rows = [Row(1, "start_check", by, start), Row(2, "observation", by, start)]
        self.order: list[Row] = []
        self.units: list[Unit] = []

    def find(self, number: int) -> Row | None:
        return self.rows[number - 1] if 1 <= number <= len(self.rows) else None

    def unit_at(self, place: int | None) -> Unit | None:
        return next((unit for unit in self.units if unit.place == place), None)

    def keep(self, kind: str, by: int, at: datetime, seen: int, said: dict, waited: bool = False) -> int:
        if kind == "undo":
            self.rows[said["number"] - 1].undone = True
        row = Row(len(self.rows) + 1, kind, by, at, min(seen, len(self.rows)), said)
        self.rows.append(row)
        if kind == "moved":
            self.order.insert(self.place_of(at) if waited else len(self.order), row)
        return row.number

    def place_of(self, at: datetime) -> int:
        """Where a volume stands that waited: after the last one that was made by then."""
        place = 0
        for n, row in enumerate(self.order, start=1):
            if not row.undone and self.when(row) <= at:
                place = n
        return place

    def moves(self) -> list[Row]:
        return [row for row in self.order if not row.undone]

    def moved_in_step(self, step: int) -> tuple[float, float]:
        mine = [row for row in self.moves() if row.said["step"] == step]
        return sum(row.said["in"] for row in mine), sum(row.said["out"] for row in mine)

    def given_of(self, unit: Unit) -> float:
        return sum(row.said["in"] for row in self.moves() if row.said["unit"] == unit.place)

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

    def units_started(self) -> list[int]:
        return [place for place, (started, _) in self.unit_times().items() if started]

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

    # Pauses, and what holds them

    def paused(self) -> bool:
        kinds = [row.kind for row in self.rows if row.kind in ("pause", "resume") and not row.undone]
        return bool(kinds) and kinds[-1] == "pause"

    def said_about(self, pause: Row) -> list[Row]:
        """Every pause and reaction between the going on before a pause and the one after it."""
        goes = [row.number for row in self.rows if row.kind == "resume" and not row.undone]
        since = max([number for number in goes if number < pause.number], default=0)
        until = min([number for number in goes if number > pause.number], default=len(self.rows) + 1)
        between = [row for row in self.rows if since < row.number < until and not row.undone]
        return [row for row in between if row.kind in ("pause", "reaction")]

    def is_for_a_reaction(self, pause: Row) -> bool:
        return any(row.kind == "reaction" or row.said.get("words") == STOPPED for row in self.said_about(pause))

    def halt(self) -> Row | None:
        """What was said last of the reaction for which the run stands still; None where it is for none."""
        pauses = [row for row in self.rows if row.kind == "pause" and not row.undone]
        if not self.paused() or not self.is_for_a_reaction(pauses[-1]):
            return None
        return self.said_about(pauses[-1])[-1]
