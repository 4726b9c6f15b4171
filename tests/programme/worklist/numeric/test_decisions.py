from datetime import date

from programme.worklist.numeric.decisions import decision_words

GOALS = {"hbs_ceiling_pct": 35.0, "accepted_chance": 0.1, "hb_ceiling_g_l": 110.0, "clinic_days": "1,4"}


def test_the_first_goals_are_said_whole():
    assert decision_words(GOALS) == "Ceiling 35 %; accepted chance 10 in 100; Hb ceiling 110 g/L; clinic days Tue, Fri"


def test_later_goals_say_only_what_changed():
    later = {**GOALS, "hbs_ceiling_pct": 30.0, "units_most": 5, "review_on": date(2026, 3, 1), "clinic_days": ""}
    said = "Ceiling 35 to 30 %; units a session at most 5; clinic days no longer set; review 1 Mar 2026"
    assert decision_words(later, GOALS) == said


def test_goals_confirmed_unchanged_say_so():
    assert decision_words(GOALS, GOALS) == "Goals kept as they were"
