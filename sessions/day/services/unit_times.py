"""What a time put right would make of the unit it is about: its clocks, and the session's start, hang on it."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import replace
from datetime import datetime
from typing import Any
from zoneinfo import ZoneInfo

from sessions.day.numeric.entries import TIME, UNIT_ENDED, UNIT_STARTED, Said
from sessions.day.numeric.naming import unit_time_faults
from sessions.day.numeric.tally import UnitTimes, tally
from sessions.models import DonationUnit, ExchangeSession


def faults_of_unit_times(
    exchange_session: ExchangeSession,
    kind: str,
    body: Mapping[str, Any],
    *,
    entries: Iterable[Said],
    began: datetime | None,
) -> tuple[str, ...]:
    """Return a sentence where a time put right, or one taken back, cannot be for the unit it is about.

    kind, body: of the entry to be kept. entries: of the session so far. began: when it was checked and started. Nothing
    is said, and no query made, where it is about no unit's start or end.
    """
    said = {entry.number: entry for entry in entries}
    about = said[body["number"]]
    if about.kind not in ((UNIT_STARTED, UNIT_ENDED) if kind == TIME else (TIME,)):
        return ()
    if about.kind == TIME:
        about = said[about.body["number"]]
    if about.kind not in (UNIT_STARTED, UNIT_ENDED):
        return ()
    place = int(about.body["unit"])
    would = replace(about, number=max(said) + 1, kind=kind, body=body)
    times = tally((), [*said.values(), would]).units.get(place, UnitTimes())
    moved_start = kind == TIME and about.kind == UNIT_STARTED
    units = DonationUnit.objects.filter(exchange_session=exchange_session, place=place)
    return unit_time_faults(
        place,
        times,
        checked_at=units.values_list("checked_at", flat=True).first() if moved_start else None,
        began=began if moved_start else None,
        zone=ZoneInfo(exchange_session.patient.site.time_zone),
    )
