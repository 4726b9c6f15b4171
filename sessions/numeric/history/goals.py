"""Which dated ceilings a file of past records adds to those that are stored."""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date


@dataclass(frozen=True, slots=True)
class DatedCeiling:
    """A ceiling [%] that counts from a day on. from_records: brought in from a file, not decided here."""

    since: date
    ceiling_pct: float
    from_records: bool = True


def new_ceilings(
    said: Sequence[tuple[date, float | None]], stored: Sequence[DatedCeiling], *, default_pct: float
) -> list[DatedCeiling]:
    """Return the ceilings of one person that a file adds.

    said: day of each session and the ceiling the file gives there [%] (None: blank), by day. stored: in the order in
    which they count. default_pct: for someone without any ceiling.
    A ceiling of the file is new where it differs from what earlier files said for that day; a ceiling decided here
    since is not undone by reading an old file again.
    """
    earlier = [ceiling for ceiling in stored if ceiling.from_records] or list(stored)
    added: list[DatedCeiling] = []
    for day, ceiling_pct in said:
        begun = [ceiling for ceiling in (*earlier, *added) if ceiling.since <= day]
        # Of those that begin on one day the one added last counts: max keeps the first, so look from the end.
        in_force = max(reversed(begun), key=lambda ceiling: ceiling.since, default=None)
        if in_force is None and not stored and not added:
            added.append(DatedCeiling(day, default_pct if ceiling_pct is None else ceiling_pct))
        elif ceiling_pct is not None and (in_force is None or in_force.ceiling_pct != ceiling_pct):
            added.append(DatedCeiling(day, ceiling_pct))
    return added
