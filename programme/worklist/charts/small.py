"""The course as it stands in a row of the list, drawn to the scale that all rows share. Takes plain values only."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date

from programme.core.numeric.words import listed
from programme.worklist.charts.lines import Fan, Lines, draw_fan, draw_lines
from programme.worklist.numeric.course import Course, fan_end
from programme.worklist.numeric.picture import Month, Scale, coordinate, month_bar, value_at
from programme.worklist.numeric.words import figure, short_day_words

SMALL_WIDTH, SMALL_HEIGHT = 298, 40
SMALL_BACK_DAYS, SMALL_AHEAD_DAYS = 24 * 7, 7 * 7
SMALL_LOW, SMALL_HIGH = 0.36, 1.34  # share of the own ceiling, so that every ceiling lies level in the list
SMALL_TOP, SMALL_BASE = 2.0, 32.0


@dataclass(frozen=True, slots=True)
class Dot:
    """A measured value since the last session, and whether it lies over the ceiling."""

    x: str
    y: str
    over: bool


@dataclass(frozen=True, slots=True)
class SmallPicture:
    """The course in a row of the list; every path in one coordinate system, empty where nothing is drawn."""

    fan: Fan | None
    lines: Lines
    ceiling_y: str
    today_x: str
    window: str
    measured: Dot | None
    booked: str
    label: str


def small_scales(today: int, ceiling_pct: float) -> tuple[Scale, Scale]:
    """Return the scales of days and of %, the second by share of the ceiling."""
    x = Scale(today - SMALL_BACK_DAYS, today + SMALL_AHEAD_DAYS, 0.0, SMALL_WIDTH)
    y = Scale(SMALL_LOW * ceiling_pct, SMALL_HIGH * ceiling_pct, SMALL_BASE, SMALL_TOP)
    return x, y


@dataclass(frozen=True, slots=True)
class SmallHead:
    """The months over the pictures of the list, printed once."""

    months: tuple[Month, ...]
    today_x: str
    notch: str


def draw_head(today: int) -> SmallHead:
    """Return the head of the picture column for an ordinal day."""
    x, _ = small_scales(today, 30.0)
    at = x.at(today)
    notch = f"M{coordinate(at - 5)} 20h10l-5 9Z"
    return SmallHead(month_bar(x), coordinate(at), notch)


def draw_small(course: Course) -> SmallPicture:
    """Return the small picture of a course."""
    x, y = small_scales(course.today, course.ceiling_pct)
    first = course.today - SMALL_BACK_DAYS
    shown = [i for i, visit in enumerate(course.visits) if visit.day >= first]
    # The session just outside is kept, so that the climb from it enters from the edge.
    visits = course.visits[max(0, shown[0] - 1) :] if shown else ()
    fan = None
    if course.forecast is not None and course.forecast.start >= first:
        fan = draw_fan(course.forecast, min(fan_end(course), int(x.high)), course.ceiling_pct, x, y)
    return SmallPicture(
        fan=fan,
        lines=draw_lines(visits, ((0, course.ceiling_pct),), x, y),
        ceiling_y=coordinate(y.at(course.ceiling_pct)),
        today_x=coordinate(x.at(course.today)),
        window=_bracket(course.window, x, base=SMALL_HEIGHT - 1, height=4),
        measured=None if course.measured is None else _dot(course.measured, course.ceiling_pct, x, y),
        booked=booked_posts(course.booked, x, base=SMALL_HEIGHT - 1, height=9),
        label=describe(course),
    )


def _bracket(window: tuple[int, int] | None, x: Scale, *, base: float, height: float) -> str:
    if window is None or window[1] < x.low or window[0] > x.high or window[1] < window[0]:
        return ""
    left, right = coordinate(x.held(window[0])), coordinate(x.held(window[1]))
    return f"M{left} {coordinate(base - height)}V{coordinate(base)}H{right}V{coordinate(base - height)}"


def booked_posts(days: Sequence[int], x: Scale, *, base: float, height: float) -> str:
    """A post with a flag on each booked day within the picture."""
    places = [coordinate(x.at(day)) for day in days if x.low <= day <= x.high]
    return "".join(f"M{px} {coordinate(base)}v{coordinate(-height)}l4 2l-4 2" for px in places)


def _dot(measured: tuple[int, float], ceiling_pct: float, x: Scale, y: Scale) -> Dot:
    day, pct = measured
    return Dot(coordinate(x.at(day)), coordinate(y.held(pct)), pct > ceiling_pct)


def describe(course: Course) -> str:
    """Return the picture in a sentence or two: the last three before-values, the ceiling, forecast and range."""
    said = [f"Ceiling {course.ceiling_pct:g} %."]
    lasts = [figure(visit.before_pct, 1) for visit in course.visits if visit.before_pct is not None][-3:]
    if lasts:
        said.append(f"Last before sessions: {listed(lasts)} %.")
    if course.measured is not None:
        said.append(f"Measured since: {figure(course.measured[1], 1)} %.")
    f = course.forecast
    if f is None or course.today - f.start > f.days[-1]:
        said.append("No forecast.")
    else:
        day = course.today - f.start
        low, middle, high = (figure(value_at(f.days, q, day)) for q in (f.p10, f.p50, f.p90))
        said.append(f"Forecast today {middle} %, eight in ten between {low} and {high}.")
    if course.window is not None and course.window[1] >= course.window[0]:
        today = date.fromordinal(course.today)
        first, last = (short_day_words(date.fromordinal(day), today) for day in course.window)
        said.append(f"Suggested {first} to {last}.")
    if course.booked:
        days = [short_day_words(date.fromordinal(day), date.fromordinal(course.today)) for day in course.booked]
        said.append(f"Booked {listed(days)}.")
    return " ".join(said)
