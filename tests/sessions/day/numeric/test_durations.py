"""How long a session takes by its method, and on which day a call falls due."""

from datetime import date

import pytest

from programme.core.numeric.setting_table import DEFAULTS
from sessions.day.numeric.after import call_day
from sessions.day.numeric.durations import minutes_a_unit


@pytest.mark.parametrize(
    ("method", "setting"),
    [
        ("", "minutes_a_unit"),
        ("two_arm", "minutes_a_unit"),
        ("one_arm", "minutes_a_unit_one_arm"),
        ("automated", "minutes_a_unit_automated"),
    ],
)
def test_every_method_has_its_own_minutes_a_unit(method, setting):
    assert minutes_a_unit(method, DEFAULTS) == DEFAULTS[setting]


def test_one_arm_takes_longer_than_two():
    """Drawing and giving follow each other instead of running side by side (common practice)."""
    assert minutes_a_unit("one_arm", DEFAULTS) > minutes_a_unit("two_arm", DEFAULTS)


@pytest.mark.parametrize(
    ("on", "due"),
    [
        (date(2026, 11, 23), date(2026, 12, 3)),  # a Thursday
        (date(2026, 11, 25), date(2026, 12, 7)),  # Saturday 5 December, so the Monday
        (date(2026, 11, 26), date(2026, 12, 7)),  # Sunday
        (date(2026, 11, 27), date(2026, 12, 7)),
    ],
)
def test_a_call_never_falls_on_a_weekend(on, due):
    assert call_day(on, 10) == due
