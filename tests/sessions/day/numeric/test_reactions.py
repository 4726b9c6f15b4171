"""Kinds of reactions at the exact ends of their windows, and what may be judged together."""

import pytest

from sessions.day.models import AdverseEvent, Imputability
from sessions.day.numeric.reactions import KINDS, RELATED, SEVERITY, doubts, judgement_faults

MONTH = 28 * 24.0


@pytest.mark.parametrize(
    ("kind", "hours_after", "fits"),
    [
        # TRIP (the Netherlands), definitions: acute up to 24 h, delayed after 24 h to 28 days
        ("acute_haemolytic", 24.0, True), ("acute_haemolytic", 24.001, False),
        ("delayed_haemolytic", 24.0, False), ("delayed_haemolytic", 24.001, True),
        ("delayed_haemolytic", MONTH, True), ("delayed_haemolytic", MONTH + 0.001, False),
        # TRIP: febrile within 2 h, lung injury within 6 h, overload within 12 h
        ("febrile", 2.0, True), ("febrile", 2.001, False), ("trali", 6.0, True), ("trali", 6.001, False),
        ("taco", 12.0, True), ("taco", 12.001, False),
        ("febrile", -0.5, True), ("allergic", 100.0, True),
    ],
)  # fmt: skip
def test_windows_end_where_the_definitions_say(kind, hours_after, fits):
    assert (doubts(kind, hours_after=hours_after) == ()) is fits


def test_without_a_time_nothing_is_doubted():
    assert all(doubts(kind, hours_after=None) == () for kind in KINDS)


@pytest.mark.parametrize(("rise", "fits"), [(0.9, False), (1.0, True), (2.4, True)])
def test_fever_is_a_rise_of_one_degree_or_more(rise, fits):
    """TRIP: 2 °C or more, mild from 1 °C."""
    assert (doubts("febrile", hours_after=0.5, temp_rise_c=rise) == ()) is fits


@pytest.mark.parametrize("imputability", ["", *Imputability.values])
def test_grade_four_needs_a_death_that_at_least_possibly_is_related(imputability):
    """ISBT 2011, as in the CDC biovigilance protocol, appendix C."""
    assert (judgement_faults(4, imputability) == {}) is (imputability in ("possible", "probable", "definite"))
    assert all(judgement_faults(grade, imputability) == {} for grade in (None, 1, 2, 3))


def test_a_grade_that_does_not_exist_is_refused():
    assert "no grade" in judgement_faults(5, "possible")["severity"]
    assert sorted(SEVERITY) == [1, 2, 3, 4]


def test_kinds_fit_the_row_that_keeps_them():
    longest = AdverseEvent._meta.get_field("kind").max_length
    assert all(len(name) <= longest for name in KINDS)
    assert set(RELATED) <= set(Imputability.values)
    assert {name for name, kind in KINDS.items() if kind.may_be_haemolysis} == {
        "acute_haemolytic",
        "delayed_haemolytic",
    }
