"""Why the haemolysis lock holds: by the stored forecast, or at once by a sign noted since."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date
from typing import Any

from patients.models import Patient
from programme.core.look import hb_places, hb_shown, hb_unit
from programme.core.numeric.words import listed
from programme.worklist.numeric.words import day_words, figure
from sessions.models import HaemolysisSign, StoredForecast
from sessions.queries.people import PersonRecord


@dataclass(frozen=True, slots=True)
class LockRow:
    """One sign of the lock: what was expected, the lowest one in 200, what was found."""

    sign: str
    expected: str
    lowest: str
    found: str


@dataclass(frozen=True, slots=True)
class Lock:
    """Why nothing is suggested while the haemolysis lock stands."""

    reason: str
    until: str
    rows: tuple[LockRow, ...]
    signs: tuple[tuple[str, str, str], ...]


def lock_of(patient: Patient, forecast: StoredForecast | None, record: PersonRecord, today: date) -> Lock | None:
    """Return why the lock holds on a day, None where it does not; at most one query."""
    locked = None if forecast is None else forecast.locked
    open_signs = {(on, words) for on, words in record.open_signs}
    if not locked and not open_signs:
        return None
    locked = locked or {}
    noted = (
        HaemolysisSign.objects.filter(patient=patient, on__lte=today).select_related("noted_by").order_by("on", "pk")
    )
    signs = [row for row in noted if (row.on, row.get_sign_display()) in open_signs]
    until = locked.get("until")
    return Lock(
        reason=locked.get("reason") or _sign_sentence(open_signs),
        until=day_words(date.fromisoformat(until), today) if until else "",
        rows=tuple(_lock_row(row) for row in locked.get("rows") or ()),
        signs=tuple(
            (
                day_words(row.on, today),
                row.get_sign_display() + (f": {row.note}" if row.note else ""),
                "" if row.noted_by is None else row.noted_by.full_name,
            )
            for row in signs
        ),
    )


def _lock_row(row: Mapping[str, Any]) -> LockRow:
    """A stored sign; one whose name ends in g/L is an Hb and is told in the unit the site reads."""
    sign, figures = row["sign"], [row.get("expected"), row.get("lowest"), row.get("found", "noted")]
    if not sign.endswith("g/L"):
        return LockRow(sign, *(_told(value) for value in figures))
    shown = [hb_shown(value) if isinstance(value, int | float) else value for value in figures]
    return LockRow(f"{sign.removesuffix('g/L')}{hb_unit()}", *(_told(value, hb_places()) for value in shown))


def _sign_sentence(signs: set[tuple[date, str]]) -> str:
    return f"Possible haemolysis: {listed(sorted({words for _, words in signs}))}."


def _told(value: Any, places: int = 0) -> str:
    if value is None:
        return ""
    return figure(value, places) if isinstance(value, int | float) and not isinstance(value, bool) else str(value)
