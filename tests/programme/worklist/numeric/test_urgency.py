"""The rules of the list, one test a branch. They are the programme's own; no source outside it says them."""

from dataclasses import replace
from datetime import date, timedelta

import pytest

from programme.worklist.numeric.situation import Situation, asides
from programme.worklist.numeric.urgency import Band, Need, chance_column, judge, opening
from programme.worklist.numeric.words import day_words, missing_words

TODAY = date(2026, 11, 25)


def days(n: int) -> date:
    return TODAY + timedelta(days=n)


QUIET = Situation(
    today=TODAY,
    ceiling_pct=30,
    last_on=days(-10),
    results_on=days(-10),
    status="ok",
    suggested_on=days(18),
    latest_safe_on=days(22),
    chance_today=0.002,
    weight_on=days(-10),
    goals_since=days(-100),
)


def test_nobody_is_asked_anything_when_nothing_is_due():
    need = judge(QUIET)
    assert (need.band, need.mark, need.sentence) == (Band.ON_COURSE, "", "Nothing.")


MISSING = "results after the session of Sun 15 Nov have not come"


def test_results_that_have_not_come_are_asked_for_and_beside_something_more_pressing_still_named():
    need = judge(replace(QUIET, missing=MISSING, weight_on=None))
    assert (need.band, need.mark, need.also) == (Band.ON_COURSE, "note", ("no weight recorded",))
    assert need.sentence == "Results after the session of Sun 15 Nov have not come. Ask for them."
    for pressing in (
        {"measured_pct": 33.6, "measured_on": TODAY}, {"locked": "dark urine"}, {"paused": "Paused"},
        {"booked_on": TODAY}, {"review_on": days(-3)}, {"contact_on": TODAY, "contact": "call"}, {"chair": "planned"},
    ):  # fmt: skip
        need = judge(replace(QUIET, missing=MISSING, **pressing))
        assert MISSING in need.also or need.lead.casefold().startswith(MISSING.casefold()), pressing


@pytest.mark.parametrize(
    ("has_come", "words"),
    [
        ((True, True, True), ""),
        ((False, False, False), "results after the session of Sun 15 Nov have not come"),
        ((True, False, True), "HbS after the session of Sun 15 Nov has not come"),
        ((False, False, True), "Hb and HbS after the session of Sun 15 Nov have not come"),
    ],
)
def test_what_is_missing_is_named_where_some_of_it_has_come(has_come, words):
    assert missing_words(dict(zip(("Hb", "HbS", "HbC"), has_come, strict=True)), days(-10), TODAY) == words


def test_a_lock_comes_before_everything_else():
    need = judge(replace(QUIET, locked="dark urine", chair="planned", measured_pct=40.0, measured_on=TODAY))
    assert (need.band, need.mark) == (Band.NOW, "stop")
    assert need.sentence == "Locked: possible haemolysis. No red cells; a haematologist decides."


def test_a_measured_value_over_the_ceiling_today_is_now():
    need = judge(replace(QUIET, measured_pct=33.6, measured_on=TODAY))
    assert (need.band, need.mark, need.act) == (Band.NOW, "stop", "Telephone today")
    assert need.lead == "Measured 33.6 today, over the ceiling of 30. "


def test_a_measured_value_over_the_ceiling_yesterday_names_the_day():
    assert judge(replace(QUIET, measured_pct=30.1, measured_on=days(-1))).lead.startswith("Measured 30.1 on Tue 24 Nov")


def test_a_measured_value_at_the_ceiling_is_not_over():
    assert judge(replace(QUIET, measured_pct=30.0, measured_on=TODAY)).band is Band.ON_COURSE


@pytest.mark.parametrize(("ahead", "band", "mark"), [(7, Band.NOW, "stop"), (8, Band.ARRANGE, "check")])
def test_a_place_that_cannot_be_kept_is_no_place(ahead, band, mark):
    """The nearer it is the louder, and it comes before a last safe day that has passed."""
    troubled = replace(QUIET, booked_on=days(ahead), trouble="the unit is closed (training)")
    assert not troubled.booked_safely
    for s in (troubled, replace(troubled, latest_safe_on=days(-1))):
        need = judge(s)
        assert (need.band, need.mark, need.act) == (band, mark, "Move it")
        assert "the unit is closed (training)" in need.lead


def test_a_last_safe_day_gone_by_is_now_with_the_next_open_day():
    need = judge(replace(QUIET, latest_safe_on=days(-5), suggested_on=days(1), chance_today=0.43))
    assert (need.band, need.mark) == (Band.NOW, "stop")
    assert need.sentence == "The last safe day was Fri 20 Nov. Telephone today; next open day Thu 26 Nov."


def test_a_last_safe_day_gone_by_does_not_send_people_to_a_day_that_is_today():
    assert judge(replace(QUIET, latest_safe_on=days(-5), suggested_on=TODAY)).rest == "."


def test_the_last_safe_day_today_is_now_but_not_yet_late():
    need = judge(replace(QUIET, latest_safe_on=TODAY, suggested_on=TODAY))
    assert (need.band, need.mark, need.lead) == (Band.NOW, "check", "Today is the last safe day. ")


@pytest.mark.parametrize("ahead", [1, 7])
def test_a_last_safe_day_within_a_week_is_to_arrange(ahead):
    need = judge(replace(QUIET, latest_safe_on=days(ahead), suggested_on=days(ahead)))
    assert (need.band, need.mark) == (Band.ARRANGE, "check")
    assert need.sentence.startswith("Arrange by ")


def test_a_last_safe_day_after_a_week_is_on_course():
    assert judge(replace(QUIET, latest_safe_on=days(8), suggested_on=days(8))).band is Band.ON_COURSE


def test_a_suggested_day_within_a_week_is_to_arrange_and_names_both_days():
    need = judge(replace(QUIET, suggested_on=days(6), latest_safe_on=days(12)))
    assert need.sentence == "Arrange Tue 1 Dec; last safe day Mon 7 Dec."


def test_a_suggested_day_after_the_last_safe_day_says_so():
    need = judge(replace(QUIET, suggested_on=days(6), latest_safe_on=days(5)))
    said = "Arrange Tue 1 Dec, the first day that can be suggested; the last safe day, Mon 30 Nov, is before it."
    assert (need.band, need.sentence) == (Band.ARRANGE, said)


def test_a_suggested_day_of_today_says_today():
    need = judge(replace(QUIET, suggested_on=TODAY, latest_safe_on=days(3)))
    assert need.sentence == "Arrange today; last safe day Sat 28 Nov."


def test_a_suggested_day_without_a_last_safe_day_is_named_alone():
    assert judge(replace(QUIET, suggested_on=days(2), latest_safe_on=None)).sentence == "Arrange Fri 27 Nov."


def test_no_result_ever_cannot_say_and_asks_for_samples():
    need = judge(replace(QUIET, status="unavailable", reason="no results", results_on=None))
    assert (need.band, need.sentence) == (Band.CANNOT_SAY, "No HbS result is recorded. Ask for HbS and Hb.")


def test_no_result_since_spring_names_the_day_with_its_year():
    need = judge(replace(QUIET, status="unavailable", reason="old", results_on=date(2025, 5, 3)))
    assert need.lead == "No HbS result since Sat 3 May 2025. "


def test_results_as_old_as_the_limit_still_count():
    need = judge(replace(QUIET, status="unavailable", reason="pregnant: set goals", results_on=days(-120)))
    assert need.lead == "Pregnant: set goals. "


def test_an_unavailable_suggestion_says_its_reason():
    need = judge(replace(QUIET, status="unavailable", reason="the height is missing."))
    assert (need.band, need.mark) == (Band.CANNOT_SAY, "check")
    assert need.sentence == "The height is missing. Decide the day by hand."


def test_nothing_suggested_yet_cannot_say():
    need = judge(replace(QUIET, status=""))
    assert (need.band, need.mark) == (Band.CANNOT_SAY, "note")
    assert "next replan" in need.sentence


def test_a_measured_value_over_the_ceiling_counts_even_without_a_suggestion():
    assert judge(replace(QUIET, status="unavailable", reason="x", measured_pct=31, measured_on=TODAY)).band is Band.NOW


def test_someone_paused_stands_last_with_the_reason():
    need = judge(replace(QUIET, paused="Paused since 3 Oct: abroad", latest_safe_on=days(-9)))
    assert (need.band, need.mark, need.sentence) == (Band.CANNOT_SAY, "", "Paused since 3 Oct: abroad.")


def test_of_someone_paused_a_missed_visit_is_not_lost():
    paused = replace(QUIET, paused="Paused since 3 Oct: abroad", missed_on=days(-2), consultant_on=days(1))
    need = judge(paused)
    assert (need.band, need.mark, need.sentence) == (Band.CANNOT_SAY, "check", "Paused since 3 Oct: abroad.")
    assert need.also == ("did not come on Mon 23 Nov",)
    need = judge(replace(paused, consultant_on=days(-1), is_child=True))
    assert need.also == (
        "did not come on Mon 23 Nov, with the consultant since Tue 24 Nov",
        "Child not brought: think of safeguarding; follow the local policy",
    )


def test_a_stale_suggestion_asks_for_a_look():
    need = judge(replace(QUIET, stale=True))
    assert (need.band, need.mark, need.act) == (Band.ARRANGE, "check", "Open and look")
    assert need.also == ()


def test_a_stale_suggestion_of_someone_due_is_said_beside():
    need = judge(replace(QUIET, stale=True, latest_safe_on=days(2), suggested_on=days(2)))
    assert (need.act, need.also) == ("Arrange by Fri 27 Nov", ("suggestion is stale",))


def test_a_fresh_change_of_pace_asks_to_read_the_course():
    need = judge(replace(QUIET, pace_flag=(days(-3), 0.42, 0.52)))
    assert need.band is Band.ARRANGE
    assert need.sentence == "Pace risen from 0.42 to 0.52 points a day, seen Sun 22 Nov. Read the course."


def test_a_fall_of_pace_is_called_a_fall():
    assert judge(replace(QUIET, pace_flag=(days(-3), 0.52, 0.42))).lead.startswith("Pace fallen")


def test_an_old_change_of_pace_asks_nothing():
    assert judge(replace(QUIET, pace_flag=(days(-57), 0.42, 0.52))).sentence == "Nothing."


def test_an_old_weight_is_to_be_taken_at_the_next_visit():
    need = judge(replace(QUIET, weight_on=days(-430)))
    assert (need.band, need.mark) == (Band.ON_COURSE, "note")
    assert need.sentence == "Weight is 14 months old. Weigh at the next visit."


def test_a_weight_never_taken_is_said():
    assert judge(replace(QUIET, weight_on=None)).lead == "No weight recorded. "


def test_a_weight_at_its_limit_is_not_stale():
    assert asides(replace(QUIET, weight_on=days(-92), weight_limit_days=92)) == ()


def test_goals_past_their_review_day_ask_the_consultant():
    need = judge(replace(QUIET, review_on=days(-1), weight_on=days(-430)))
    assert need.sentence == "Goals were due for review Tue 24 Nov. Consultant to review."
    assert need.also == ("weight is 14 months old",)


def test_goals_without_review_day_are_due_by_their_age():
    assert judge(replace(QUIET, goals_since=days(-401))).lead == "Goals are 13 months old. "
    assert judge(replace(QUIET, goals_since=days(-400))).sentence == "Nothing."


def test_goals_with_a_review_day_ahead_are_not_due_by_age():
    assert judge(replace(QUIET, goals_since=days(-900), review_on=days(5))).sentence == "Nothing."


def test_someone_in_the_chair_whose_plan_is_not_signed():
    need = judge(replace(QUIET, chair="planned"))
    assert (need.band, need.mark) == (Band.CHAIR, "note")
    assert need.sentence == (
        "In today, the plan is not signed; HbS before is not back. Look at the plan and have it signed."
    )


def test_someone_in_the_chair_whose_signature_lapsed():
    need = judge(replace(QUIET, chair="lapsed", measured_pct=28.4, measured_on=TODAY))
    assert (need.band, need.mark) == (Band.CHAIR, "check")
    assert need.sentence == "In today, the signature on the plan lapsed. Make the plan again and have it signed."


def test_someone_in_the_chair_over_the_ceiling_asks_for_a_check():
    need = judge(replace(QUIET, chair="planned", measured_pct=30.4, measured_on=TODAY))
    assert (need.band, need.mark) == (Band.CHAIR, "check")
    assert "over the ceiling at 30.4" in need.lead


@pytest.mark.parametrize(
    ("state", "act"),
    [
        ("planned", "Look at the plan and have it signed"),
        ("authorised", "Check and start"),
        ("running", "Open the run"),
        ("finished", "Enter the results and close"),
    ],
)
def test_the_act_for_someone_in_the_chair_follows_the_state_of_the_session(state, act):
    assert judge(replace(QUIET, chair=state)).act == act


def test_in_the_chair_what_waits_for_somebody_comes_first():
    states = ("running", "finished", "authorised", "planned")
    order = sorted(states, key=lambda state: judge(replace(QUIET, chair=state)).weight)
    assert order == ["planned", "authorised", "finished", "running"]


@pytest.mark.parametrize("state", ["", "closed", "cancelled", "abandoned"])
def test_a_session_that_is_over_leaves_the_chair(state):
    assert judge(replace(QUIET, chair=state)).band is Band.ON_COURSE


def test_all_lesser_reasons_are_said_beside_the_main_one():
    s = replace(
        QUIET,
        latest_safe_on=days(-1),
        stale=True,
        pace_flag=(days(-2), 0.4, 0.5),
        weight_on=None,
        review_on=days(-2),
    )
    said = ("suggestion is stale", "pace has risen", "no weight recorded", "goals review overdue")
    assert judge(s).also == said


def test_within_now_the_greater_chance_comes_first():
    late = replace(QUIET, latest_safe_on=days(-2), suggested_on=TODAY)
    less, more = judge(replace(late, chance_today=0.2)), judge(replace(late, chance_today=0.6))
    locked = judge(replace(QUIET, locked="x"))
    over = judge(replace(QUIET, measured_pct=31, measured_on=TODAY))
    assert sorted([less, over, more, locked], key=lambda need: need.weight) == [locked, over, more, less]


@pytest.mark.parametrize(
    ("situation", "expected"),
    [
        (replace(QUIET, locked="x"), ("not given", "locked")),
        (replace(QUIET, measured_pct=30.1, measured_on=TODAY), ("over", "measured")),
        (replace(QUIET, measured_pct=30.0, measured_on=TODAY), ("under", "measured")),
        (replace(QUIET, status="unavailable"), ("cannot say", "")),
        (replace(QUIET, latest_safe_on=days(-1), chance_today=0.432), ("43", "today")),
        (QUIET, ("5", "by 13 Dec")),
    ],
)
def test_chance_column(situation, expected):
    assert chance_column(situation, 0.05) == expected


def test_chance_column_without_a_chance_for_the_suggested_day_gives_today():
    assert chance_column(QUIET, None) == ("under 1", "today")


def test_opening_names_three_and_counts_the_rest():
    now = Need(Band.NOW, "stop", "x", brief="is locked")
    calm = Need(Band.ON_COURSE, "", "Nothing.")
    needs = [(name, now) for name in ("A", "B", "C", "D", "E")] + [("F", calm)]
    first, count, rest = opening(needs)
    assert first == "Five of 6 people ask something of you."
    assert count == "Five cannot wait:"
    assert rest == "A is locked; B is locked; C is locked; and two more."


def test_opening_of_a_quiet_day_and_of_an_empty_programme():
    assert opening([("F", Need(Band.ON_COURSE, "", "Nothing."))])[:2] == (
        "Nobody of 1 person asks something of you.",
        "Nobody is late.",
    )
    assert opening([])[0] == "Nobody is on the programme yet."


CALL = replace(QUIET, contact="call about signs of a late reaction")


@pytest.mark.parametrize(
    ("due", "band", "words"),
    [
        (0, Band.ARRANGE, "Call about signs of a late reaction, due today. Make contact today."),
        (-2, Band.ARRANGE, "Call about signs of a late reaction, due Mon 23 Nov. Make contact today."),
        (-3, Band.NOW, "Call about signs of a late reaction, due Sun 22 Nov. Make contact today."),
    ],
)
def test_a_contact_after_a_session_is_due_and_after_three_days_cannot_wait(due, band, words):
    need = judge(replace(CALL, contact_on=days(due)))
    assert (need.band, need.mark, need.sentence) == (band, "check", words)


def test_a_contact_of_tomorrow_asks_nothing_yet():
    assert judge(replace(CALL, contact_on=days(1))).sentence == "Nothing."


def test_a_contact_counts_for_who_is_paused_or_has_no_suggestion():
    assert judge(replace(CALL, contact_on=TODAY, paused="Paused: transplant")).band is Band.ARRANGE
    assert judge(replace(CALL, contact_on=TODAY, status="unavailable", reason="x")).band is Band.ARRANGE


def test_a_contact_is_named_beside_what_is_more_pressing():
    need = judge(replace(CALL, contact_on=TODAY, measured_pct=33.0, measured_on=TODAY))
    assert need.sentence.startswith("Measured 33.0 today")
    assert need.also == ("contact due: call about signs of a late reaction",)
    locked = replace(CALL, contact="follow up a reaction", locked="a reaction under investigation")
    assert judge(replace(locked, contact_on=TODAY)).also == ("contact due: follow up a reaction",)
    assert judge(replace(locked, contact_on=days(1))).also == ()


def test_a_missed_visit_with_the_consultant_stands_with_what_is_past_and_is_not_lost_behind_another_reason():
    missed = replace(QUIET, missed_on=days(-4), consultant_on=days(1), is_child=True)
    told = replace(missed, consultant_on=days(-1))
    assert judge(missed).weight[0] == 3
    assert judge(told).weight[0] == judge(replace(QUIET, latest_safe_on=days(-1))).weight[0] == 2
    assert "with the consultant since" not in judge(missed).sentence
    assert "with the consultant since" in judge(told).brief
    over = judge(replace(told, measured_pct=33.0, measured_on=TODAY))
    assert [word.split(":")[0] for word in over.also] == [
        f"did not come on {day_words(days(-4), TODAY)}, with the consultant since {day_words(days(-1), TODAY)}",
        "Child not brought",
    ]
