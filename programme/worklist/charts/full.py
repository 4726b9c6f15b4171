"""The course in full, as served first and printed: HbS over Hb on one scale of days. Takes plain values only."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from datetime import date
from itertools import pairwise
from string import ascii_lowercase

from programme.core.look import hb_places, hb_shown
from programme.worklist.charts.lines import Fan, Lines, draw_fan, draw_lines
from programme.worklist.charts.small import booked_posts, describe
from programme.worklist.numeric.course import AHEAD_DAYS, Course, Details, Visit, ceiling_on, fan_end
from programme.worklist.numeric.picture import Month, Scale, apart, area_path, coordinate, cut, line_path, month_bar
from programme.worklist.numeric.words import day_words, figure

LEFT, RIGHT = 46.0, 1270.0
HBS_BASE, HBS_TOP, HBS_LOW, HBS_HIGH = 237.9, 8.0, 5.0, 43.0
HB_BASE, HB_TOP, HB_LOW, HB_HIGH = 338.0, 272.0, 60.0, 120.0
DAYS_A_MONTH = 365.25 / 12
FOOT_ROOM = 18.0
NOTE_ROOM = 13.0


@dataclass(frozen=True, slots=True)
class Hair:
    """A line of the scale with its figure."""

    y: str
    text_y: str
    label: str


@dataclass(frozen=True, slots=True)
class Mark:
    """A word or figure at a place; `second` stands under it."""

    x: str
    y: str
    label: str
    second: str = ""
    over: bool = False


@dataclass(frozen=True, slots=True)
class HbTrack:
    """The second track: Hb before as dots, after as rings, measured since as larger dots with figures."""

    hairs: tuple[Hair, ...]
    ceiling: Mark
    stems: str
    joins: str
    before: tuple[tuple[str, str], ...]
    after: tuple[tuple[str, str], ...]
    since: tuple[Mark, ...]
    expected: str


@dataclass(frozen=True, slots=True)
class FullPicture:
    """Everything that the template of the full picture draws, back to front."""

    title: str
    description: str
    hairs: tuple[Hair, ...]
    shut_x: str
    shut_width: str
    fan: Fan | None
    ceiling: str
    ceiling_mark: Mark
    lines: Lines
    planned: Mark | None
    planned_drop: str
    measured: Mark | None
    later_fan: str
    later_line: str
    missed: str
    today_x: str
    pace: tuple[Mark, Mark] | None
    notes: tuple[Mark, ...]
    hb: HbTrack
    months: tuple[Month, ...]
    foot: tuple[Mark, ...]
    window: str
    booked: str


def draw_full(course: Course, details: Details, *, months: int | None = 24) -> FullPicture:
    """Return the full picture over the last `months` (None: since the first session) and ten weeks to come."""
    x = _days(course, months)
    visits = [visit for visit in course.visits if visit.day >= x.low]
    y = Scale(HBS_LOW, scale_top(course, visits), HBS_BASE, HBS_TOP)
    fan = None
    if course.forecast is not None and not details.locked and course.forecast.start >= x.low:
        end = min(fan_end(course), int(x.high))
        if details.planned is not None:
            end = min(end, max(details.planned[0], course.today))
        fan = draw_fan(course.forecast, end, course.ceiling_pct, x, y)
    planned, drop = _planned(course, details, x, y)
    later_fan, later_line = _later(details, x, y)
    today_x = x.at(course.today)
    return FullPicture(
        title=_title(x),
        description=describe(_bare(course) if details.locked else course)
        + " The table of sessions below holds every figure.",
        hairs=_hairs(y, 10),
        shut_x=coordinate(today_x),
        shut_width=coordinate(RIGHT - today_x) if details.locked else "",
        fan=fan,
        ceiling=_ceiling_path(course, x, y),
        ceiling_mark=_ceiling_mark(course, y),
        lines=draw_lines(visits, course.ceilings, x, y),
        planned=planned,
        planned_drop=drop,
        measured=_measured(course, x, y),
        later_fan=later_fan,
        later_line=later_line,
        missed=_missed(visits, x, y),
        today_x=coordinate(today_x),
        pace=_pace_marks(details, x),
        notes=_notes(details, x),
        hb=_hb_track(course, details, visits, x),
        months=month_bar(x),
        foot=_foot(visits, x),
        window=_window(course, details, x),
        booked=booked_posts(course.booked, x, base=348, height=13),
    )


def _bare(course: Course) -> Course:
    """The course without what is reckoned, for the words of a locked picture."""
    return replace(course, forecast=None, window=None)


def _days(course: Course, months: int | None) -> Scale:
    first = course.visits[0].day - 10 if course.visits else course.today - 180
    low = first if months is None else max(first, course.today - round(months * DAYS_A_MONTH))
    return Scale(min(low, course.today - 60), course.today + AHEAD_DAYS, LEFT, RIGHT)


def scale_top(course: Course, visits: Sequence[Visit]) -> float:
    """Return the top of the HbS scale: 43 %, or more where something lies higher."""
    values = [pct for visit in visits for pct in (visit.before_pct, visit.after_pct) if pct is not None]
    values += [pct for _, pct in course.ceilings]
    values += [] if course.measured is None else [course.measured[1]]
    return max(HBS_HIGH, min(100.0, math.ceil(max(values) / 10) * 10 + 3))


def _title(x: Scale) -> str:
    first, last = date.fromordinal(int(x.low)), date.fromordinal(int(x.high))
    return f"Course of HbS and Hb, {first:%B %Y} to {last:%B %Y}"


def _hairs(scale: Scale, step: int, label: Callable[[float], str] = str) -> tuple[Hair, ...]:
    first = math.ceil(scale.low / step) * step
    values = range(first, math.floor(scale.high) + 1, step)
    return tuple(Hair(coordinate(scale.at(v)), coordinate(scale.at(v) + 4), label(v)) for v in values)


def _ceiling_path(course: Course, x: Scale, y: Scale) -> str:
    pct = ceiling_on(course.ceilings, int(x.low))
    path = f"M{coordinate(LEFT)} {coordinate(y.at(pct))}"
    for since, value in course.ceilings:
        if x.low < since <= x.high and value != pct:
            path += f"H{coordinate(x.at(since))}V{coordinate(y.at(value))}"
            pct = value
    return f"{path}H{coordinate(RIGHT)}"


def _ceiling_mark(course: Course, y: Scale) -> Mark:
    changed = [since for i, (since, pct) in enumerate(course.ceilings) if i and pct != course.ceilings[i - 1][1]]
    since = date.fromordinal(changed[-1]) if changed else None
    words = "" if since is None else f"since {since.day} {since:%b %Y}"
    return Mark(
        coordinate(RIGHT + 6), coordinate(y.at(course.ceiling_pct) + 1), f"ceiling {course.ceiling_pct:g}", words
    )


def _planned(course: Course, details: Details, x: Scale, y: Scale) -> tuple[Mark | None, str]:
    """The suggested session as a dashed drop from the middle of the fan to the end it should reach."""
    f = course.forecast
    if details.planned is None or f is None or details.locked or details.planned[0] > x.high:
        return None, ""
    day, end = details.planned
    _, middle = cut(f.days, f.p50, day - f.start)
    px, top, bottom = x.at(day), y.held(middle[-1]), y.held(end)
    when = day_words(date.fromordinal(day), date.fromordinal(course.today))
    mark = Mark(coordinate(px + 6), coordinate(bottom + 4), f"{figure(end, 1)} expected", when)
    return mark, f"M{coordinate(px)} {coordinate(top)}V{coordinate(bottom)}"


def _later(details: Details, x: Scale, y: Scale) -> tuple[str, str]:
    """Fan and middle line of the sessions beyond the suggested one, as simulated; empty where there are none."""
    later = details.later
    if later is None or details.locked:
        return "", ""
    fans, lines = [], []
    for place, (start, end) in enumerate(pairwise(later.days)):
        if end > x.high:
            break
        after, before, then = later.after[place], later.before[place + 1], later.after[place + 1]
        left, right = x.at(start), x.at(end)
        upper, lower = [(left, y.held(after[4])), (right, y.held(before[4]))], [
            (left, y.held(after[0])), (right, y.held(before[0])),
        ]  # fmt: skip
        fans.append(area_path(upper, lower))
        lines.append(line_path([(left, y.held(after[2])), (right, y.held(before[2])), (right, y.held(then[2]))]))
    return "".join(fans), "".join(lines)


def _missed(visits: Sequence[Visit], x: Scale, y: Scale) -> str:
    """A cross over each session that came late after a missed visit."""
    places = [(x.at(v.day), y.held(v.before_pct) - 12.0) for v in visits if v.missed and v.before_pct is not None]
    return "".join(
        f"M{coordinate(px - 3.5)} {coordinate(py - 3.5)}l7 7M{coordinate(px + 3.5)} {coordinate(py - 3.5)}l-7 7"
        for px, py in places
    )


def _measured(course: Course, x: Scale, y: Scale) -> Mark | None:
    if course.measured is None:
        return None
    day, pct = course.measured
    return Mark(coordinate(x.at(day)), coordinate(y.held(pct)), figure(pct, 1), over=pct > course.ceiling_pct)


def _pace_marks(details: Details, x: Scale) -> tuple[Mark, Mark] | None:
    if details.pace_change is None or details.pace_change[0] < x.low:
        return None
    day, before, now = details.pace_change
    px = x.at(day)
    return (
        Mark(coordinate(px), "", f"{figure(before, 2)} a day"),
        Mark(coordinate(px + 11), "", f"{figure(now, 2)} a day"),
    )


def lettered(details: Details) -> tuple[tuple[str, int, str], ...]:
    """Return the notes with their letters: (letter, ordinal, sentence)."""
    kept = details.notes[-len(ascii_lowercase) :]
    return tuple((letter, day, text) for letter, (day, text) in zip(ascii_lowercase, kept, strict=False))


def _notes(details: Details, x: Scale) -> tuple[Mark, ...]:
    marks, edge = [], -math.inf
    for letter, day, _ in lettered(details):
        if day < x.low:
            continue
        # Letters of near days are set side by side; the tick stays on its day.
        edge = max(x.at(day), edge + NOTE_ROOM)
        marks.append(Mark(coordinate(x.at(day)), coordinate(edge), letter))
    return tuple(marks)


def hb_ends(details: Details, visits: Sequence[Visit]) -> tuple[float, float]:
    """Return the lowest and highest Hb of the track [g/L]: HB_LOW to HB_HIGH, wider where values lie beyond."""
    values = [hb for v in visits for hb in (v.hb_before_g_l, v.hb_after_g_l) if hb is not None]
    values += [hb for _, hb in details.hb_since] + [details.hb_ceiling_g_l]
    return min(HB_LOW, math.floor(min(values) / 20) * 20), max(HB_HIGH, math.ceil(max(values) / 20) * 20)


def _hb_track(course: Course, details: Details, visits: Sequence[Visit], x: Scale) -> HbTrack:
    y = Scale(*hb_ends(details, visits), HB_BASE, HB_TOP)
    stems, joins = [], []
    for i, visit in enumerate(visits):
        if visit.hb_before_g_l is not None and visit.hb_after_g_l is not None:
            stems.append(line_path([(x.at(visit.day), y.at(hb)) for hb in (visit.hb_before_g_l, visit.hb_after_g_l)]))
        if i and visit.hb_before_g_l is not None and (last := visits[i - 1].hb_after_g_l) is not None:
            joins.append(
                line_path([(x.at(visits[i - 1].day), y.at(last)), (x.at(visit.day), y.at(visit.hb_before_g_l))])
            )
    return HbTrack(
        hairs=_hairs(y, 20, _hb),
        ceiling=Mark(
            coordinate(RIGHT + 6),
            coordinate(y.at(details.hb_ceiling_g_l)),
            f"Hb ceiling {hb_shown(details.hb_ceiling_g_l):g}",
        ),
        stems="".join(stems),
        joins="".join(joins),
        before=_points([(v.day, v.hb_before_g_l) for v in visits], x, y),
        after=_points([(v.day, v.hb_after_g_l) for v in visits], x, y),
        since=tuple(Mark(coordinate(x.at(day)), coordinate(y.at(hb)), _hb(hb)) for day, hb in details.hb_since),
        expected=_expected_hb(course, x, y) if details.hb_since else "",
    )


def _hb(value_g_l: float) -> str:
    """Write Hb in the unit the site reads."""
    return f"{hb_shown(value_g_l):.{hb_places()}f}"


def _points(values: Sequence[tuple[int, float | None]], x: Scale, y: Scale) -> tuple[tuple[str, str], ...]:
    return tuple((coordinate(x.at(day)), coordinate(y.at(value))) for day, value in values if value is not None)


def _expected_hb(course: Course, x: Scale, y: Scale) -> str:
    f = course.forecast
    if f is None or not f.hb_p50:
        return ""
    days, values = cut(f.days, f.hb_p50, course.today - f.start)
    return line_path([(x.at(f.start + day), y.held(value)) for day, value in zip(days, values, strict=True)])


def _foot(visits: Sequence[Visit], x: Scale) -> tuple[Mark, ...]:
    """Units given and days since the session before, under each session that has room."""
    xs = [x.at(visit.day) for visit in visits]
    room = apart(xs, FOOT_ROOM)
    marks = []
    for i, visit in enumerate(visits):
        if room[i]:
            gap = str(visit.day - visits[i - 1].day) if i else ""
            marks.append(Mark(coordinate(xs[i]), "", "" if visit.units is None else str(visit.units), gap))
    return tuple(marks)


def _window(course: Course, details: Details, x: Scale) -> str:
    if course.window is None or details.locked or course.window[1] < course.window[0]:
        return ""
    left, right = (coordinate(x.held(day)) for day in course.window)
    return f"M{left} 339V345H{right}V339"
