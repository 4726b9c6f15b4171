"""The pictures of a course as numbers: where things lie, and what is not drawn."""

import re
from dataclasses import replace
from datetime import date

import plotly.graph_objects as go
import pytest

from programme.worklist.charts.full import draw_full, lettered
from programme.worklist.charts.lines import draw_fan, draw_lines
from programme.worklist.charts.plot import draw_plot
from programme.worklist.charts.small import draw_head, draw_small
from programme.worklist.numeric.course import Course, Details, Forecast, Visit
from programme.worklist.numeric.picture import Scale

TODAY = date(2026, 6, 1).toordinal()
LAST = TODAY - 28
VISITS = (
    Visit(LAST - 56, 31.0, 14.0, hb_before_g_l=92, hb_after_g_l=104, units=4),
    Visit(LAST - 28, 28.0, 14.0, hb_before_g_l=93, hb_after_g_l=105, units=5),
    Visit(LAST, 27.0, 14.0, hb_before_g_l=91, hb_after_g_l=103, units=4),
)
DAYS = tuple(float(d) for d in range(0, 71, 7))
FORECAST = Forecast(
    LAST,
    DAYS,
    *(tuple(14 + 0.5 * d + z * (1 + 0.03 * d) for d in DAYS) for z in (-1.28, -0.67, 0.0, 0.67, 1.28)),
    hb_p50=tuple(103 - 0.3 * d for d in DAYS),
)
COURSE = Course(TODAY, ((0, 30.0),), VISITS, FORECAST, window=(TODAY - 2, TODAY + 3))
DETAILS = Details(hb_ceiling_g_l=110.0)


def numbers(path):
    return [float(n) for n in re.findall(r"-?\d+(?:\.\d+)?", path)]


def points(path):
    values = numbers(path)
    return list(zip(values[::2], values[1::2], strict=True))


# Small


def test_every_ceiling_lies_level_and_today_is_one_line():
    """The grammar: y is a share of the own ceiling, 0.36 to 1.34; 24 weeks back and 7 ahead."""
    low = draw_small(COURSE)
    high = draw_small(replace(COURSE, ceilings=((0, 50.0),)))
    assert low.ceiling_y == high.ceiling_y == "12.4"
    assert low.today_x == high.today_x == draw_head(TODAY).today_x == "230.7"


def test_drops_run_from_before_to_after_and_climbs_to_the_next_before():
    """By hand: x is 230.71 + 1.3733 a day, y is 32 at 10.8 % and 2 at 40.2 %."""
    lines = draw_small(COURSE).lines
    assert lines.drops == "M115.4 11.4V28.7M153.8 14.4V28.7M192.3 15.5V28.7"
    assert lines.climbs == "M115.4 28.7L153.8 14.4M153.8 28.7L192.3 15.5"
    assert (lines.before_over, len(lines.before)) == ((("115.4", "11.4"),), 2)


def test_the_fan_ends_twelve_days_after_the_last_safe_day():
    fan = draw_small(COURSE).fan
    last_x = points(fan.middle)[-1][0]
    assert last_x == pytest.approx(230.71 + 1.3733 * 15, abs=0.1)


def test_what_lies_over_the_ceiling_stays_over_it():
    fan = draw_small(COURSE).fan
    assert all(y <= 12.4 for _, y in points(fan.over))
    calm = draw_small(replace(COURSE, ceilings=((0, 60.0),))).fan
    assert calm.over == ""


def test_no_forecast_no_fan():
    picture = draw_small(replace(COURSE, forecast=None, window=None))
    assert (picture.fan, picture.window) == (None, "")
    assert "No forecast." in picture.label


def test_a_course_that_ended_long_ago_draws_no_fan_and_no_session():
    old = replace(COURSE, today=TODAY + 400, window=None)
    picture = draw_small(old)
    assert picture.fan is None
    assert (picture.lines.drops, picture.lines.climbs) == ("", "")


def test_the_climb_into_the_picture_starts_outside_it():
    long_gap = (Visit(TODAY - 190, 30.0, 14.0), Visit(TODAY - 160, 28.0, 14.0))
    lines = draw_small(replace(COURSE, visits=long_gap, forecast=None)).lines
    assert points(lines.climbs)[0][0] < 0 < points(lines.climbs)[1][0]


def test_a_value_beyond_the_scale_is_held_at_its_edge():
    lines = draw_small(replace(COURSE, visits=(Visit(LAST, 80.0, 2.0),))).lines
    assert lines.drops == "M192.3 2V32"


def test_nothing_is_joined_over_an_unknown_end():
    visits = (Visit(LAST - 28, 28.0, None), Visit(LAST, 27.0, 14.0))
    lines = draw_small(replace(COURSE, visits=visits)).lines
    assert (lines.climbs, lines.dashes) == ("", "")
    assert lines.drops.count("M") == 1


def test_a_reckoned_end_is_dashed_and_has_no_ring():
    visits = (Visit(LAST - 28, 28.0, 14.0, after_reckoned=True), Visit(LAST, 27.0, 14.0))
    lines = draw_small(replace(COURSE, visits=visits)).lines
    assert lines.dashes.count("M") == 2
    assert (lines.climbs, len(lines.after)) == ("", 1)


def test_the_small_picture_in_a_sentence():
    """Forecast by hand: 28 days after 14 at half a point a day is 28; one spread there is 1.84 points."""
    said = draw_small(replace(COURSE, measured=(TODAY, 30.4))).label
    assert said == (
        "Ceiling 30 %. Last before sessions: 31.0, 28.0 and 27.0 %. Measured since: 30.4 %. "
        "Forecast today 28 %, eight in ten between 26 and 30. Suggested 30 May to 4 Jun."
    )


def test_past_its_end_a_forecast_says_nothing_about_today():
    assert "No forecast." in draw_small(replace(COURSE, today=LAST + 71)).label


def test_a_measured_value_is_marked_over_only_above_the_ceiling():
    assert draw_small(replace(COURSE, measured=(TODAY, 30.0))).measured.over is False
    assert draw_small(replace(COURSE, measured=(TODAY, 30.1))).measured.over is True


def test_fan_edges_lie_in_order():
    x, y = Scale(LAST, LAST + 70, 0, 100), Scale(0, 60, 100, 0)
    fan = draw_fan(FORECAST, LAST + 70, 30.0, x, y)
    outer, inner, middle = points(fan.outer), points(fan.inner), points(fan.middle)
    n = len(middle)
    assert all(o[1] < i[1] < m[1] for o, i, m in zip(outer[:n], inner[:n], middle, strict=True))


def test_a_session_is_judged_by_the_ceiling_of_its_own_day():
    x, y = Scale(LAST - 60, LAST, 0, 100), Scale(0, 50, 100, 0)
    lines = draw_lines(VISITS, ((0, 35.0), (LAST - 40, 27.0)), x, y)
    assert len(lines.before_over) == 1  # 31.0 under 35, 28.0 over 27, 27.0 at 27


# Full


def test_the_ceiling_is_stepped_where_it_changed():
    full = draw_full(replace(COURSE, ceilings=((LAST - 50, 35.0), (LAST - 20, 30.0))), DETAILS)
    assert re.fullmatch(r"M46 \S+H\S+V\S+H1270", full.ceiling)
    assert (full.ceiling_mark.label, full.ceiling_mark.second) == ("ceiling 30", "since 14 Apr 2026")


def test_the_suggested_session_is_a_dashed_drop_from_the_middle_of_the_fan():
    full = draw_full(COURSE, replace(DETAILS, planned=(TODAY + 2, 12.5)))
    assert full.planned.label == "12.5 expected"
    top, bottom = numbers(full.planned_drop)[1:]
    scale = (237.9 - 8.0) / 38
    assert top == pytest.approx(237.9 - (14 + 15 - 5) * scale, abs=0.1)
    assert bottom == pytest.approx(237.9 - (12.5 - 5) * scale, abs=0.1)
    assert points(full.fan.middle)[-1][0] == pytest.approx(numbers(full.planned_drop)[0], abs=0.1)


def test_a_locked_course_has_no_fan_no_window_no_suggestion_and_says_none():
    locked = replace(DETAILS, locked=True, planned=(TODAY + 2, 12.5), hb_since=((TODAY, 64.0),))
    full = draw_full(COURSE, locked)
    assert (full.fan, full.window, full.planned, full.planned_drop) == (None, "", None, "")
    assert float(full.shut_width) > 0
    assert [mark.label for mark in full.hb.since] == ["64"]
    assert full.hb.expected.startswith("M")
    assert "No forecast." in full.description
    assert "Suggested" not in full.description


def test_units_and_gaps_stand_under_their_sessions():
    foot = draw_full(COURSE, DETAILS).foot
    assert [(mark.label, mark.second) for mark in foot] == [("4", ""), ("5", "28"), ("4", "28")]


def test_months_back_cut_the_past():
    many = tuple(Visit(LAST - 28 * n, 28.0, 14.0) for n in range(60, -1, -1))
    course = replace(COURSE, visits=many)
    short, whole = draw_full(course, DETAILS, months=6), draw_full(course, DETAILS, months=None)
    assert (short.lines.drops.count("M"), whole.lines.drops.count("M")) == (6, 61)


def test_the_scale_makes_room_for_what_lies_higher():
    full = draw_full(replace(COURSE, visits=(Visit(LAST, 62.0, 30.0),)), DETAILS)
    assert [hair.label for hair in full.hairs][-1] == "70"
    assert float(full.lines.before_over[0][1]) > 8.0


def test_letters_of_near_days_stand_side_by_side():
    details = replace(DETAILS, notes=((TODAY - 20, "one"), (TODAY - 19, "two")))
    first, second = draw_full(COURSE, details).notes
    assert (first.label, second.label) == ("a", "b")
    assert float(second.y) - float(first.y) >= 13
    assert lettered(details)[1] == ("b", TODAY - 19, "two")


def test_someone_without_any_session_has_a_picture():
    full = draw_full(Course(TODAY, ((0, 30.0),), ()), DETAILS)
    assert (full.lines.drops, full.fan, full.foot) == ("", None, ())
    assert full.description.startswith("Ceiling 30 %. No forecast.")


# For the chart in the browser


def texts_of(value):
    if isinstance(value, str):
        yield value
    elif isinstance(value, dict):
        for part in value.values():
            yield from texts_of(part)
    elif isinstance(value, list):
        for part in value:
            yield from texts_of(part)


@pytest.mark.parametrize(
    "details",
    [
        DETAILS,
        replace(DETAILS, planned=(TODAY + 2, 12.5), pace_change=(LAST, 0.42, 0.52), notes=((LAST, "top-up"),)),
        replace(DETAILS, locked=True, hb_since=((TODAY, 64.0),)),
    ],
)
def test_the_chart_library_accepts_the_figure(details):
    """Reference: the validators of the plotly package itself."""
    plot = draw_plot(replace(COURSE, measured=(TODAY, 30.4)), details)
    colours = {"--ink", "--ink-2", "--over", "--over-wash", "--fan-outer", "--fan-inner", "--rule", "--hair", "--paper",
               "--wash"}  # fmt: skip

    def inked(value):
        if isinstance(value, dict):
            return {key: inked(part) for key, part in value.items()}
        if isinstance(value, list):
            return [inked(part) for part in value]
        return "#201C15" if value in colours else value

    figure = go.Figure(inked(plot["data"]), inked(plot["layout"]))
    assert len(figure.data) == len(plot["data"])
    assert not [text for text in texts_of(plot) if text.startswith("--") and text not in colours]


def test_no_text_of_the_chart_holds_markup():
    """Markup in a text becomes a style attribute, which the content policy refuses."""
    notes = ((LAST, "ceiling 35 to 30 %"),)
    plot = draw_plot(COURSE, replace(DETAILS, planned=(TODAY + 2, 12.5), notes=notes))
    assert not [text for text in texts_of(plot) if "<" in text]


def test_a_short_span_names_its_days_so_that_no_month_stands_twice():
    """Plotly takes the first of `tickformatstops` whose `dtickrange` holds the distance of two ticks."""
    layout = draw_plot(COURSE, DETAILS)["layout"]
    day = 86_400_000
    (_, most), near = (
        layout["xaxis"]["tickformatstops"][0]["dtickrange"],
        layout["xaxis"]["tickformatstops"][0]["value"],
    )
    assert 14 * day <= most < 28 * day
    assert "%-d" in near


@pytest.mark.parametrize(("hb", "ends"), [(None, [60.0, 120.0]), (52.0, [40.0, 120.0]), (131.0, [60.0, 140.0])])
def test_the_chart_keeps_the_hb_scale_of_the_printed_picture(hb, ends):
    course = replace(COURSE, visits=tuple(replace(v, hb_before_g_l=hb, hb_after_g_l=hb) for v in COURSE.visits))
    assert draw_plot(course, replace(DETAILS, hb_since=()))["layout"]["yaxis2"]["range"] == ends


def test_hover_says_a_session_in_one_sentence():
    plot = draw_plot(COURSE, DETAILS)
    before = next(trace for trace in plot["data"] if trace["name"] == "before, over the ceiling")
    assert before["text"] == ["9 Mar 2026: 31.0 before, 14.0 after, 4 units"]


def test_a_locked_chart_has_no_forecast():
    names = {trace["name"] for trace in draw_plot(COURSE, replace(DETAILS, locked=True))["data"]}
    assert not names & {"forecast", "eight in ten", "middle half", "suggested session"}


def test_a_booked_day_stands_as_a_flag_where_the_day_is_and_is_said():
    """Days to the right: the flag of a later day stands further on; a day outside the picture has none."""
    near, far = TODAY + 4, TODAY + 20
    small = draw_small(replace(COURSE, booked=(near, far)))
    x = [float(part.split()[0]) for part in small.booked.split("M")[1:]]
    assert len(x) == 2 and float(small.today_x) < x[0] < x[1]
    assert draw_small(COURSE).booked == ""
    assert draw_small(replace(COURSE, booked=(TODAY + 400,))).booked == ""
    assert small.label.endswith("Booked 5 Jun and 21 Jun.")
    assert draw_full(replace(COURSE, booked=(near,)), DETAILS).booked.count("M") == 1
