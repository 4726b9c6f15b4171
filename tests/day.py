"""A day of exchange for tests: one person, a signed plan, and what was entered at the chair. All of it is invented."""

from __future__ import annotations

from datetime import timedelta
from typing import Any

from patients.models import Analyte, Patient
from programme.core.models import User
from sessions.day.models import Entry
from sessions.day.services import afterwards, finishing
from sessions.models import ExchangeSession
from tests.factories import (
    NOW,
    TODAY,
    make_entry,
    make_planned_session,
    make_prescription,
    make_result,
    make_unit,
)

STARTED = NOW - timedelta(hours=4)
PLAN = [
    {"number": 1, "fluid": "saline", "units": [], "in_ml": 300, "out_ml": 300, "draws": [300], "why": "",
     "cells_hb_g_l": 0.0},
    {"number": 2, "fluid": "red_cells", "units": [1, 2, 3], "in_ml": 774, "out_ml": 760, "draws": [260, 250, 250],
     "why": "", "cells_hb_g_l": 193.8},
]  # fmt: skip
DONE = (
    ("moved", {"step": 1, "in_ml": 300, "out_ml": 300}, 10),
    ("unit_started", {"unit": 1}, 12),
    ("observation", {"moment": "after_15", "bp_sys": 112, "bp_dia": 70, "pulse": 78}, 27),
    ("moved", {"step": 2, "in_ml": 258, "out_ml": 260, "unit": 1}, 50),
    ("unit_ended", {"unit": 1}, 51),
    ("unit_started", {"unit": 2}, 53),
    ("observation", {"moment": "after_15", "bp_sys": 114, "bp_dia": 70, "pulse": 78}, 68),
    ("moved", {"step": 2, "in_ml": 258, "out_ml": 250, "unit": 2}, 90),
    ("unit_ended", {"unit": 2}, 91),
    ("unit_started", {"unit": 3}, 93),
    ("observation", {"moment": "after_15", "bp_sys": 114, "bp_dia": 71, "pulse": 77}, 108),
    ("moved", {"step": 2, "in_ml": 258, "out_ml": 250, "unit": 3}, 130),
    ("observation", {"moment": "end", "bp_sys": 115, "bp_dia": 71, "pulse": 76}, 131),
    ("unit_ended", {"unit": 3}, 131),
)
ENDED = STARTED + timedelta(minutes=131)


MACHINE_PLAN = [{**PLAN[1], "number": 1, "draws": [], "why": "totals only"}]
MACHINE_TOTALS = {
    "saline_in_ml": 200, "red_cells_in_ml": 774, "blood_out_ml": 980, "units": 3,
    "started_at": (STARTED + timedelta(minutes=5)).isoformat(), "ended_at": ENDED.isoformat(),
    "end_words": "end haematocrit 0.31",
}  # fmt: skip
MACHINE_UNITS = tuple(one for one in DONE if one[0] in ("unit_started", "unit_ended", "observation"))
MACHINE_DONE = (*MACHINE_UNITS, ("totals", MACHINE_TOTALS, 134))


def automated_day(patient: Patient, *, entries: Any = MACHINE_DONE, **given: Any) -> ExchangeSession:
    """A session of today on a machine, its three units given one after another and its totals entered."""
    return running_day(patient, entries=entries, method="automated", steps=MACHINE_PLAN, **given)


def running_day(
    patient: Patient, *, nurse: User, consultant: User, entries: Any = DONE, steps: Any = PLAN, **fields: Any
) -> ExchangeSession:
    """A session of today that runs, with results of the morning, three units and everything entered but its end."""
    values = {"state": "running", "started_at": STARTED, "weight_kg": 60.0, "method": "two_arm", **fields}
    session = make_planned_session(patient, on=TODAY, **values)
    for analyte, value in ((Analyte.HB, 94.0), (Analyte.HBS, 34.0)):
        make_result(patient, analyte=analyte, value=value, taken_at=STARTED - timedelta(hours=2))
    make_prescription(
        session, signed_by=consultant, units=3, steps=steps, hb_g_l=94.0, hbs_pct=34.0, made_by=nurse,
        made_at=STARTED - timedelta(hours=1), method=values["method"], weight_kg=values["weight_kg"],
    )  # fmt: skip
    started = {body["unit"] for kind, body, _ in entries if kind == "unit_started"}
    for place in (1, 2, 3):
        state = {"state": "running"} if place in started else {"state": "returned", "end_reason": "not needed"}
        make_unit(
            session, place=place, donation_number=f"G{session.pk:04d}260000{place}", abo="O", rhd="+", volume_ml=258,
            first_checker=nurse, second_checker=consultant, checked_at=STARTED, **state,
        )  # fmt: skip
    for kind, body, minute in entries:
        at, number = STARTED + timedelta(minutes=minute), Entry.objects.filter(exchange_session=session).count()
        make_entry(session, kind, body, by=nurse, happened_at=at, received_at=at, seen=number)
    return session


def finished_day(
    patient: Patient, *, nurse: User, consultant: User, make: Any = running_day, **fields: Any
) -> ExchangeSession:
    """The same, finished; `make` makes the day that is then finished."""
    session = make(patient, nurse=nurse, consultant=consultant, **fields)
    return finishing.finish(
        exchange_session=session, version=session.version, actor=nurse, at=ENDED + timedelta(minutes=4),
        key=f"finish-{session.pk}", reason="as planned",
    )  # fmt: skip


def sampled_day(
    patient: Patient,
    *,
    nurse: User,
    consultant: User,
    hb_g_l: float = 102.0,
    hbs_pct: float = 25.5,
    after_min: int = 34,
    from_return: bool = False,
    **fields: Any,
) -> ExchangeSession:
    """The same, with an after-sample and its results."""
    session = finished_day(patient, nurse=nurse, consultant=consultant, **fields)
    taken_at = ENDED + timedelta(minutes=after_min)
    afterwards.record_sample(
        exchange_session=session, taken_at=taken_at, place="left arm", from_return=from_return,
        key=f"sample-{session.pk}", actor=nurse, at=taken_at,
    )  # fmt: skip
    afterwards.record_after_results(
        exchange_session=session, values={Analyte.HB: hb_g_l, Analyte.HBS: hbs_pct}, method="HPLC", actor=nurse,
        at=taken_at + timedelta(minutes=18),
    )  # fmt: skip
    return ExchangeSession.objects.get(pk=session.pk)
