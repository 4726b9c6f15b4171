"""Who is under the haemolysis lock as of a day, and why: signs noted, and samples held against what was expected."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import date, timedelta
from typing import Any

import numpy as np
from numpy.typing import NDArray

from programme.planning.inputs import volumes_ml
from sessions.forecasting import Programme
from sessions.models import HaemolysisSign
from sessions.numeric.haemolysis import WATCH_DAYS, compare
from sessions.numeric.lock import Lock, SampleSeen, SignSeen, judge_lock, sample_seen
from sessions.queries.people import PersonRecord, Sample

SIGN_OF_WORDS = {label: value for value, label in HaemolysisSign.Sign.choices}


def locks(
    programme: Programme,
    records: Sequence[PersonRecord],
    places: NDArray[np.int64],
    samples: Mapping[int, Sequence[Sample]],
) -> dict[int, Lock]:
    """Return the lock of each person who is locked, by key. Places as in `programme`, in the order of `records`."""
    seen = _compared(programme, records, places, samples)
    found = {
        record.pk: judge_lock(
            signs=[SignSeen(on.toordinal(), SIGN_OF_WORDS[words]) for on, words in record.open_signs],
            samples=seen.get(record.pk, ()),
            transfusion_days=_transfusion_days(record),
        )
        for record in records
    }
    return {pk: lock for pk, lock in found.items() if lock.locked}


def lock_words(lock: Lock) -> dict[str, Any]:
    """Return what is stored of a lock: the sentence, each sign and sample, and the day the watch of it ends."""
    rows: list[dict[str, Any]] = [{"sign": reason} for reason in lock.reasons[: len(lock.signs)]]
    for sample in lock.samples:
        when = f"day {sample.days}"
        rows.append(_row(f"Hb, {when}, g/L", sample.hb_expected, sample.hb_lowest, sample.hb_found))
        rows.append(_row(f"HbA mass, {when}, g/L", sample.hba_expected, sample.hba_lowest, sample.hba_found))
    latest = max([sign.day for sign in lock.signs] + [sample.day for sample in lock.samples])
    until = date.fromordinal(latest) + timedelta(days=WATCH_DAYS)
    return {"reason": lock.sentence, "rows": rows, "until": until.isoformat()}


def _row(sign: str, expected: float, lowest: float, found: float) -> dict[str, Any]:
    return {"sign": sign, "expected": round(expected), "lowest": round(lowest), "found": round(found)}


def _compared(
    programme: Programme,
    records: Sequence[PersonRecord],
    places: NDArray[np.int64],
    samples: Mapping[int, Sequence[Sample]],
) -> dict[int, list[SampleSeen | None]]:
    """Hold every sample taken after its person's last session against what was expected, all at once."""
    volume = volumes_ml(tuple(records))
    rows = [
        (row, sample)
        for row, record in enumerate(records)
        for sample in samples.get(record.pk, ())
        if record.last_on is not None and sample.taken_on > record.last_on
    ]
    if not rows:
        return {}
    people = np.array([row for row, _ in rows])
    days = [(sample.taken_on - _last(records[row])).days for row, sample in rows]
    figures = compare(
        programme.watch,
        programme.watched.take(places[people]),
        days=np.array(days, dtype=float),
        hb_g_l=np.array([sample.hb_g_l for _, sample in rows]),
        hba_pct=np.array([sample.hba_pct for _, sample in rows]),
        hbs_pct=np.array([sample.hbs_pct for _, sample in rows]),
        topup_hb_g_l=np.array(
            [_given_by(records[row], sample.taken_on) * 1000.0 / volume[row] for row, sample in rows]
        ),
    )
    seen: dict[int, list[SampleSeen | None]] = {}
    for place, (row, sample) in enumerate(rows):
        found = sample_seen(figures, place, day=sample.taken_on.toordinal(), days=days[place])
        seen.setdefault(records[row].pk, []).append(found)
    return seen


def _last(record: PersonRecord) -> date:
    if record.last_on is None:
        raise ValueError(f"{record.patient_ref} has no session to count days from")
    return record.last_on


def _given_by(record: PersonRecord, day: date) -> float:
    """Donor Hb known to be given since the last session, up to a day. [g]"""
    return float(np.nansum([given.hb_g for given in record.open_transfusions if given.on <= day] or [0.0]))


def _transfusion_days(record: PersonRecord) -> list[int]:
    days = [record.last_on, record.given_on, *(given.on for given in record.open_transfusions)]
    return [day.toordinal() for day in days if day is not None]
