"""Limits by weight, flag and own value; open days against numpy and the published holidays of a country."""

from datetime import date, timedelta

import holidays
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from programme.core.numeric.setting_table import DEFAULTS, SETTINGS
from programme.planning.numeric.limits import hb_after_warn, limits_for
from programme.planning.numeric.opendays import OpenDays, weekday


def test_limits_follow_weight_flag_and_own_values():
    limits = limits_for(
        weight_kg=[70.0, 70.0, 25.0, 50.0],
        organ_flag=[False, True, False, True],
        hb_ceiling_g_l=[np.nan, np.nan, np.nan, 105.0],
        units_most=[np.nan, 4.0, np.nan, np.nan],
        saline_first=[False, False, False, True],
    )
    # 500 mL and 8 mL/kg: 13 to 15 % of the volume in healthy donors, UK donor guidelines 3.7; children 5 to 10 mL/kg:
    # Swerdlow PS, Hematology ASH Educ Program 2006:48-53.
    assert limits.draw_stop_ml.tolist() == [500.0, 500.0, 175.0, 400.0]
    assert limits.saline_stop_ml.tolist() == [1050.0, 1050.0, 375.0, 750.0]
    assert limits.hb_floor_stop_g_l.tolist() == [70.0, 90.0, 70.0, 90.0]
    assert limits.hb_floor_warn_g_l.tolist() == [80.0, 90.0, 80.0, 90.0]
    assert limits.saline_first.tolist() == [True, False, True, True]
    assert limits.hb_after_warn_g_l.tolist() == [110.0, 110.0, 110.0, 105.0]
    assert limits.units_most.tolist() == [10.0, 4.0, 10.0, 10.0]
    assert limits.blood_out_stop_ml.tolist() == [3500.0, 3500.0, 1250.0, 3500.0]


def test_hb_after_is_held_lower_while_hbs_is_high():
    # Over 100 g/L when HbS stays high: Swerdlow 2006; haematocrit 0.36 as a stop: Vichinsky 2001.
    limits = limits_for(weight_kg=[70.0])
    assert hb_after_warn(limits, np.array([[30.0], [30.1]])).ravel().tolist() == [110.0, 100.0]
    assert limits.hb_after_stop_g_l.tolist() == [120.0]


def test_every_limit_is_a_site_setting_with_a_range():
    used = {name for name in DEFAULTS if name.split("_")[0] in ("hb", "single", "child", "blood", "saline", "balance")}
    for name in used:
        row = SETTINGS[name]
        assert row.low <= row.default <= row.high
        assert row.ground
    tighter = limits_for(weight_kg=[70.0], settings=DEFAULTS | {"saline_stop_ml_per_kg": 10.0})
    assert tighter.saline_stop_ml.tolist() == [700.0]


def test_people_without_clinic_days_come_monday_to_friday():
    days = OpenDays.of(2, clinic_days=[[False] * 7, [False, True] + [False] * 5])
    week = np.array([date(2025, 12, 1).toordinal() + k for k in range(7)])
    assert weekday(week).tolist() == list(range(7))
    assert days.is_open(np.stack([week, week])).tolist() == [
        [True] * 5 + [False] * 2,
        [False, True] + [False] * 5,
    ]


def test_published_bank_holidays_are_closed():
    # The bank holidays of England around Christmas 2025 as the `holidays` library holds them.
    closed = [day.toordinal() for day in holidays.country_holidays("GB", subdiv="ENG", years=[2025, 2026])]
    days = OpenDays.of(1, closed=closed)
    christmas = np.array([date(2025, 12, 25).toordinal()])
    assert days.on_or_before(christmas)[0] == date(2025, 12, 24).toordinal()
    assert days.on_or_after(christmas)[0] == date(2025, 12, 29).toordinal()


@settings(max_examples=60, deadline=None)
@given(
    mask=st.lists(st.booleans(), min_size=7, max_size=7),
    start=st.dates(date(2024, 1, 1), date(2030, 1, 1)),
    closed=st.sets(st.integers(0, 40), max_size=12),
)
def test_open_days_agree_with_the_calendar_read_day_by_day(mask, start, closed):
    shut = [start.toordinal() + k for k in closed]
    days = OpenDays.of(1, clinic_days=[mask], closed=shut)
    week = mask if any(mask) else [True] * 5 + [False] * 2
    asked = np.array([[start.toordinal() + k for k in range(30)]])
    plain = [week[(start + timedelta(days=k)).weekday()] and start.toordinal() + k not in shut for k in range(30)]
    assert days.is_open(asked)[0].tolist() == plain
    for k, day in enumerate(asked[0]):
        later = days.on_or_after(np.array([day]))[0]
        assert later >= day
        assert days.is_open(np.array([later]))[0]
        assert not any(plain[k : min(later - asked[0][0], 30)])


def test_a_week_of_the_wrong_shape_is_refused():
    with pytest.raises(ValueError, match=r"allowed are \(7,\) and \(3, 7\)"):
        OpenDays.of(3, clinic_days=[[True] * 5])
