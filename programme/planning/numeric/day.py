"""The session of one person on one day, from what is measured on that day: the same search, tables and limits.

The end target and the interval after come from the suggestion (`suggest`); HbS and Hb before are those of the day. By
hand in two arms or in one the steps are worked out; of an automated session only totals and the end are (`automated`).
"""

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from programme.planning.numeric import automated, details
from programme.planning.numeric import people as pp
from programme.planning.numeric.dayplan import DayPlan, DayStep, SeriesDay, spread, unavailable
from programme.planning.numeric.limits import WORDS, hb_after_warn
from programme.planning.numeric.one_arm import AUTOMATED, METHODS
from programme.planning.numeric.people import PeopleInputs
from programme.planning.numeric.prescribe import NO_PLAN, STOP_HELD, prescribe, try_sessions
from programme.planning.numeric.risk import Outlook
from programme.planning.numeric.search import UNFAVOURABLE_TENTH, Before
from programme.planning.numeric.series import Series, not_reached_words, plan_series
from programme.planning.numeric.suggest import SiteRules, Suggestions, outlook_of, suggest_many
from sessions.numeric.drift.fit import ProgrammeFit
from sessions.numeric.drift.person import PeoplePace
from sessions.numeric.exchange import Start, Step, run_steps

Floats = NDArray[np.float64]


def plan_day(
    people: PeopleInputs,
    fit: ProgrammeFit,
    pace: PeoplePace,
    site: SiteRules,
    *,
    day: int,
    hbs_pct: float,
    hbs_sd_pct: float,
    method: str,
    end_target_pct: float | None = None,
) -> DayPlan:
    """Plan the session of one person on `day`.

    people, pace : of that one person, Hb of the day in `people.before`. hbs_pct, hbs_sd_pct : HbS as the session begins
    and its spread; nan takes the forecast of the day. method : one of `one_arm.METHODS`; its limits are in
    `people.limits`. end_target_pct : a prescriber's own for today; None takes the suggested one.
    Raises ValueError for an unknown method. Formulas in `prescribe`, `one_arm` and `automated`.
    """
    if method not in METHODS:
        raise ValueError(f"method must be one of {', '.join(METHODS)}, not {method!r}")
    said = suggest_many(people, fit, pace, site, as_of_day=day)
    reason = pp.reason_sentence(int(said.bar[0]), site.results_stale_days)
    if reason is None and np.isnan(people.before.hb_g_l[0]):
        reason = "Hb before the session is not known: measure it."
    if reason is not None:
        return unavailable(reason, method, day)
    said = _on_the_day(said, fit, pace, day, hbs_pct, hbs_sd_pct, end_target_pct)
    if method == AUTOMATED:
        return _automated(said, people, outlook_of(fit, pace), site, day)
    plan = prescribe(
        before=people.before,
        hbs_before_pct=said.hbs_before_pct,
        end_target_pct=said.end_target_pct,
        cells=site.cells,
        limits=people.limits,
    )
    return _by_hand(replace(said, plan=plan), people, fit, pace, site, day, method)


def _on_the_day(
    said: Suggestions, fit: ProgrammeFit, pace: PeoplePace, day: int, hbs_pct: float, hbs_sd_pct: float,
    end_target_pct: float | None,
) -> Suggestions:  # fmt: skip
    """The suggestion with HbS before, and where asked the end target, of the day itself."""
    if np.isnan(hbs_pct):
        seen = outlook_of(fit, pace)(days=np.maximum(day - said.last_day, 0).astype(float))
        hbs = np.clip(np.nan_to_num(seen.median(), nan=1.0), 0.5, 99.0)
        sd = (seen.quantile(0.9) - seen.quantile(0.1)) / (2.0 * UNFAVOURABLE_TENTH)
    else:
        hbs, sd = np.array([float(hbs_pct)]), np.array([float(hbs_sd_pct)])
    target = said.end_target_pct if end_target_pct is None else np.array([float(end_target_pct)])
    return replace(said, hbs_before_pct=hbs, hbs_before_sd_pct=np.asarray(sd), end_target_pct=target)


def _by_hand(
    said: Suggestions, people: PeopleInputs, fit: ProgrammeFit, pace: PeoplePace, site: SiteRules, day: int, method: str
) -> DayPlan:
    plan, before = said.plan, people.before
    given = bool(plan.standing[0] != NO_PLAN)
    weighed = details.weigh(people, try_sessions(before, site.cells, people.limits), said)
    series = plan_series(
        plan,
        before=before,
        hbs_before_pct=said.hbs_before_pct,
        end_target_pct=said.end_target_pct,
        pace_pct_per_day=pace.pace_pct_per_day,
        day=np.array([day]),
        open_days=people.open_days,
        cells=site.cells,
        limits=people.limits,
    )
    hbs_sd = np.hypot(
        plan.hbs_after_pct[0] * plan.ratio_rel_sd[0],
        said.hbs_before_sd_pct[0] * plan.hbs_after_pct[0] / said.hbs_before_pct[0],
    )
    days = _series_days(series)
    return DayPlan(
        status="ok",
        reason="",
        method=method,
        standing="none" if not given else "warn" if plan.standing[0] == STOP_HELD else "ok",
        reached=bool(plan.reached[0]),
        day=day,
        end_target_pct=float(said.end_target_pct[0]),
        interval_after_days=int(said.interval_after_days[0]),
        blood_volume_ml=float(before.blood_volume_ml[0]),
        mixing=float(before.mixing[0]),
        hb_before_g_l=float(before.hb_g_l[0]),
        hb_before_sd_g_l=float(before.hb_sd_g_l[0]),
        hbs_before_pct=float(said.hbs_before_pct[0]),
        hbs_before_sd_pct=float(said.hbs_before_sd_pct[0]),
        mixing_rel_sd=float(before.mixing_rel_sd[0]),
        units=int(plan.units[0]),
        saline_ml=float(plan.saline_ml[0]),
        red_cells_ml=float(plan.red_cells_ml[0]),
        blood_out_ml=float(plan.blood_out_ml[0]),
        steps=_steps(said, people) if given else (),
        hbs_after_pct=spread(float(plan.hbs_after_pct[0]), float(hbs_sd)),
        hb_after_g_l=spread(
            float(plan.hb_settled_g_l[0]),
            float(plan.end_high_g_l[0] - plan.hb_settled_g_l[0]) / UNFAVOURABLE_TENTH,
        ),
        highest_hb_g_l=float(max(plan.end_high_g_l[0], plan.peak_high_g_l[0])),
        lowest_hb_g_l=float(plan.lowest_low_g_l[0]),
        rise_g_l=float(plan.rise_high_g_l[0]),
        deepest_deficit_ml=float(plan.deepest_deficit_ml[0]),
        largest_excess_ml=float(plan.largest_excess_ml[0]),
        net_iron_mg=float(plan.net_iron_mg[0]),
        limits=details.limit_rows(people, said)[0],
        marginal=details.units_rows(weighed, people, outlook_of(fit, pace), said)[0] if given else (),
        alternatives=details.other_orders(weighed, people, said)[0],
        series=days if len(days) > 1 else (),
        warnings=tuple(_warnings(given, said, series)),
        working=(*_working(said, people, site), *_hand_working(said)),
    )


def _steps(said: Suggestions, people: PeopleInputs) -> tuple[DayStep, ...]:
    before = people.before
    given = said.plan.steps(0)
    done = run_steps(
        Start(float(before.blood_volume_ml[0]), float(before.hb_g_l[0]), float(said.hbs_before_pct[0])),
        [Step("red_cells" if hb > 0.0 else "saline", in_ml, out_ml, hb) for in_ml, out_ml, hb in given],
        mixing=float(before.mixing[0]),
    )
    return tuple(
        DayStep(
            number=number,
            fluid="red_cells" if hb > 0.0 else "saline",
            in_ml=in_ml,
            out_ml=out_ml,
            fluid_hb_g_l=hb,
            hb_g_l=state.hb_g_l,
            hbs_pct=state.hbs_pct,
            balance_ml=state.balance_ml,
        )
        for number, ((in_ml, out_ml, hb), state) in enumerate(zip(given, done.steps, strict=True), start=1)
    )


def _automated(said: Suggestions, people: PeopleInputs, outlook: Outlook, site: SiteRules, day: int) -> DayPlan:
    before, limits = people.before, people.limits
    found, menu = automated.plan_automated(
        before=before,
        hbs_before_pct=said.hbs_before_pct,
        end_target_pct=said.end_target_pct,
        cells=site.cells,
        limits=limits,
    )
    hbs_sd = float(found.hbs_after_pct[0]) * np.hypot(
        found.hbs_ratio_rel_sd[0], said.hbs_before_sd_pct[0] / said.hbs_before_pct[0]
    )
    end = spread(float(found.hb_end_g_l[0]), float(found.hb_end_sd_g_l[0]))
    low_start = float(before.hb_g_l[0] - UNFAVOURABLE_TENTH * before.hb_sd_g_l[0])
    high_start = float(before.hb_g_l[0] + UNFAVOURABLE_TENTH * before.hb_sd_g_l[0])
    warn = float(hb_after_warn(limits, found.hbs_after_pct)[0])
    rise = float(found.hb_end_g_l[0] - before.hb_g_l[0])
    out, most_out = float(found.blood_out_ml[0]), float(limits.blood_out_stop_ml[0])
    state = details.KEPT if end.p90 <= warn + 0.05 else details.WARNED
    state = details.STOPPED if end.p90 > limits.hb_after_stop_g_l[0] + 0.05 else state
    return replace(
        unavailable("", AUTOMATED, day),
        status="ok",
        standing="ok" if state == details.KEPT else "warn",
        reached=bool(found.reached[0]),
        end_target_pct=float(said.end_target_pct[0]),
        interval_after_days=int(said.interval_after_days[0]),
        blood_volume_ml=float(before.blood_volume_ml[0]),
        mixing=float(before.mixing[0]),
        hb_before_g_l=float(before.hb_g_l[0]),
        hb_before_sd_g_l=float(before.hb_sd_g_l[0]),
        hbs_before_pct=float(said.hbs_before_pct[0]),
        hbs_before_sd_pct=float(said.hbs_before_sd_pct[0]),
        mixing_rel_sd=float(before.mixing_rel_sd[0]),
        units=int(found.units[0]),
        saline_ml=0.0,
        red_cells_ml=float(found.red_cells_ml[0]),
        blood_out_ml=float(found.blood_out_ml[0]),
        hbs_after_pct=spread(float(found.hbs_after_pct[0]), float(hbs_sd)),
        hb_after_g_l=end,
        highest_hb_g_l=max(end.p90, high_start),
        lowest_hb_g_l=min(end.p10, low_start),
        rise_g_l=rise,
        net_iron_mg=float(found.net_iron_mg[0]),
        limits=(
            details.LimitRow("hb_after", f"{WORDS['hb_after']}; as the machine is set", end.p90, warn, "g/L", state),
            details.LimitRow(
                "units", f"{WORDS['units']}; this person's own or the site's", float(found.units[0]),
                float(limits.units_most[0]), "", details.KEPT,
            ),
            details.LimitRow(
                "blood_out", f"{WORDS['blood_out']}; drawn and kept, level with the red cells", out, most_out, "mL",
                details.KEPT if out <= most_out else details.STOPPED,
            ),
        ),
        marginal=_automated_rows(menu, said, people, outlook, int(found.units[0])),
        warnings=(
            () if found.reached[0] else ("The end target is out of reach with the units and limits allowed.",)
        )
        + ("Volumes of the machine's own circuit are not in these figures; its settings and limits decide.",),
        working=(
            *_working(said, people, site),
            ("Hb removed", f"{found.hb_out_g_l[0]:.0f} g/L", "in the volume drawn and kept, level with the red cells"),
            ("own cells left by mass", "(M₁/M₀)^(−out/(in − out))", "Hb mass in and out at steady rates, well mixed"),
        ),
    )  # fmt: skip


def _automated_rows(
    menu: list[automated.AutomatedPlan], said: Suggestions, people: PeopleInputs, outlook: Outlook, chosen: int
) -> tuple[details.UnitsRow, ...]:
    most_out_ml, rows = float(people.limits.blood_out_stop_ml[0]), []
    ends = [float(said.hbs_before_pct[0]), *(float(row.hbs_after_pct[0]) for row in menu)]
    chances = details.chance_of_ends(np.nan_to_num(np.array([ends]), nan=1.0), outlook, people, said)[0]
    for number in range(max(chosen - details.LEAST_UNITS, 1), min(chosen + details.MORE_UNITS, len(menu)) + 1):
        row = menu[number - 1]
        rows.append(
            details.UnitsRow(
                units=number,
                hbs_pct=ends[number],
                points=ends[number - 1] - ends[number],
                hb_g_l=float(row.hb_end_g_l[0]),
                out_ml=float(row.blood_out_ml[0]),
                chance=float(chances[number]),
                limit="" if row.blood_out_ml[0] <= most_out_ml else f"draws over the {most_out_ml:,.0f} mL allowed",
            )
        )
    return tuple(rows)


def _warnings(given: bool, said: Suggestions, series: Series) -> list[str]:
    found = []
    if not given:
        found.append("No session keeps every limit: a prescriber sets units, saline and order.")
    elif not said.plan.reached[0]:
        found.append(
            not_reached_words(
                int(series.sessions[0]), reached=bool(series.reached[0]), end_pct=float(said.plan.hbs_after_pct[0]),
                target_pct=float(said.end_target_pct[0]),
            )
        )  # fmt: skip
    if said.plan.standing[0] == STOP_HELD:
        found.append("A warning limit is passed, no stop: a prescriber gives the reason.")
    return found


def _working(said: Suggestions, people: PeopleInputs, site: SiteRules) -> tuple[tuple[str, str, str], ...]:
    before, cells = people.before, site.cells
    return (
        ("blood volume, for limits and mL/kg", f"{before.blood_volume_ml[0]:.0f} mL", "by formula and today's weight"),
        ("mixes like, for HbS and Hb", f"{before.blood_volume_ml[0] * before.mixing[0]:.0f} mL", "from past sessions"),
        ("HbS before", f"{said.hbs_before_pct[0]:.1f} %", f"give or take {said.hbs_before_sd_pct[0]:.1f} points"),
        ("Hb before", f"{before.hb_g_l[0]:.0f} g/L", f"give or take {before.hb_sd_g_l[0]:.1f} g/L"),
        (
            "donor unit",
            f"{cells.unit_ml:.0f} mL, {cells.unit_ml * cells.hb_g_l / 1000.0:.0f} g Hb",
            f"site setting; give or take {100.0 * cells.unit_hb_rel_sd:.0f} in 100",
        ),
        (
            "end target",
            f"{said.end_target_pct[0]:.1f} %",
            f"holds {said.interval_after_days[0]} days within the accepted chance",
        ),
    )


def _hand_working(said: Suggestions) -> tuple[tuple[str, str, str], ...]:
    plan = said.plan
    return (
        ("HbS after over before", f"{plan.hbs_after_pct[0] / said.hbs_before_pct[0]:.3f}", "well mixed, step by step"),
        ("deepest deficit", f"{plan.deepest_deficit_ml[0]:.0f} mL", "all fluids, in less out, at any moment"),
        ("largest excess", f"{plan.largest_excess_ml[0]:.0f} mL", "all fluids, in less out, at any moment"),
        ("net iron", f"{plan.net_iron_mg[0]:.0f} mg", "Hb in less Hb out"),
    )


def _series_days(series: Series) -> tuple[SeriesDay, ...]:
    return tuple(
        SeriesDay(
            day=int(series.day[0, number]),
            units=int(series.units[0, number]),
            saline_ml=float(series.saline_ml[0, number]),
            red_cells_ml=float(series.red_cells_ml[0, number]),
            blood_out_ml=float(series.blood_out_ml[0, number]),
            hb_before_g_l=float(series.hb_before_g_l[0, number]),
            hbs_before_pct=float(series.hbs_before_pct[0, number]),
            hb_after_g_l=float(series.hb_after_g_l[0, number]),
            hbs_after_pct=float(series.hbs_after_pct[0, number]),
        )
        for number in range(int(series.sessions[0]))
    )


def measured(before: Before, *, hb_g_l: float, hb_sd_g_l: float, blood_volume_ml: float) -> Before:
    """One person's start with what was measured today; nan keeps what was expected."""
    return replace(
        before,
        hb_g_l=before.hb_g_l if np.isnan(hb_g_l) else np.array([hb_g_l]),
        hb_sd_g_l=before.hb_sd_g_l if np.isnan(hb_g_l) else np.array([hb_sd_g_l]),
        blood_volume_ml=before.blood_volume_ml if np.isnan(blood_volume_ml) else np.array([blood_volume_ml]),
    )
