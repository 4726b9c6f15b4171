"""The full picture as plain dictionaries for the chart library in the browser, in the order back to front.

Colours are the names of the look's tokens ('--ink'); the page reads their values. Texts hold no markup.
"""

from __future__ import annotations

from collections.abc import Sequence
from datetime import date
from itertools import pairwise
from typing import Any

from programme.core.look import hb_places, hb_shown, hb_unit
from programme.core.numeric.words import count_of
from programme.worklist.charts.full import HBS_LOW, hb_ends, lettered, scale_top
from programme.worklist.numeric.course import AHEAD_DAYS, Course, Details, Visit, ceiling_on, fan_end
from programme.worklist.numeric.picture import cut, month_starts, part_over
from programme.worklist.numeric.words import figure

Trace = dict[str, Any]


def draw_plot(course: Course, details: Details) -> dict[str, Any]:
    """Return {'data', 'layout', 'today', 'first'} of the course over all its sessions."""
    visits = course.visits
    first = visits[0].day - 10 if visits else course.today - 180
    fan = [] if course.forecast is None or details.locked else _fan(course, details)
    return {
        "data": [*_later(course, details), *fan, *_ceiling(course, first), *_sessions(course), *_hb(course, details)],
        "layout": _layout(course, details, first),
        "today": _iso(course.today),
        "first": _iso(first),
        "last": _iso(course.today + AHEAD_DAYS),
    }


def _iso(day: float) -> str:
    whole = int(day)
    hours = round(24 * (day - whole))
    return date.fromordinal(whole).isoformat() + (f" {hours % 24:02d}:00" if 0 < hours < 24 else "")


def _area(days: Sequence[float], low: Sequence[float], high: Sequence[float], name: str, fill: str) -> Trace:
    return {
        "type": "scatter", "mode": "lines", "fill": "toself", "name": name, "fillcolor": fill, "line": {"width": 0},
        "hoverinfo": "skip", "x": [_iso(d) for d in (*days, *reversed(days))],
        "y": [round(v, 2) for v in (*high, *reversed(low))],
    }  # fmt: skip


def _fan(course: Course, details: Details) -> list[Trace]:
    f = course.forecast
    assert f is not None
    end = fan_end(course)
    if details.planned is not None:
        end = min(end, max(details.planned[0], course.today))
    cuts = {name: cut(f.days, getattr(f, name), end - f.start) for name in ("p10", "p25", "p50", "p75", "p90")}
    days = [f.start + day for day in cuts["p50"][0]]
    values = {name: cut_[1] for name, cut_ in cuts.items()}
    traces = [
        _area(days, values["p10"], values["p90"], "eight in ten", "--fan-outer"),
        _area(days, values["p25"], values["p75"], "middle half", "--fan-inner"),
    ]
    for upper, lower in part_over(days, values["p10"], values["p90"], course.ceiling_pct):
        over = _area(
            [d for d, _ in upper], [v for _, v in lower], [v for _, v in upper], "over the ceiling", "--over-wash"
        )
        over["fillpattern"] = {"shape": "/", "size": 4, "solidity": 0.4, "fgcolor": "--over"}
        traces.append(over)
    words = [f"{_said(d)}: forecast {figure(v)}, eight in ten {figure(lo)} to {figure(hi)}"
             for d, v, lo, hi in zip(days, values["p50"], values["p10"], values["p90"], strict=True)]  # fmt: skip
    line = {"color": "--ink", "width": 1.3, "dash": "4px,3px"}
    traces.append(_line([_iso(d) for d in days], [round(v, 2) for v in values["p50"]], "forecast", line, words))
    if details.planned is not None:
        day, low = details.planned
        at = _iso(day)
        said = f"{_said(day)}: suggested session, ending at {figure(low, 1)}"
        traces.append(_line([at, at], [round(values["p50"][-1], 2), low], "suggested session", line, [said, said]))
    return traces


def _later(course: Course, details: Details) -> list[Trace]:
    """The sessions beyond the suggested one, as simulated."""
    later, edge = details.later, course.today + AHEAD_DAYS
    if later is None or details.locked:
        return []
    traces: list[Trace] = []
    middle: tuple[list[Any], list[Any]] = ([], [])
    for place, (start, end) in enumerate(pairwise(later.days)):
        if end > edge:
            break
        after, before, then = later.after[place], later.before[place + 1], later.after[place + 1]
        fan = _area([start, end], [after[0], before[0]], [after[4], before[4]], "eight in ten, later", "--fan-outer")
        traces.append(fan)
        _join(middle, (start, after[2]), (end, before[2]))
        _join(middle, (end, before[2]), (end, then[2]))
    return [*traces, _line(*middle, "later sessions, simulated", {"color": "--ink-3", "width": 1, "dash": "2px,3px"})]


def _line(x: list[Any], y: list[Any], name: str, line: dict[str, Any], words: list[str] | None = None) -> Trace:
    trace: Trace = {"type": "scatter", "mode": "lines", "x": x, "y": y, "name": name, "line": line}
    return trace | ({"hoverinfo": "skip"} if words is None else {"hoverinfo": "text", "text": words})


def _said(day: float) -> str:
    on = date.fromordinal(int(day))
    return f"{on.day} {on:%b %Y}"


def _ceiling(course: Course, first: int) -> list[Trace]:
    steps = [(max(since, first), pct) for since, pct in course.ceilings]
    start = (first, ceiling_on(course.ceilings, first))
    steps = [start, *[step for step in steps if step[0] > first], (course.today + AHEAD_DAYS, course.ceiling_pct)]
    line = {"color": "--over", "width": 1.4, "shape": "hv"}
    return [_line([_iso(day) for day, _ in steps], [pct for _, pct in steps], "ceiling", line)]


def _sessions(course: Course) -> list[Trace]:
    solid, dashed = _pairs(course.visits)
    traces = [
        _line(*solid["climb"], "climb", {"color": "--ink", "width": 1.2}),
        _line(*solid["drop"], "session", {"color": "--ink", "width": 2.4}),
        _line(*dashed, "reckoned", {"color": "--ink", "width": 1.3, "dash": "4px,3px"}),
    ]
    known = [v for v in course.visits if v.before_pct is not None]
    over = [v for v in known if (v.before_pct or 0) > ceiling_on(course.ceilings, v.day)]
    traces += [
        _dots([v for v in known if v not in over], "before", "--ink", 7),
        _dots(over, "before, over the ceiling", "--over", 7),
    ]
    missed = [v for v in known if v.missed]
    if missed:
        crosses = _dots(missed, "came late after a missed visit", "--ink", 8)
        crosses["marker"] |= {"symbol": "x-thin-open", "line": {"width": 1.6}}
        crosses["y"] = [round(value + 2.0, 2) for value in crosses["y"]]
        traces.append(crosses)
    after = [v for v in course.visits if v.after_pct is not None and not v.after_reckoned]
    rings = _dots(after, "after", "--ink", 6, after=True)
    traces.append(rings)
    if course.measured is not None:
        day, pct = course.measured
        colour = "--over" if pct > course.ceiling_pct else "--ink"
        said = f"{_said(day)}: {figure(pct, 1)} measured"
        traces.append({"type": "scatter", "mode": "markers+text", "x": [_iso(day)], "y": [pct], "name": "measured",
                       "text": [figure(pct, 1)], "hovertext": [said], "hoverinfo": "text", "textposition": "top left",
                       "marker": {"color": colour, "size": 8}, "textfont": {"color": colour}})  # fmt: skip
    return traces


def _pairs(visits: Sequence[Visit]) -> tuple[dict[str, tuple[list[Any], list[Any]]], tuple[list[Any], list[Any]]]:
    """Return climbs and drops as lines with gaps, and those with a reckoned end apart."""
    solid: dict[str, tuple[list[Any], list[Any]]] = {"climb": ([], []), "drop": ([], [])}
    dashed: tuple[list[Any], list[Any]] = ([], [])
    last: Visit | None = None
    for visit in visits:
        if visit.before_pct is not None:
            if last is not None and last.after_pct is not None:
                kept = dashed if last.after_reckoned else solid["climb"]
                _join(kept, (last.day, last.after_pct), (visit.day, visit.before_pct))
            if visit.after_pct is not None:
                kept = dashed if visit.after_reckoned else solid["drop"]
                _join(kept, (visit.day, visit.before_pct), (visit.day, visit.after_pct))
        last = visit
    return solid, dashed


def _join(lines: tuple[list[Any], list[Any]], start: tuple[int, float], end: tuple[int, float]) -> None:
    lines[0].extend([_iso(start[0]), _iso(end[0]), None])
    lines[1].extend([round(start[1], 2), round(end[1], 2), None])


def _dots(visits: Sequence[Visit], name: str, colour: str, size: int, *, after: bool = False) -> Trace:
    values = [round((v.after_pct if after else v.before_pct) or 0, 2) for v in visits]
    marker = {"color": colour, "size": size, "symbol": "circle-open" if after else "circle", "line": {"width": 1.2}}
    return {"type": "scatter", "mode": "markers", "x": [_iso(v.day) for v in visits], "y": values, "name": name,
            "marker": marker, "text": [_sentence(v) for v in visits], "hoverinfo": "text"}  # fmt: skip


def _sentence(visit: Visit) -> str:
    parts = []
    if visit.before_pct is not None:
        parts.append(f"{figure(visit.before_pct, 1)} before")
    if visit.after_pct is not None:
        parts.append(f"{figure(visit.after_pct, 1)} after" + (", reckoned" if visit.after_reckoned else ""))
    if visit.units is not None:
        parts.append(count_of(visit.units, "unit"))
    if visit.missed:
        parts.append("late, after a missed visit")
    return f"{_said(visit.day)}: {', '.join(parts)}"


def _hb_said(value_g_l: float) -> str:
    return f"{figure(hb_shown(value_g_l), hb_places())} {hb_unit()}"


def _hb(course: Course, details: Details) -> list[Trace]:
    visits = course.visits
    stems: tuple[list[Any], list[Any]] = ([], [])
    joins: tuple[list[Any], list[Any]] = ([], [])
    last: Visit | None = None
    for v in visits:
        if v.hb_before_g_l is not None and v.hb_after_g_l is not None:
            _join(stems, (v.day, hb_shown(v.hb_before_g_l)), (v.day, hb_shown(v.hb_after_g_l)))
        if last is not None and last.hb_after_g_l is not None and v.hb_before_g_l is not None:
            _join(joins, (last.day, hb_shown(last.hb_after_g_l)), (v.day, hb_shown(v.hb_before_g_l)))
        last = v
    lines = [
        _line(*joins, "Hb between", {"color": "--rule", "width": 1}),
        _line(*stems, "Hb in the session", {"color": "--ink", "width": 1.2}),
    ]
    f = course.forecast
    if f is not None and f.hb_p50 and details.hb_since:
        days, values = cut(f.days, f.hb_p50, course.today - f.start)
        dashed = {"color": "--ink", "width": 1.3, "dash": "4px,3px"}
        lines.append(
            _line([_iso(f.start + day) for day in days], [round(hb_shown(v), 2) for v in values], "Hb expected", dashed)
        )
    dots: list[tuple[str, list[tuple[int, float | None]], str, int]] = [
        ("Hb before", [(v.day, v.hb_before_g_l) for v in visits], "circle", 5),
        ("Hb after", [(v.day, v.hb_after_g_l) for v in visits], "circle-open", 5),
        ("Hb measured since", [*details.hb_since], "circle", 7),
    ]
    for name, readings, symbol, size in dots:
        known = [(day, hb) for day, hb in readings if hb is not None]
        lines.append({"type": "scatter", "mode": "markers", "x": [_iso(day) for day, _ in known],
                      "y": [round(hb_shown(hb), 2) for _, hb in known], "name": name, "hoverinfo": "text",
                      "text": [f"{_said(day)}: {name} {_hb_said(hb)}" for day, hb in known],
                      "marker": {"color": "--ink", "size": size, "symbol": symbol}})  # fmt: skip
    return [line | {"yaxis": "y2"} for line in lines]


def _layout(course: Course, details: Details, first: int) -> dict[str, Any]:
    visits = course.visits
    today = _iso(course.today)
    upright = {"type": "line", "xref": "x", "yref": "paper", "y0": 0, "y1": 1}
    shapes: list[dict[str, Any]] = [
        upright | {"x0": today, "x1": today, "line": {"color": "--ink", "width": 1, "dash": "1px,2px"}},
        {"type": "line", "xref": "paper", "yref": "y2", "x0": 0, "x1": 1, "y0": hb_shown(details.hb_ceiling_g_l),
         "y1": hb_shown(details.hb_ceiling_g_l), "line": {"color": "--over", "width": 1.4}},
    ]  # fmt: skip
    top = {"xref": "x", "yref": "paper", "y": 1, "yanchor": "bottom", "showarrow": False}
    words: list[dict[str, Any]] = [top | {"x": today, "text": "today", "xanchor": "left"}]
    for letter, day, _ in lettered(details):
        at = _iso(day)
        shapes.append(upright | {"x0": at, "x1": at, "y0": 0.96, "line": {"color": "--ink", "width": 1}})
        words.append(top | {"x": at, "text": letter, "xanchor": "center"})
    if details.pace_change is not None:
        day, before, now = details.pace_change
        at = _iso(day)
        shapes.append(upright | {"x0": at, "x1": at, "y0": 0.3, "line": {"color": "--rule", "width": 1}})
        words.append(
            top | {"x": at, "y": 0.97, "yanchor": "top", "xanchor": "right", "text": f"{figure(before, 2)} a day "}
        )
        words.append(
            top | {"x": at, "y": 0.97, "yanchor": "top", "xanchor": "left", "text": f" {figure(now, 2)} a day"}
        )
    if course.window is not None and not details.locked and course.window[0] <= course.window[1]:
        left, right = (_iso(day) for day in course.window)
        bracket = f"M {left},6.6 L {left},5.4 L {right},5.4 L {right},6.6"
        line = {"color": "--ink", "width": 1.2}
        shapes.append({"type": "path", "xref": "x", "yref": "y", "path": bracket, "line": line})
    for day in course.booked:
        at = _iso(day)
        shapes.append(upright | {"x0": at, "x1": at, "y0": 0.3, "y1": 0.35, "line": {"color": "--ink", "width": 2.4}})
        words.append(top | {"x": at, "y": 0.35, "xanchor": "center", "text": "booked"})
    if details.locked:
        shapes.append({"type": "rect", "xref": "x", "yref": "paper", "x0": today, "x1": _iso(course.today + AHEAD_DAYS),
                       "y0": 0, "y1": 1, "fillcolor": "--wash", "line": {"width": 0}, "layer": "below"})  # fmt: skip
    shapes += _months(first, course.today + AHEAD_DAYS)
    words += _ceiling_words(course, details)
    axis = {"gridcolor": "--hair", "zeroline": False, "fixedrange": True, "tickfont": {"color": "--ink-2"}}
    return {
        "shapes": shapes,
        "annotations": words,
        "xaxis": {"type": "date", "showgrid": False, "anchor": "y2", "tickfont": {"color": "--ink-2"},
                  "tickformatstops": [{"dtickrange": [None, 86_400_000 * 27], "value": "%-d %b\n%Y"},
                                      {"dtickrange": ["M1", None], "value": "%b\n%Y"}],
                  "ticklen": 8, "tickcolor": "rgba(0,0,0,0)"},
        "yaxis": axis | {"domain": [0.3, 1], "title": {"text": "HbS %"}, "range": [HBS_LOW, scale_top(course, visits)]},
        "yaxis2": axis | {"domain": [0, 0.22], "title": {"text": f"Hb {hb_unit()}"},
                          "range": [hb_shown(end) for end in hb_ends(details, visits)]},
    }  # fmt: skip


def _months(first: int, last: int) -> list[dict[str, Any]]:
    """The graduated months under the picture, every other one filled."""
    shapes = []
    for month in month_starts(first, last):
        start, after, number = month
        fill = "--ink" if number % 2 else "--paper"
        shapes.append({"type": "rect", "xref": "x", "yref": "paper", "x0": _iso(start), "x1": _iso(after), "y0": -0.02,
                       "y1": -0.005, "fillcolor": fill, "line": {"color": "--ink", "width": 1}})  # fmt: skip
    return shapes


def _ceiling_words(course: Course, details: Details) -> list[dict[str, Any]]:
    right = {
        "xref": "paper",
        "x": 1,
        "xanchor": "right",
        "yanchor": "bottom",
        "showarrow": False,
        "font": {"color": "--over"},
    }
    return [
        right | {"yref": "y", "y": course.ceiling_pct, "text": f"ceiling {course.ceiling_pct:g}"},
        right
        | {
            "yref": "y2",
            "y": hb_shown(details.hb_ceiling_g_l),
            "text": f"Hb ceiling {hb_shown(details.hb_ceiling_g_l):g}",
        },
    ]
