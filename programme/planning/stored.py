"""Rows of forecasts and suggestions as they are stored, with what they came from."""

from __future__ import annotations

from datetime import date, datetime, timedelta
from typing import Any

import numpy as np
from numpy.typing import NDArray

from programme.planning import inputs, printed
from programme.planning.locks import lock_words
from programme.planning.models import Suggestion
from programme.planning.numeric import choices as ch
from programme.planning.numeric import people as pp
from programme.planning.numeric.loop import PATHS
from programme.planning.reckoning import Reckoned
from sessions import forecasting
from sessions.forecasting import MODEL_VERSION
from sessions.models import ModelFit, StoredForecast
from sessions.numeric.volume import volume_rule

CHANCES_SHOWN = 84


def forecast_row(
    found: Reckoned, row: int, curves: dict[str, NDArray[np.float64]], *, fit: ModelFit, at: datetime
) -> StoredForecast:
    """Return the unsaved forecast of one person."""
    record, place = found.records[row], int(found.places[row])
    known = bool(np.isfinite(curves["p50"][row]).all())
    days: dict[str, Any] | None = None
    if known:
        days = {"days": list(forecasting.CURVE_DAYS)}
        for name, curve in curves.items():
            places = 1 if name == "hb_p50" else 2
            days[name] = [printed.number(value, places) for value in curve[row].tolist()]
    lock = found.locks.get(record.pk)
    return StoredForecast(
        patient_id=record.pk,
        model_fit=fit,
        data_version=record.data_version,
        code_version=MODEL_VERSION,
        as_of=found.programme.as_of,
        made_at=at,
        last_on=inputs.as_date(found.said.last_day[row]),
        pace=forecasting.pace_words(found.programme, place),
        days=days,
        locked=None if lock is None else lock_words(lock),
        flag=forecasting.change_words(found.programme, place),
    )


def suggestion_row(
    found: Reckoned, row: int, shown: dict[str, Any], *, fit: ModelFit, at: datetime, code_version: str
) -> Suggestion:
    """Return the unsaved suggestion of one person."""
    record, said = found.records[row], found.said
    body = printed.plan_object(record.patient_ref, said, row, found.settings["results_stale_days"])
    given = said.bar[row] == pp.AVAILABLE
    return Suggestion(
        patient_id=record.pk,
        model_fit=fit,
        data_version=record.data_version,
        code_version=code_version,
        as_of=found.programme.as_of,
        made_at=at,
        status=body["status"],
        reason=body["reason"] or "",
        next_date=inputs.as_date(said.next_day[row]),
        latest_safe_date=inputs.as_date(said.latest_safe_day[row]),
        interval_days=int(said.interval_days[row]) if given else None,
        chance_today=printed.number(said.chance_today[row], 4),
        body=body,
        options=options_of(found, row, shown) if given else None,
    )


def options_of(found: Reckoned, row: int, shown: dict[str, Any]) -> dict[str, Any]:
    """Return what the pages show beside the suggestion: chances by day, the choices, and the figures it rests on.

    shown: what `beside` says of the same person.
    """
    return shown | {
        "chances": chances(found, row),
        "best_date": date.fromordinal(int(found.said.next_day[row])).isoformat(),
        "earliest_date": earliest(found, row),
        "choices": choices_of(found, row, shown["lived"]),
        "working": working(found, row),
    }


def earliest(found: Reckoned, row: int) -> str:
    """Return the first day worth coming: the shortest interval after the last session, not before today."""
    last = date.fromordinal(int(found.said.last_day[row]))
    first = last + timedelta(days=found.records[row].shortest_interval_days)
    return max(first, found.programme.as_of).isoformat()


def chances(found: Reckoned, row: int) -> list[dict[str, Any]]:
    """Return the chance of being over on every day from today (or the day after the session) on."""
    said = found.said
    last = int(said.last_day[row])
    first = max(last + 1, found.programme.as_of.toordinal())
    columns = np.arange(first - last - 1, min(first - last - 1 + CHANCES_SHOWN, said.risk.on_the_day.shape[1]))
    closed = set(inputs.closed_days(found.site, found.programme.as_of.year))
    wanted = found.records[row].clinic_weekdays or (0, 1, 2, 3, 4)
    rows = []
    for column in columns:
        day = date.fromordinal(last + 1 + int(column))
        is_open = day.weekday() in wanted and day.toordinal() not in closed
        chance = printed.number(said.risk.on_the_day[row, column], 4)
        rows.append({"date": day.isoformat(), "chance": chance, "open": is_open})
    return rows


def choices_of(found: Reckoned, row: int, lived: dict[str, dict[str, Any]]) -> list[dict[str, Any]]:
    """Return the labelled choices at the loop's own steady state."""
    told, number = found.said.choices, printed.number
    weight = found.records[row].weight_kg
    rows = []
    for place, letter in enumerate(ch.LETTERS):
        if told.interval_days[row, place] <= 0:
            continue
        iron = number(told.iron_mg_a_year[row, place], 0)
        rows.append(
            {
                "letter": letter,
                "name": ch.LABELS[place],
                "interval_days": int(told.interval_days[row, place]),
                "end_target_pct": number(told.ends_at_pct[row, place], 1),
                "units": int(told.units[row, place]),
                "over_visit": number(told.chance[row, place], 4),
                "over_year": number(told.once_a_year[row, place], 4),
                "over_visits_year": number(told.over_visits_a_year[row, place], 2),
                "visits_year": number(told.visits_a_year[row, place], 1),
                "units_year": number(told.units_a_year[row, place], 0),
                "iron_year_mg": iron,
                "iron_year_mg_per_kg": None if iron is None else number(iron / weight, 1),
                "suggested": place == int(told.suggested[row]),
                "why": lived_words(lived[letter]) if letter in lived else "",
            }
        )
    return rows


def lived_words(year: dict[str, Any]) -> str:
    """Say what the next year brings when it is lived forward many times from where the person is now."""
    return (
        f"Lived forward from now, {PATHS:,} times: {year['visits']:.0f} visits and {year['units']} units a year, "
        f"over at {100 * year['over_visit']:.0f} of 100 visits."
    )


def working(found: Reckoned, row: int) -> dict[str, Any]:
    """Return the figures the session rests on."""
    record, place, number = found.records[row], int(found.places[row]), printed.number
    mixing = found.programme.mixing
    return {
        "blood_volume_ml": number(found.people.before.blood_volume_ml[row], 0),
        "volume_rule": volume_rule(
            female=record.female,
            height_cm=record.height_cm,
            weight_kg=record.weight_kg,
            age_years=record.age_years,
        ),
        "mixing": number(mixing.factor[place], 3),
        "mixing_sd": number(mixing.factor_sd[place], 3),
        "mixing_words": mixing_words(int(mixing.sessions[place]), float(mixing.factor[place])),
        "hbs_before_pct": number(found.said.hbs_before_pct[row], 1),
        "hbs_before_sd_pct": number(found.said.hbs_before_sd_pct[row], 2),
        "hb_before_g_l": number(found.people.before.hb_g_l[row], 1),
        "hb_before_sd_g_l": number(found.people.before.hb_sd_g_l[row], 2),
        "mixing_rel_sd": number(found.people.before.mixing_rel_sd[row], 4),
        "chance_next": number(found.said.chance_next[row], 4),
        "chance_next_attended": number(found.said.chance_next_attended[row], 4),
        "unit_volume_ml": found.settings["unit_volume_ml"],
        "unit_hb_g": found.settings["unit_hb_g"],
        "longest_allowed_days": int(found.said.limit_days[row]),
    }


def mixing_words(sessions: int, factor: float) -> str:
    """Say where the personal mixing volume comes from."""
    if sessions == 0:
        return "no session tells yet, so the unit's own centre"
    share = 100.0 / factor
    return f"{sessions} sessions removed {share:.0f} in 100 of the ideal share, shrunk towards the unit's own centre"
