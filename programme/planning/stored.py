"""Rows of forecasts and suggestions as they are stored, with what they came from."""

from __future__ import annotations

from datetime import date, datetime, timedelta
from typing import Any

import numpy as np

from programme.core.numeric.words import count_of
from programme.planning import inputs
from programme.planning.locks import lock_words
from programme.planning.models import Suggestion
from programme.planning.numeric import choices as ch
from programme.planning.numeric import people as pp
from programme.planning.numeric.loop import PATHS
from programme.planning.numeric.one_arm import ONE_ARM, TWO_ARM
from programme.planning.printed import number, numbers
from programme.planning.reckoning import Part, Reckoned, printed_plans
from sessions import forecasting
from sessions.forecasting import MODEL_VERSION
from sessions.models import ModelFit, StoredForecast
from sessions.numeric.volume import volume_rule

CHANCES_SHOWN = 84


def forecast_rows(found: Reckoned, *, fit: ModelFit, at: datetime) -> list[StoredForecast]:
    """Return the unsaved forecasts of everyone reckoned."""
    programme, places = found.programme, found.places
    curves = forecasting.curves(programme.fit, found.pace)
    columns = {"days": [list(forecasting.CURVE_DAYS)] * len(places)}
    columns |= {name: numbers(curve, 2) for name, curve in curves.items()}
    hb = forecasting.hb_curve(programme, places, np.array(forecasting.CURVE_DAYS, dtype=float))
    columns["hb_p50"] = numbers(hb, 1)
    known = np.isfinite(curves["p50"][:, -1])
    last_days, used = found.said.last_day.tolist(), programme.read.results_behind(places)
    paces = forecasting.pace_words(programme, places)
    return [
        StoredForecast(
            patient_id=record.pk,
            model_fit=fit,
            data_version=record.data_version,
            code_version=MODEL_VERSION,
            as_of=programme.as_of,
            made_at=at,
            last_on=inputs.as_date(last_days[row]),
            pace=paces[row],
            days={name: values[row] for name, values in columns.items()} if known[row] else None,
            results_used=used[row],
            locked=lock_words(found.locks[record.pk]) if record.pk in found.locks else None,
            flag=forecasting.change_words(programme, int(places[row])),
        )
        for row, record in enumerate(found.records)
    ]


def suggestion_rows(
    found: Part, shown: list[dict[str, Any]], *, fit: ModelFit, at: datetime, code_version: str
) -> list[Suggestion]:
    """Return the unsaved suggestions of everyone reckoned. shown: what `beside` says of them."""
    said = found.said
    next_days, latest_days, intervals = (
        said.next_day.tolist(),
        said.latest_safe_day.tolist(),
        said.interval_days.tolist(),
    )
    chances = numbers(said.chance_today, 4)
    bodies, options = printed_plans(found), options_of(found, shown)
    return [
        Suggestion(
            patient_id=record.pk,
            model_fit=fit,
            data_version=record.data_version,
            code_version=code_version,
            as_of=found.programme.as_of,
            made_at=at,
            status=bodies[row]["status"],
            reason=bodies[row]["reason"] or "",
            next_date=inputs.as_date(next_days[row]),
            latest_safe_date=inputs.as_date(latest_days[row]),
            interval_days=None if options[row] is None else intervals[row],
            chance_today=chances[row],
            body=bodies[row],
            options=options[row],
            caution=found.caution,
        )
        for row, record in enumerate(found.records)
    ]


def options_of(found: Part, shown: list[dict[str, Any]]) -> list[dict[str, Any] | None]:
    """Return what the pages show beside each suggestion: chances by day, the choices, and the figures it rests on.

    shown: what `beside` says of the same people. None where nothing is suggested.
    """
    given = (found.said.bar == pp.AVAILABLE).tolist()
    chances, choices, figures = chances_by_day(found), choices_of(found), working(found)
    best_days = found.said.next_day.tolist()
    options: list[dict[str, Any] | None] = []
    for row, beside in enumerate(shown):
        if not given[row]:
            options.append(None)
            continue
        for choice in choices[row]:
            lived = beside["lived"].get(choice["letter"])
            choice["why"] = "" if lived is None else lived_words(lived)
        options.append(
            beside
            | {
                "chance_by_day": chances[row],
                "best_date": date.fromordinal(best_days[row]).isoformat(),
                "earliest_date": earliest(found, row),
                "choices": choices[row],
                "series": series_of(found, row),
                "working": figures[row],
            }
        )
    return options


def earliest(found: Reckoned, row: int) -> str:
    """Return the first day worth coming: as soon after the last session as may be, not before today."""
    last = date.fromordinal(int(found.said.last_day[row]))
    first = last + timedelta(days=found.records[row].soonest_days)
    return max(first, found.programme.as_of).isoformat()


def chances_by_day(found: Reckoned) -> list[dict[str, Any]]:
    """Return each one's chance of being over on every day from today (or the day after the session) on."""
    today = found.programme.as_of.toordinal()
    every = numbers(found.said.risk.on_the_day, 4)
    rows = []
    for last, chances in zip(found.said.last_day.tolist(), every, strict=True):
        first = max(last + 1, today)
        begin = first - last - 1
        rows.append({"from": date.fromordinal(first).isoformat(), "chance": chances[begin : begin + CHANCES_SHOWN]})
    return rows


def choices_of(found: Reckoned) -> list[list[dict[str, Any]]]:
    """Return each one's labelled choices at the loop's own steady state."""
    told = found.said.choices
    weights = np.array([record.weight_kg for record in found.records])
    columns = {
        "interval_days": told.interval_days.tolist(),
        "end_target_pct": numbers(told.ends_at_pct, 1),
        "units": told.units.tolist(),
        "over_visit": numbers(told.chance, 4),
        "over_year": numbers(told.once_a_year, 4),
        "over_visits_year": numbers(told.over_visits_a_year, 2),
        "days_over": numbers(told.days_over_a_year, 1),
        "visits_year": numbers(told.visits_a_year, 1),
        "units_year": numbers(told.units_a_year, 0),
        "iron_year_mg": numbers(told.iron_mg_a_year, 0),
        "iron_year_mg_per_kg": numbers(np.round(told.iron_mg_a_year) / weights[:, None], 1),
        "suggested": (np.arange(len(ch.LETTERS)) == told.suggested[:, None]).tolist(),
    }
    names = [{"letter": letter, "name": name} for letter, name in zip(ch.LETTERS, ch.LABELS, strict=True)]
    return [
        [
            names[place] | {key: values[row][place] for key, values in columns.items()}
            for place in range(len(names))
            if columns["interval_days"][row][place] > 0
        ]
        for row in range(len(found.records))
    ]


def series_of(found: Reckoned, row: int) -> list[dict[str, Any]]:
    """Return the sessions on consecutive open days, where one does not reach the end target; [] elsewhere."""
    series = found.said.series
    return [
        {
            "date": date.fromordinal(int(series.day[row, place])).isoformat(),
            "units": int(series.units[row, place]),
            "saline_ml": number(series.saline_ml[row, place], 0),
            "red_cells_ml": number(series.red_cells_ml[row, place], 0),
            "blood_out_ml": number(series.blood_out_ml[row, place], 0),
            "hb_before_g_l": number(series.hb_before_g_l[row, place], 0),
            "hb_after_g_l": number(series.hb_after_g_l[row, place], 0),
            "rise_g_l": number(series.rise_high_g_l[row, place], 0),
            "hbs_before_pct": number(series.hbs_before_pct[row, place], 1),
            "hbs_after_pct": number(series.hbs_after_pct[row, place], 1),
        }
        for place in range(int(series.sessions[row]))
    ]


def lived_words(year: dict[str, Any]) -> str:
    """Say what the next year brings when it is lived forward many times from where the person is now."""
    return (
        f"Lived forward from now, {PATHS:,} times: {count_of(round(year['visits']), 'visit')} and "
        f"{count_of(year['units'], 'unit')} a year, "
        f"over at {100 * year['over_visit']:.0f} of 100 visits and on {year['days_over']:.0f} days."
    )


def working(found: Reckoned) -> list[dict[str, Any]]:
    """Return the figures each one's session rests on, fine enough for pages to come to the same session again."""
    said, before, mixing, places = found.said, found.people.before, found.programme.mixing, found.places
    factor = mixing.factor[places]
    columns = {
        "blood_volume_ml": numbers(before.blood_volume_ml, 1),
        "volume_rule": [
            volume_rule(
                female=record.female,
                height_cm=record.height_cm,
                weight_kg=record.weight_kg,
                age_years=record.age_years,
            )
            for record in found.records
        ],
        "mixing": numbers(factor, 5),
        "mixing_sd": numbers(mixing.factor_sd[places], 3),
        "mixing_words": [
            mixing_words(*row) for row in zip(mixing.sessions[places].tolist(), factor.tolist(), strict=True)
        ],
        "hbs_before_pct": numbers(said.hbs_before_pct, 3),
        "hbs_before_sd_pct": numbers(said.hbs_before_sd_pct, 2),
        "hb_before_g_l": numbers(before.hb_g_l, 3),
        "hb_before_sd_g_l": numbers(before.hb_sd_g_l, 2),
        "mixing_rel_sd": numbers(before.mixing_rel_sd, 4),
        "chance_next": numbers(said.chance_next, 4),
        "chance_next_attended": numbers(said.chance_next_attended, 4),
        "longest_allowed_days": said.limit_days.tolist(),
        "method": np.where(np.isfinite(said.plan.part_ml), ONE_ARM, TWO_ARM).tolist(),
        "deepest_deficit_ml": numbers(said.plan.deepest_deficit_ml, 0),
        "largest_excess_ml": numbers(said.plan.largest_excess_ml, 0),
    }
    of_site = {name: found.settings[name] for name in ("unit_volume_ml", "unit_hb_g")}
    return [{name: values[row] for name, values in columns.items()} | of_site for row in range(len(found.records))]


def mixing_words(sessions: int, factor: float) -> str:
    """Say where the personal mixing volume comes from."""
    if sessions == 0:
        return "no session tells yet, so the unit's own centre"
    share = 100.0 / factor
    removed = f"{count_of(sessions, 'session')} removed {share:.0f} in 100 of the ideal share"
    return f"{removed}, shrunk towards the unit's own centre"
