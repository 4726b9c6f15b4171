"""When each person should come next, how low to finish, and the session that would do it.

This is the one reckoning behind the nightly replan, the printed plan and the pages. It is made for any number of people
at once and each person's answer depends on nobody else's, so a subset gives the same figures.
"""

from dataclasses import dataclass, fields, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from programme.core.numeric.setting_table import DEFAULTS
from programme.planning.numeric import choices as ch
from programme.planning.numeric import people as pp
from programme.planning.numeric.one_arm import AT_ONCE
from programme.planning.numeric.opendays import weekday
from programme.planning.numeric.people import PeopleInputs, WhatIf, joined, taken
from programme.planning.numeric.prescribe import (
    NO_PLAN,
    Prescriptions,
    Reach,
    Tried,
    chosen_from,
    reach_of,
    try_sessions,
    with_top_up,
)
from programme.planning.numeric.risk import (
    DayRisk,
    Outlook,
    days_over,
    highest_end,
    lowest_ceiling,
    risk_by_day,
    risk_table,
    safe_days,
)
from programme.planning.numeric.search import STOP, WARN, Cells, Menu
from programme.planning.numeric.series import Series, no_series, plan_series
from sessions.numeric.drift.fit import ProgrammeFit
from sessions.numeric.drift.person import PeoplePace
from sessions.numeric.drift.predict import predict

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Bools = NDArray[np.bool_]

CHUNK = 250  # people at a time: fewer call more often, more hold more and gain little
HORIZON_DAYS = 98
PLANNED_DAYS = np.arange(7.0, 85.0)  # intervals that can be goals
EXPERIENCE_DAYS = 7.0  # nothing is suggested further than this beyond the longest gap seen twice
END_SD_PCT = 0.6  # spread of an end from the noise of the before-value it was planned on; from memory
END_REL_SD = 0.05  # where the search cannot tell
CEILINGS_PCT = (30.0, 35.0, 40.0, 45.0, 50.0, 55.0, 60.0)
STEADY_UNITS = 4  # the session whose spread stands for all when ends are mixed
_Z80 = 2.0 * 1.2815515655446004


@dataclass(frozen=True, slots=True)
class SiteRules:
    """What the site has settled for everybody."""

    cells: Cells
    results_stale_days: float = DEFAULTS["results_stale_days"]


@dataclass(frozen=True, slots=True)
class Suggestions:
    """Answers for P people; arrays [P] and records of arrays. Figures are nan, days 0, where bar is not AVAILABLE."""

    bar: Ints  # why nothing is suggested; see `people`
    last_day: Ints  # ordinals
    next_day: Ints
    next_is_open: Bools  # not where an interval asked for ends on a day on which the person cannot come
    latest_safe_day: Ints  # by the chance on the day itself
    interval_days: Ints  # last session to next_day, or the one asked for
    interval_after_days: Ints  # the interval the end target holds
    end_target_pct: Floats
    hbs_before_pct: Floats  # forecast for next_day
    hbs_before_sd_pct: Floats
    chance_next: Floats  # over the ceiling at next_day
    chance_next_attended: Floats  # the same, allowing for those who come late
    chance_today: Floats
    ceiling_pct: Floats
    accepted_chance: Floats
    pace_pct_per_day: Floats
    plan: Prescriptions
    series: Series  # of those whom the plan alone does not bring to the end target
    choices: ch.Choices
    risk: DayRisk  # by day after the last session
    held: Bools  # the planned interval keeps the accepted chance
    holdable_pct: Floats  # about the lowest ceiling that could be held, where none holds it; else nan
    wanted_days: Ints  # usual or accepted interval
    limit_days: Ints  # longest interval this person may be given
    n_gaps: Ints
    after_source: Ints


def suggest_many(
    people: PeopleInputs,
    fit: ProgrammeFit,
    pace: PeoplePace,
    site: SiteRules,
    *,
    as_of_day: int | Ints,
    what_if: WhatIf | None = None,
) -> Suggestions:
    """Suggest the next date, end target and session of everybody.

    people, pace : P people in the same order. as_of_day : ordinal, one for all or [P]; next_day is never before it.
    what_if : a ceiling, chance, interval or number of arms to try for everybody.
    Returns answers for P people, each reckoned from that person's own figures and the fit alone. How the parts hang
    together is chosen here; formulas and sources in `risk`, `choices`, `search` and `prescribe`.
    """
    n = len(people.bar)
    as_of = np.broadcast_to(np.asarray(as_of_day, dtype=np.int64), n)
    parts: list[Suggestions] = []
    for start in range(0, max(n, 1), CHUNK):
        some = slice(start, start + CHUNK)
        part, _ = suggest_some(
            taken(people, some), fit, taken(pace, some), site, as_of_day=as_of[some], what_if=what_if
        )
        parts.append(part)
    answer: Suggestions = joined(parts)
    return answer


def suggest_some(
    people: PeopleInputs,
    fit: ProgrammeFit,
    pace: PeoplePace,
    site: SiteRules,
    *,
    as_of_day: int | Ints,
    what_if: WhatIf | None = None,
) -> tuple[Suggestions, Tried]:
    """As `suggest_many` for people few enough (CHUNK) to keep all sessions that were tried, which come back too."""
    asked = what_if or WhatIf()
    people = _with_questions(people, asked)
    as_of = np.broadcast_to(np.asarray(as_of_day, dtype=np.int64), len(people.bar))
    return _suggest(people, fit, pace, site, as_of, asked)


def holdable_ceiling(
    people: PeopleInputs,
    fit: ProgrammeFit,
    pace: PeoplePace,
    site: SiteRules,
    *,
    as_of_day: int | Ints,
    ceilings_pct: tuple[float, ...] = CEILINGS_PCT,
) -> Floats:
    """The lowest ceiling that some interval holds inside the stops, [P]: the person's own, else the first of
    `ceilings_pct` above it; nan where none does or nothing is suggested.

    For people whose ceiling no interval holds: what a decision on the ceiling would have to accept.
    """
    as_of = np.broadcast_to(np.asarray(as_of_day, dtype=np.int64), len(people.bar))
    answer = suggest_many(people, fit, pace, site, as_of_day=as_of)
    found = np.where(answer.held, people.ceiling_pct, np.nan)
    for ceiling in ceilings_pct:
        open_still = np.flatnonzero(np.isnan(found) & (answer.bar == pp.AVAILABLE) & (people.ceiling_pct < ceiling))
        if not open_still.size:
            continue
        some = taken(people, open_still)
        tried = suggest_many(
            some, fit, taken(pace, open_still), site, as_of_day=as_of[open_still], what_if=WhatIf(ceiling_pct=ceiling)
        )
        found[open_still] = np.where(tried.held, ceiling, np.nan)
    return np.where(answer.bar == pp.AVAILABLE, found, np.nan)


def outlook_of(fit: ProgrammeFit, pace: PeoplePace) -> Outlook:
    """The forecasts of these people as the planner asks for them."""

    def outlook(*, days, after_pct=None, after_sd_pct=None):  # type: ignore[no-untyped-def]
        return predict(fit, pace.expanded(np.ndim(days) - 1), days=days, after_pct=after_pct, after_sd_pct=after_sd_pct)

    return outlook


def _with_questions(people: PeopleInputs, asked: WhatIf) -> PeopleInputs:
    if asked.ceiling_pct is not None:
        people = replace(people, ceiling_pct=np.full_like(people.ceiling_pct, asked.ceiling_pct))
    if asked.accepted_chance is not None:
        people = replace(people, accepted_chance=np.full_like(people.accepted_chance, asked.accepted_chance))
    if asked.one_arm is not None:
        part = people.limits.one_arm_part_ml
        people = replace(
            people, limits=replace(people.limits, part_ml=part if asked.one_arm else np.full_like(part, AT_ONCE))
        )
    return people


@dataclass(frozen=True, slots=True)
class _Loop:
    """The loop at its steady state, for the people of one chunk."""

    tried: Tried
    end_rel_sd: Floats
    wanted: Floats
    limit: Floats
    planned: Floats  # days
    held: Bools
    stands: Bools  # planned because a person accepted it
    choices: ch.Choices
    holdable_pct: Floats


@dataclass(frozen=True, slots=True)
class _Dates:
    """Days of the running gap, ordinals."""

    last: Ints
    due: Ints  # by the chance and the calendar, as if today did not matter
    next: Ints
    latest_safe: Ints
    risk: DayRisk


def _suggest(
    people: PeopleInputs, fit: ProgrammeFit, pace: PeoplePace, site: SiteRules, as_of: Ints, asked: WhatIf
) -> tuple[Suggestions, Tried]:
    outlook = outlook_of(fit, pace)
    bar = _bars(people, pace, site, as_of)
    whole = _as_after_a_whole_session(people, fit, pace)
    later = outlook if whole is pace else outlook_of(fit, whole)
    loop = _plan_loop(people, whole, later, site, asked)
    dates = _find_dates(people, pace, outlook, loop, as_of, asked)
    after = np.maximum(loop.planned, dates.due - dates.last)
    target = _end_target(people, later, after, loop)
    forecast = outlook(days=(dates.next - dates.last).astype(float))
    hbs_before = np.clip(np.nan_to_num(forecast.median(), nan=1.0), 0.5, 99.0)
    plan = chosen_from(loop.tried, people.before, hbs_before, target)
    answer = Suggestions(
        bar=bar,
        last_day=dates.last,
        next_day=dates.next,
        next_is_open=people.open_days.is_open(dates.next),
        latest_safe_day=dates.latest_safe,
        interval_days=(loop.wanted if asked.interval_days is not None else dates.next - dates.last).astype(np.int64),
        interval_after_days=after.astype(np.int64),
        end_target_pct=target,
        hbs_before_pct=hbs_before,
        hbs_before_sd_pct=(forecast.quantile(0.9) - forecast.quantile(0.1)) / _Z80,
        chance_next=_over(outlook, dates.next - dates.last, people.ceiling_pct),
        chance_next_attended=_over_attended(outlook, dates.next - dates.last, people),
        chance_today=_over(outlook, as_of - dates.last, people.ceiling_pct),
        ceiling_pct=people.ceiling_pct,
        accepted_chance=people.accepted_chance,
        pace_pct_per_day=pace.pace_pct_per_day,
        plan=plan,
        series=_series(plan, hbs_before, target, dates.next, people, pace, site),
        choices=loop.choices,
        risk=dates.risk,
        held=loop.held,
        holdable_pct=loop.holdable_pct,
        wanted_days=loop.wanted.astype(np.int64),
        limit_days=loop.limit.astype(np.int64),
        n_gaps=pace.n_gaps.astype(np.int64),
        after_source=np.asarray(pace.after_source),
    )
    return _silenced(answer), loop.tried


def _as_after_a_whole_session(people: PeopleInputs, fit: ProgrammeFit, pace: PeoplePace) -> PeoplePace:
    """The same, with their usual Hb after, else the programme's, for those whose last session was given up.

    How fast HbS comes back goes by Hb after. What is left where a session was broken off holds until the next one, and
    says nothing of the gaps after it.
    """
    given_up = people.soonest_days < people.shortest_days
    if not given_up.any():
        return pace
    usual = np.where(np.isnan(people.usual_hb_after_g_l), fit.values["hb_mean"], people.usual_hb_after_g_l)
    return replace(
        pace,
        hb_after_g_l=np.where(given_up, usual, pace.hb_after_g_l),
        hb_after_sd=np.where(given_up, fit.values["hb_sd"], pace.hb_after_sd),
    )


def _bars(people: PeopleInputs, pace: PeoplePace, site: SiteRules, as_of: Ints) -> Ints:
    """Why nothing is suggested: what the caller knows first, then what the figures lack."""
    body = people.before.blood_volume_ml * people.before.mixing * people.limits.saline_stop_ml
    tests = (
        (pp.NO_SESSION, np.isnan(pace.last_day)),
        (pp.NO_RESULT, ~(as_of - people.last_hbs_day <= site.results_stale_days)),
        (pp.NO_BODY, np.isnan(body)),
        (pp.NO_FORECAST, np.isnan(pace.after_pct + pace.pace)),
    )
    bar = people.bar.astype(np.int64).copy()
    for code, lacking in tests:
        bar = np.where((bar == pp.AVAILABLE) & lacking, code, bar)
    return bar


def _plan_loop(people: PeopleInputs, pace: PeoplePace, outlook: Outlook, site: SiteRules, asked: WhatIf) -> _Loop:
    tried = try_sessions(people.before, site.cells, people.limits)
    start, menu = tried.start, tried.menu
    reach, inside_stops = (
        with_top_up(reach_of(menu, start.before, start.limits, people.ceiling_pct, severity), start)
        for severity in (WARN, STOP)
    )
    end_rel_sd = _end_rel_sd(menu, reach)
    limit = np.floor(np.minimum(people.longest_days, pace.longest_twice_days + EXPERIENCE_DAYS))
    limit = np.maximum(limit, people.shortest_days)
    wanted = _wanted(people, pace, limit, asked)
    within = (people.shortest_days[:, None] <= PLANNED_DAYS) & (limit[:, None] >= PLANNED_DAYS)
    if asked.interval_days is not None:
        within = PLANNED_DAYS[None, :] == wanted[:, None]
    lengths = PLANNED_DAYS
    if within.any() and within.any(axis=1).all():  # nobody's answer lies among days that none of these people may have
        asked_for = np.flatnonzero(within.any(axis=0))
        some = slice(asked_for[0], asked_for[-1] + 1)
        lengths, within = lengths[some], within[:, some]
    table = risk_table(outlook, lengths, people.ceiling_pct, end_rel_sd, END_SD_PCT, people.attendance)
    volume = people.before.blood_volume_ml * people.before.mixing
    iron = site.cells.iron_mg_per_g
    states = ch.steady_states(table, reach, people.before.hb_g_l, volume, within, iron)
    widest = ch.steady_states(table, inside_stops, people.before.hb_g_l, volume, within, iron)
    by_person = ~np.isnan(people.accepted_interval_days)
    held_at, held = ch.held_interval(widest, wanted, people.accepted_chance, by_person)
    planned = lengths[held_at]
    told = ch.choose(states, widest, held_at, people.accepted_chance)
    return _Loop(
        tried=tried,
        end_rel_sd=end_rel_sd,
        wanted=wanted,
        limit=limit,
        planned=planned,
        held=held,
        stands=by_person & held & (planned == wanted),
        choices=_with_days_over(told, people, outlook, end_rel_sd),
        holdable_pct=_holdable(widest, held, people, outlook, end_rel_sd),
    )


def _with_days_over(told: ch.Choices, people: PeopleInputs, outlook: Outlook, end_rel_sd: Floats) -> ch.Choices:
    ends = np.nan_to_num(told.ends_at_pct, nan=1.0)
    sd = np.hypot(end_rel_sd[:, None] * ends, END_SD_PCT)
    interval = np.maximum(told.interval_days, 1).astype(float)
    over = days_over(outlook, interval, ends, sd, people.ceiling_pct, people.attendance)
    return replace(told, days_over_a_year=over * told.visits_a_year)


def _holdable(
    widest: ch.SteadyStates, held: Bools, people: PeopleInputs, outlook: Outlook, end_rel_sd: Floats
) -> Floats:
    """About the lowest ceiling that the shortest interval could hold inside the stops, [P].

    nan where the ceiling is held, or where a higher one would not help: then it is another limit that is in the way.
    """
    first = np.where(widest.within.any(axis=1), widest.within.argmax(axis=1), 0)
    ends = widest.end_pct[np.arange(len(first)), first]
    lowest = np.where(np.isnan(ends), np.inf, ends).min(axis=1)
    end = np.where(held | ~np.isfinite(lowest), np.nan, np.clip(lowest, 1.0, 99.0))
    if np.isnan(end).all():
        return end
    plain = np.nan_to_num(end, nan=1.0)
    found = lowest_ceiling(
        outlook, widest.days[first], plain, np.hypot(end_rel_sd * plain, END_SD_PCT), people.accepted_chance,
        people.attendance,
    )  # fmt: skip
    return np.where(np.isnan(end) | (found <= people.ceiling_pct), np.nan, found)


def _wanted(people: PeopleInputs, pace: PeoplePace, limit: Floats, asked: WhatIf) -> Floats:
    """The interval asked for, else accepted, else usual (as whole weeks where within two days of it), in whole days."""
    if asked.interval_days is not None:
        return np.full(len(limit), float(asked.interval_days))
    usual = np.floor(np.nan_to_num(pace.usual_interval_days, nan=28.0) + 0.5)
    weeks = 7.0 * np.round(usual / 7.0)
    usual = np.where(np.abs(usual - weeks) <= 2.0, weeks, usual)
    wanted = np.where(np.isnan(people.accepted_interval_days), usual, people.accepted_interval_days)
    return np.clip(wanted, people.shortest_days, limit)


def _end_rel_sd(menu: Menu, reach: Reach) -> Floats:
    """Relative spread of a session's end, from the session of STEADY_UNITS where the person can have it, [P]."""
    row = min(STEADY_UNITS, len(reach.ratio)) - 1
    candidate = reach.candidate[row]
    spread = menu.followed.ratio_rel_sd[row, np.maximum(candidate, 0), np.arange(len(candidate))]
    return np.where((candidate >= 0) & ~np.isnan(spread), spread, END_REL_SD)


def _find_dates(
    people: PeopleInputs, pace: PeoplePace, outlook: Outlook, loop: _Loop, as_of: Ints, asked: WhatIf
) -> _Dates:
    last = np.nan_to_num(pace.last_day, nan=1000.0).astype(np.int64)
    limit = loop.limit.astype(np.int64)
    risk = risk_by_day(outlook, people.ceiling_pct, people.attendance, HORIZON_DAYS)
    latest = last + np.minimum(safe_days(risk.on_the_day, people.accepted_chance), limit)
    if asked.interval_days is not None:
        due = last + asked.interval_days
        next_day = np.where(due < as_of, people.open_days.on_or_after(as_of), due)
        return _Dates(last, due, next_day, latest, risk)
    safe = np.minimum(safe_days(risk.attended, people.accepted_chance), limit)
    at_planned = risk.attended[np.arange(len(last)), loop.planned.astype(np.int64) - 1]
    stands = loop.stands & (at_planned <= people.accepted_chance + ch.HYSTERESIS)
    safe = np.where(stands, np.maximum(safe, loop.planned), safe)
    due = _due_day(people, last, loop.planned.astype(np.int64), safe.astype(np.int64))
    next_day = people.open_days.on_or_after(np.maximum(np.maximum(due, last + 1), as_of))
    return _Dates(last, due, next_day, latest, risk)


def _due_day(people: PeopleInputs, last: Ints, planned: Ints, safe: Ints) -> Ints:
    """The open day to come on: the planned interval, or as far towards it as is safe, on the usual weekday where near.

    The shortest interval is no reason to let somebody wait over their ceiling whose last session was given up: they
    come back as soon as safety asks. A later safe day never gives an earlier answer.
    """
    reach = ch.WEEKDAY_REACH_DAYS
    ahead = (people.usual_weekday - weekday(last + planned) + reach) % 7 - reach  # −3 … 3 to the nearest usual weekday
    wished = last + planned + np.where(people.usual_weekday >= 0, ahead, 0)
    target = np.maximum(np.minimum(wished, last + safe), last + people.soonest_days.astype(np.int64))
    back = (weekday(target) - people.usual_weekday) % 7
    usual = target - back
    takes = (people.usual_weekday >= 0) & (back <= reach) & people.open_days.is_open(usual)
    return np.where(takes, usual, people.open_days.on_or_before(target))


def _end_target(people: PeopleInputs, outlook: Outlook, after: Floats, loop: _Loop) -> Floats:
    """A person's own end target, else the highest end that holds the interval after, else what can be reached."""
    end_sd = np.hypot(loop.end_rel_sd * 0.5 * people.ceiling_pct, END_SD_PCT)
    safe = highest_end(outlook, after, end_sd, people.ceiling_pct, people.accepted_chance, people.attendance)
    reachable = np.fmin(loop.choices.ends_at_pct[:, ch.HELD], 0.5 * people.ceiling_pct)
    reckoned = np.where(np.isnan(safe), reachable, safe)
    return np.where(np.isnan(people.end_target_pct), reckoned, people.end_target_pct)


def _over(outlook: Outlook, days: Ints, ceiling_pct: Floats) -> Floats:
    return np.nan_to_num(outlook(days=np.maximum(days, 0).astype(float)).chance_over(ceiling_pct), nan=1.0)


def _over_attended(outlook: Outlook, days: Ints, people: PeopleInputs) -> Floats:
    late = np.stack([_over(outlook, days + delay, people.ceiling_pct) for delay in people.attendance.delays])
    return people.attendance.mixed(_over(outlook, days, people.ceiling_pct), late)


def _series(
    plan: Prescriptions, hbs_before: Floats, target: Floats, next_day: Ints, people: PeopleInputs, pace: PeoplePace,
    site: SiteRules,
) -> Series:  # fmt: skip
    """The sessions on consecutive open days of those whom one session does not bring to the end target."""
    series = no_series(len(target))
    short = np.flatnonzero(~plan.reached & (plan.standing != NO_PLAN) & (people.bar == pp.AVAILABLE))
    if short.size:
        some = taken(people, short)
        found = plan_series(
            taken(plan, short),
            before=some.before,
            hbs_before_pct=hbs_before[short],
            end_target_pct=target[short],
            pace_pct_per_day=pace.pace_pct_per_day[short],
            day=next_day[short],
            open_days=some.open_days,
            cells=site.cells,
            limits=some.limits,
        )
        for field in fields(Series):
            getattr(series, field.name)[short] = getattr(found, field.name)
    return series


def _silenced(answer: Suggestions) -> Suggestions:
    """The same with nothing said for those who are barred."""
    barred = answer.bar != pp.AVAILABLE
    none = ("next_day", "latest_safe_day", "interval_days", "interval_after_days")
    plain = (
        "end_target_pct", "hbs_before_pct", "hbs_before_sd_pct", "chance_next", "chance_next_attended", "chance_today",
    )  # fmt: skip
    spoken: dict[str, Any] = {name: np.where(barred, 0, getattr(answer, name)) for name in none}
    spoken |= {name: np.where(barred, np.nan, getattr(answer, name)) for name in plain}
    return replace(answer, **spoken, last_day=np.where(answer.bar == pp.NO_SESSION, 0, answer.last_day))
