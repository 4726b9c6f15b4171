from datetime import date

import pytest

from programme.core.numeric.words import count_of, listed
from programme.worklist.numeric import words

TODAY = date(2026, 11, 25)


@pytest.mark.parametrize(
    ("chance", "said"),
    [(0.0, "under 1"), (0.0099, "under 1"), (0.01, "1"), (0.5, "50"), (0.99, "99"), (0.995, "over 99")],
)
def test_chance_in_whole_numbers_never_says_none_or_certain(chance, said):
    assert words.chance_words(chance) == said


def test_figure_has_a_true_minus_and_no_minus_zero():
    assert (words.figure(-1.25, 1), words.figure(-0.01, 1), words.figure(12.0)) == ("\u22121.2", "0.0", "12")


def test_days_carry_their_year_only_when_it_is_another():
    assert words.day_words(date(2026, 12, 4), TODAY) == "Fri 4 Dec"
    assert words.day_words(date(2025, 12, 19), TODAY) == "Fri 19 Dec 2025"
    assert words.short_day_words(TODAY, TODAY) == "today"
    assert words.full_day_words(TODAY) == "25 Nov 2026"


def test_spans_say_the_month_once():
    assert words.span_words(date(2026, 11, 25), date(2026, 11, 28), TODAY) == "25\u201328 Nov"
    assert words.span_words(date(2026, 11, 26), date(2026, 12, 5), TODAY) == "26 Nov\u20135 Dec"
    assert words.span_words(TODAY, TODAY, TODAY) == "today"


@pytest.mark.parametrize(
    ("days", "said"), [(1, "1 day"), (28, "28 days"), (29, "4 weeks"), (122, "4 months"), (430, "14 months")]
)
def test_ages(days, said):
    assert words.age_words(days) == said


def test_lists_and_counts():
    assert listed(["a", "b", "c"]) == "a, b and c"
    assert (listed(["a"]), listed([])) == ("a", "")
    assert (count_of(1, "unit"), count_of(1.5, "unit")) == ("1 unit", "1.5 units")
    assert count_of(1_234_567, "person", "people") == "1234567 people"
    assert (words.count_words(14), words.count_words(21)) == ("fourteen", "21")
