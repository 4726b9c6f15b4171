"""When a check is due, for whom, and that the ground of every interval stands with it."""

from datetime import date

import pytest

from patients.models import Analyte
from patients.numeric.checks import BY_NAME, CHECKS, due_of
from programme.core.numeric.setting_table import SETTINGS

TODAY = date(2026, 6, 1)
PUBLISHED = {
    # name: (days, source); thalassaemia and another transfused anaemia stand in where none is published for SCD
    "ferritin": (91, "Canadian thalassaemia consensus"),
    "liver_iron": (365, "Canadian thalassaemia consensus"),
    "heart_iron": (0, "Canadian thalassaemia consensus"),
    "virology": (365, "PMC11088755"),
    "doppler": (365, "ASH 2020"),
}


@pytest.mark.parametrize("check", CHECKS, ids=lambda check: check.name)
def test_every_interval_has_its_source_or_is_called_common_practice(check):
    row = SETTINGS[check.setting]
    days, source = PUBLISHED.get(check.name, (row.default, "common practice"))
    assert row.default == days
    assert source in row.ground
    assert "0: not asked" in row.words


def test_codes_of_checks_are_results_that_exist():
    assert BY_NAME["ferritin"].codes == (Analyte.FERRITIN,)
    assert BY_NAME["liver_iron"].codes == (Analyte.LIVER_IRON,)
    assert BY_NAME["liver_kidney"].codes == (Analyte.ALT, Analyte.CREATININE)


def test_a_check_is_overdue_the_day_after_it_was_due():
    due = due_of(BY_NAME["ferritin"], 91, date(2026, 3, 2))
    assert due.next_on == TODAY
    assert not due.is_overdue(TODAY)
    assert due.is_overdue(date(2026, 6, 2))


def test_what_was_never_recorded_is_not_called_overdue():
    due = due_of(BY_NAME["eyes"], 365, None)
    assert (due.last_on, due.next_on, due.is_overdue(TODAY)) == (None, None, False)


def test_a_site_that_asks_for_none_gets_none():
    assert due_of(BY_NAME["eyes"], 0, date(2020, 1, 1)) is None


@pytest.mark.parametrize(
    ("age", "genotype", "applies"),
    [
        (9, "SS", True),
        (9, "SC", False),
        (1.9, "SS", False),
        (18, "SS", False),
        (16.5, "Sb0", True),
        (float("nan"), "SS", True),
    ],
)
def test_transcranial_doppler_is_for_children_with_the_severe_kinds(age, genotype, applies):
    """Ages 2 to 16 in SS and S beta-zero: ASH 2020 (DeBaun et al.), as quoted."""
    assert BY_NAME["doppler"].applies(age, genotype) is applies
    assert BY_NAME["ferritin"].applies(age, genotype)
