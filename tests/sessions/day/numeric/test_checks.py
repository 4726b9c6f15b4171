"""What stands against finishing and closing, worked by hand."""

from dataclasses import replace
from datetime import UTC, datetime, timedelta

import pytest

from programme.core.numeric.setting_table import DEFAULTS
from sessions.day.numeric.after import HbAfter
from sessions.day.numeric.checks import (
    ASK,
    OK,
    STOP,
    WAITING,
    Afterwards,
    Check,
    Sample,
    UnitNow,
    balance_limits_ml,
    closing_checks,
    finish_checks,
    sample_check,
    sample_doubts,
    shortest_sample_wait_min,
    vitals_words,
)
from sessions.day.numeric.done import done
from sessions.day.numeric.entries import Said
from sessions.day.numeric.tally import PlannedStep, tally

NINE = datetime(2026, 6, 1, 9, 0, tzinfo=UTC)
PLAN = (PlannedStep(1, "saline", 400, 400), PlannedStep(2, "red_cells", 258, 250, (1,), 194.0))


def said(place: int, kind: str, /, *, by: int = 1, seen: int | None = None, **body: object) -> Said:
    at = NINE + timedelta(minutes=place)
    return Said(place, kind, body, at, at, by, place - 1 if seen is None else seen)


WHOLE = (
    said(1, "moved", step=1, in_ml=400, out_ml=400),
    said(2, "unit_started", unit=1),
    said(80, "moved", step=2, in_ml=258, out_ml=250, unit=1),
    said(81, "unit_ended", unit=1),
    said(17, "observation", moment="after_15", pulse=78),
    said(79, "observation", moment="end", pulse=78),
)
GIVEN = (UnitNow(1, "unit 1", "given"),)


def lines(
    entries: tuple[Said, ...], units: tuple[UnitNow, ...] = GIVEN, *, hours_later: float = 3, weight_kg: float = 60
) -> dict[str, Check]:
    state = tally(PLAN, entries)
    found = finish_checks(
        state, done(state, method="two_arm"), units,
        weight_kg=weight_kg, settings=DEFAULTS, now=NINE + timedelta(hours=hours_later),
    )  # fmt: skip
    return {check.name: check for check in found}


def test_a_session_done_as_planned_has_nothing_against_it() -> None:
    found = lines(WHOLE)
    assert {check.state for check in found.values()} == {OK}
    assert found["Balance at the end"].words == "in less out is +8 mL (+0.1 mL/kg)"
    assert found["Times"].words == "1 h 20 min from first to last entry"


@pytest.mark.parametrize(("minutes", "words"), [(59, "59 min"), (60, "1 h 00 min"), (227, "3 h 47 min")])
def test_the_time_from_first_to_last_entry_is_in_whole_hours_and_the_minutes_left(minutes: int, words: str) -> None:
    entries = (said(0, "moved", step=1, in_ml=400, out_ml=400), said(minutes, "moved", step=2, in_ml=258, out_ml=250))
    assert lines(entries, hours_later=5)["Times"].words == f"{words} from first to last entry"


def test_a_step_that_was_cut_short_is_asked_about_with_what_is_missing() -> None:
    found = lines(WHOLE[:1])["Volumes of all steps"]
    assert found.state == ASK
    assert "nothing of step 2 (in 400 mL, out 400 mL)" in found.words
    some = (*WHOLE[:2], said(80, "moved", step=2, in_ml=100, out_ml=250, unit=1))
    assert "step 2 has 100 of 258 mL in, 250 of 250 mL out (" in lines(some)["Volumes of all steps"].words


def test_a_session_through_one_arm_that_was_broken_off_names_its_steps_in_a_line() -> None:
    draws = (PlannedStep(n, "saline", 0, 200) if n % 2 else PlannedStep(n, "saline", 200, 0) for n in range(1, 13))
    entries = (said(1, "moved", step=1, in_ml=0, out_ml=120), said(2, "moved", step=4, in_ml=200, out_ml=0))
    state = tally(tuple(draws), entries)
    found = finish_checks(
        state, done(state, method="one_arm"), (), weight_kg=60, settings=DEFAULTS, now=NINE + timedelta(hours=3)
    )
    assert found[0].words == "step 1 has 120 of 200 mL out; nothing of steps 2 to 3, 5 to 12 (in 200 mL, out 120 mL)"


def test_nothing_done_cannot_be_finished() -> None:
    assert lines((), ())["Volumes of all steps"].state == STOP


def test_the_balance_is_held_against_the_limits_of_the_site() -> None:
    # By hand: 6 mL/kg x 60 kg is 360 mL of excess; 8 mL/kg x 60 kg is 480 mL of deficit, under the 500 mL for anybody.
    assert balance_limits_ml(60, DEFAULTS) == (480, 360)
    # A child of 26 kg: 7 mL/kg is 182 mL, 6 mL/kg is 156 mL.
    assert balance_limits_ml(26, DEFAULTS) == (182, 156)
    assert balance_limits_ml(80, DEFAULTS) == (500, 480)
    more = (*WHOLE, said(82, "moved", step=1, in_ml=353, out_ml=0))
    found = lines(more)["Balance at the end"]
    assert (found.state, found.words) == (ASK, "in less out is +361 mL (+6.0 mL/kg); allowed is −480 to +360 mL")
    less = (*WHOLE, said(82, "moved", step=1, in_ml=0, out_ml=10))
    assert lines(less)["Balance at the end"].words == "in less out is −2 mL (0.0 mL/kg)"
    level = (*WHOLE, said(82, "moved", step=1, in_ml=352, out_ml=0))
    assert lines(level)["Balance at the end"].state == OK


def test_a_unit_still_running_and_a_unit_left_over_both_stop() -> None:
    found = lines(WHOLE[:3], (UnitNow(1, "unit 1", "running"), UnitNow(2, "G0001", "checked")))
    assert (found["Units ended"].state, found["Units ended"].words) == (STOP, "unit 1: started and not ended")
    assert found["Units not given"].words == "G0001: return or discard, and say why"
    away = lines(WHOLE, (*GIVEN, UnitNow(2, "G0001", "returned")))["Units ended and accounted for"]
    assert (away.state, away.words) == (OK, "1 given, 1 put away")


def test_a_unit_that_ended_later_than_four_hours_after_leaving_storage_is_asked_about() -> None:
    """Each unit within 4 h: clinical pages of NZ Blood; counted from leaving storage, common practice."""
    ended = NINE + timedelta(minutes=81)
    in_time = (UnitNow(1, "G1", "given", 258.0, ended - timedelta(hours=4)),)
    assert "Time of a unit" not in lines(WHOLE, in_time)
    late = (UnitNow(1, "G1", "given", 258.0, ended - timedelta(hours=4, minutes=1)),)
    found = lines(WHOLE, late)["Time of a unit"]
    assert (found.state, found.words) == (ASK, "unit 1 ended 4 h 01 min after it left storage; allowed is 4 h")
    slow = (*WHOLE[:3], said(250, "unit_ended", unit=1))  # nobody noted when it left storage
    assert lines(slow, hours_later=6)["Time of a unit"].words == (
        "unit 1 ended 4 h 08 min after it was started; allowed is 4 h"
    )


def test_a_unit_given_without_its_donation_number_is_asked_about() -> None:
    """So it is in an automated session, whose units are told as a count."""
    found = lines(WHOLE, ())["Units"]
    assert (found.state, found.words) == (ASK, "1 of 1 given have no donation number here: nobody could trace them")
    assert "Units" not in lines(WHOLE)


def test_red_cells_without_a_unit_are_asked_about() -> None:
    entries = (said(1, "moved", step=2, in_ml=258, out_ml=250),)
    assert lines(entries, ())["Units"].state == ASK


def test_more_of_a_unit_than_it_holds_and_nothing_of_one_that_was_started_are_asked_about() -> None:
    labelled = (UnitNow(1, "G1", "given", 258.0), UnitNow(2, "G2", "given", 258.0))
    much = (*WHOLE[:2], said(80, "moved", step=2, in_ml=900, out_ml=900, unit=1), WHOLE[3])
    found = lines(much, labelled[:1])["Volume of a unit"]
    assert (found.state, found.words) == (ASK, "900 mL of unit 1 is more than the 258 mL on its label")
    second = (said(82, "unit_started", unit=2), said(83, "unit_ended", unit=2))
    twice = (*WHOLE[:2], said(80, "moved", step=2, in_ml=516, out_ml=500, unit=1), WHOLE[3], *second)
    assert lines(twice, labelled)["Volume of a unit"].words == (
        "516 mL of unit 1 is more than the 258 mL on its label; unit 2 was started, and nothing of it is entered"
    )
    both = (*WHOLE, second[0], said(84, "moved", step=2, in_ml=258, out_ml=250, unit=2), said(85, "unit_ended", unit=2))
    assert "Volume of a unit" not in lines(both, labelled)


@pytest.mark.parametrize(("red_cells", "asks"), [(258, False), (283, False), (284, True), (2580, True)])
def test_the_red_cells_of_totals_are_held_against_the_labels_of_their_units(red_cells: int, asks: bool) -> None:
    body = {
        "saline_in_ml": 400, "red_cells_in_ml": red_cells, "blood_out_ml": 650, "units": 1,
        "started_at": NINE.isoformat(), "ended_at": (NINE + timedelta(minutes=81)).isoformat(),
    }  # fmt: skip
    state = tally((), (WHOLE[1], WHOLE[3], said(82, "totals", **body)))
    found = finish_checks(
        state, done(state, method="automated"), (UnitNow(1, "G1", "given", 258.0),), weight_kg=60, settings=DEFAULTS,
        now=NINE + timedelta(hours=3), by_totals=True,
    )  # fmt: skip
    said_of_it = [check.words for check in found if check.name == "Volume of a unit" and check.state == ASK]
    assert said_of_it == ([f"{red_cells:,} mL of 1 unit is more than the 258 mL on its label"] if asks else [])


@pytest.mark.parametrize(
    ("told", "asked"),
    # Of 60 kg 15 mL/kg of saline are 900 mL; of anybody 3,500 mL of blood. 10 mL more are not said.
    [
        ({"saline_in_ml": 910, "blood_out_ml": 3510}, {}),
        ({"saline_in_ml": 911}, {"Saline given": "911 mL; allowed is 900 mL"}),
        ({"blood_out_ml": 3600}, {"Blood drawn": "3,600 mL; allowed is 3,500 mL"}),
    ],
)
def test_totals_past_a_stop_of_volume_are_asked_about(told: dict[str, int], asked: dict[str, str]) -> None:
    body = {
        "saline_in_ml": 400, "red_cells_in_ml": 258, "blood_out_ml": 650, "units": 1,
        "started_at": NINE.isoformat(), "ended_at": (NINE + timedelta(minutes=81)).isoformat(), **told,
    }  # fmt: skip
    state = tally(PLAN[1:], (WHOLE[1], WHOLE[3], said(82, "totals", **body)))
    found = finish_checks(
        state, done(state, method="automated"), GIVEN, weight_kg=60, settings=DEFAULTS,
        now=NINE + timedelta(hours=3), by_totals=True,
    )  # fmt: skip
    stops = {check.name: check for check in found if check.name in ("Saline given", "Blood drawn")}
    assert {name: check.words for name, check in stops.items()} == asked
    assert {check.state for check in stops.values()} <= {ASK}


def test_volumes_by_hand_past_a_stop_are_asked_about_unless_they_were_signed_for() -> None:
    more = (*WHOLE, said(82, "moved", step=1, in_ml=520, out_ml=520))
    assert (lines(more)["Saline given"].state, lines(more)["Saline given"].words) == (ASK, "920 mL; allowed is 900 mL")
    assert "Saline given" not in lines(more, weight_kg=62)
    signed = (PlannedStep(1, "saline", 920, 920), *PLAN[1:])
    state = tally(signed, more)
    found = finish_checks(
        state, done(state, method="two_arm"), GIVEN, weight_kg=60, settings=DEFAULTS, now=NINE + timedelta(hours=3)
    )
    assert not {"Saline given", "Blood drawn"} & {check.name for check in found}


def test_sets_of_observations_that_were_not_taken_are_one_line_that_asks() -> None:
    found = lines(WHOLE[:4])
    assert {name for name, check in found.items() if check.state != OK} == {"Observations"}
    assert (found["Observations"].state, found["Observations"].words) == (
        ASK, "none 15 min into unit 1, none at the end",
    )  # fmt: skip
    assert lines(WHOLE[:5])["Observations"].words == "none at the end"
    assert "Observations" not in lines(WHOLE)


def test_times_that_cannot_be_stop() -> None:
    turned = (*WHOLE[:3], said(81, "unit_ended", unit=1), said(82, "time", number=81, happened_at=NINE.isoformat()))
    assert "ended before it was started" in lines(turned)["Times"].words
    assert lines(WHOLE, hours_later=0)["Times"].state == STOP
    assert lines((*WHOLE, said(900, "moved", step=1, in_ml=1, out_ml=0)), hours_later=20)["Times"].state == ASK


def test_a_conflict_of_two_people_stops_until_it_is_settled() -> None:
    both = (*WHOLE[:1], said(2, "moved", by=2, seen=0, step=1, in_ml=10, out_ml=0))
    assert lines(both)["Entries made at once"].words.startswith("entries 1 and 2")
    settled = (*both, said(3, "both", numbers=[1, 2]))
    assert lines(settled)["Entries made at once"].state == OK


def test_a_stop_for_a_reaction_that_nobody_noted_is_asked_about() -> None:
    last = max(one.number for one in WHOLE)
    stopped = (*WHOLE, said(last + 1, "pause", words="stopped for a reaction"), said(last + 2, "resume", words="Dr R."))
    assert lines(stopped)["Reaction"].state == ASK
    assert lines(stopped)["Reaction"].words.startswith("stopped for one, and none is noted")
    noted = (*stopped, said(last + 3, "reaction", reaction="allergic"))
    assert "Reaction" not in lines(noted)
    assert "Reaction" not in lines((*WHOLE, said(last + 1, "pause", words="cannula"), said(last + 2, "resume")))
    again = (*noted, said(last + 4, "pause", words="stopped for a reaction"))
    assert lines(again)["Reaction"].state == ASK


@pytest.mark.parametrize(("setting", "wait"), [(0, 15), (15, 15), (30, 30), (60, 60)])
def test_no_site_takes_the_after_sample_before_fifteen_minutes(setting: float, wait: float) -> None:
    """Wiesen AR et al., Ann Intern Med 1994;121:278-80: no difference between 15 minutes and 24 hours."""
    assert shortest_sample_wait_min(setting) == wait


def test_an_early_sample_and_one_from_the_return_line_are_doubted_in_words() -> None:
    end = NINE
    early = Sample(end + timedelta(minutes=29), "left arm")
    assert sample_check(early, end, 30).state == ASK
    assert sample_doubts(early, end, 30)[0].startswith("Taken 29 min after the end, before the wait of 30 min")
    assert sample_doubts(replace(early, taken_at=end + timedelta(minutes=30)), end, 30) == ()
    line = Sample(end + timedelta(minutes=40), "port", from_return=True)
    assert "diluted" in sample_doubts(line, end, 30)[0]
    assert sample_check(None, end, 30).state == ASK
    assert sample_check(early, end, 30).words.endswith("may not have mixed; left arm"), "one mark, not two"
    typed = replace(early, taken_at=end - timedelta(seconds=40))  # to the minute of the end
    assert sample_check(typed, end, 30).name == "After-sample 0 min after the end"


def test_a_sample_that_only_its_results_tell_of_is_doubted_by_its_time_and_asked_about() -> None:
    """Mixing takes 15 minutes at least: Elizalde JI et al., Transfusion 1997;37:573-6."""
    end = NINE
    early = sample_check(Sample(end + timedelta(minutes=5), entered=False), end, 30)
    assert (early.state, early.name) == (ASK, "After-sample 5 min after the end")
    assert early.words.startswith("Taken 5 min after the end, before the wait of 30 min")
    late = sample_check(Sample(end + timedelta(minutes=40), entered=False), end, 30)
    assert late.words == "As its results say; from which arm or line is not entered."
    assert late.state == ASK


def test_everything_that_came_after_is_looked_at_before_closing() -> None:
    end = NINE
    after = Afterwards(
        now=end + timedelta(minutes=59), ended_at=end, rest_hours=1, sample=Sample(end + timedelta(minutes=34), "arm"),
        sample_wait_min=30, results={"Hb": True, "HbS": True}, hb=None, disposal="R. Moss, 14:20",
        going_home="BP 116/70", leaflet="given",
    )  # fmt: skip
    states = [check.state for check in closing_checks(after, ())]
    assert states == [OK, OK, OK, OK, WAITING, OK]
    late = replace(after, now=end + timedelta(minutes=60))
    assert {check.state for check in closing_checks(late, ())} == {OK}
    bare = replace(late, sample=None, results={"Hb": True, "HbS": False}, disposal="", going_home="", leaflet="")
    found = closing_checks(bare, ())
    assert [check.state for check in found] == [ASK, ASK, ASK, ASK, OK, ASK]
    assert found[1].words == "HbS not in yet"
    thick = HbAfter(131, 110, hb_before_g_l=95, greatest_rise_g_l=40, drawn_ml=0, blood_volume_ml=4000, rechecked=False)
    (asked,) = [check for check in closing_checks(replace(late, hb=thick), ()) if check.state != OK]
    assert asked.sentence == (
        "Hb after: 131 g/L is over the ceiling of 110 g/L: no blood drawn since, no check of Hb opened"
    )
    looked_at = closing_checks(replace(late, hb=replace(thick, rechecked=True)), ())
    assert {check.state for check in looked_at} == {OK}
    assert "a check of Hb opened" in " ".join(check.words for check in looked_at)
    assert closing_checks(replace(late, hb=replace(thick, hb_g_l=110.4)), ()) == closing_checks(late, ())


def test_observations_are_said_in_the_units_of_the_ward() -> None:
    body = {"moment": "going_home", "bp_sys": 116, "bp_dia": 70, "pulse": 76, "temp_c": 36.9, "words": "well"}
    assert vitals_words(body) == "BP 116/70, pulse 76, temperature 36.9 °C, well"
