"""How long units are kept where the blood bank did not say."""

from datetime import datetime
from zoneinfo import ZoneInfo

import pytest

from programme.supply.numeric.held import held_by_rule

LONDON = ZoneInfo("Europe/London")


@pytest.mark.parametrize(("days", "last"), [(0, (12, 23, 59)), (1, (13, 23, 59)), (3, (15, 23, 59))])
def test_units_are_kept_to_the_end_of_a_day(days, last):
    """Worked by hand: planned for Friday 12 June, 09:00."""
    assert held_by_rule(datetime(2026, 6, 12, 9, tzinfo=LONDON), days) == datetime(2026, 6, *last, tzinfo=LONDON)


def test_the_day_is_that_of_the_site_when_the_clocks_change():
    """Sunday 29 March 2026 has 23 hours in London; the last minute of it is 22:59 UTC."""
    found = held_by_rule(datetime(2026, 3, 28, 9, tzinfo=LONDON), 1)
    assert found.astimezone(ZoneInfo("UTC")).strftime("%d %H:%M") == "29 22:59"
