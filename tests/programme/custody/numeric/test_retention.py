"""Until when a record is kept."""

from datetime import date

import pytest

from programme.core.numeric.setting_table import SETTINGS
from programme.custody.numeric.retention import Known, Rules, kept_until, years_after

RULES = Rules(after_contact_years=8, until_age_years=25, after_blood_years=30)


@pytest.mark.parametrize(
    ("born", "contact", "blood", "until", "because"),
    [
        (date(1960, 5, 1), date(2010, 3, 2), None, date(2018, 3, 2), "8 years after the last contact"),
        (date(2008, 5, 1), date(2015, 3, 2), None, date(2033, 5, 1), "until the age of 25"),
        (date(1960, 5, 1), date(2010, 3, 2), date(2010, 3, 2), date(2040, 3, 2), "30 years after the last red cells"),
        (date(1960, 5, 1), date(2036, 3, 2), date(2010, 3, 2), date(2044, 3, 2), "8 years after the last contact"),
    ],
)
def test_the_rule_that_keeps_longest_decides(born, contact, blood, until, because):
    kept = kept_until(Known(born, contact, blood), RULES)
    assert (kept.until, kept.because) == (until, because)


def test_what_is_not_known_makes_nothing_past():
    assert kept_until(Known(None, date(1990, 1, 1), None), RULES).until is None
    assert kept_until(Known(date(1940, 1, 1), None, None), RULES).until is None


def test_the_last_day_of_february_has_a_day_in_every_year():
    assert years_after(date(2016, 2, 29), 8) == date(2024, 2, 29)
    assert years_after(date(2016, 2, 29), 9) == date(2025, 3, 1)


def test_no_unit_can_ask_for_less_than_thirty_years_after_red_cells():
    """Directive 2002/98/EC (2003), article 14(3), from memory: data for traceability are kept at least 30 years."""
    assert SETTINGS["keep_years_blood"].low == 30
