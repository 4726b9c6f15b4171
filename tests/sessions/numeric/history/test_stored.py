"""A file beside what is stored: what is new, what contradicts, and which ceilings begin."""

from datetime import UTC, date, datetime

import pytest

from sessions.numeric.history.goals import DatedCeiling, new_ceilings
from sessions.numeric.history.read import read_history
from sessions.numeric.history.stored import StoredSession, compare, weight_questions
from sessions.numeric.history.table import HistoryRow, SampleTime

DAY = date(2026, 3, 2)
FIRST, SECOND, THIRD = date(2026, 1, 5), date(2026, 2, 2), date(2026, 3, 2)


def one_row(units: str = "4", sample: str = "2026-03-02T09:00") -> HistoryRow:
    text = (
        "patient_ref,sex,height_cm,session_date,weight_kg,units,hbs_pre_pct,pre_sample_at\n"
        f"A-1,F,165,2026-03-02,60,{units},31.5,{sample}\n"
    )
    return read_history(text.encode(), today=date(2026, 6, 1), time_zone="UTC").rows[0]


STORED = {
    "weight_kg": 60.0,
    "units": 4,
    "hbs_pre_pct": 31.5,
    "hb_pre_g_l": 90.0,
    "pre_sample_at": SampleTime(DAY, datetime(2026, 3, 2, 9, tzinfo=UTC)),
    "visit_reason": "routine",
}


def test_the_same_values_are_the_same_and_blanks_say_nothing() -> None:
    comparison = compare([one_row()], {("A-1", DAY): StoredSession(STORED)})
    assert (comparison.new, comparison.same, comparison.faults) == ((), 1, ())
    assert compare([one_row(units="", sample="")], {("A-1", DAY): StoredSession(STORED)}).same == 1


def test_another_value_shows_both() -> None:
    (fault,) = compare([one_row(units="5")], {("A-1", DAY): StoredSession(STORED)}).faults
    assert (fault.column, fault.value) == ("patient_ref, session_date", "A-1, 2026-03-02")
    assert fault.words == "Stored already with other values: units 4, here 5."


def test_a_value_where_nothing_is_stored_is_another_value() -> None:
    (fault,) = compare([one_row()], {("A-1", DAY): StoredSession({**STORED, "hbs_pre_pct": None})}).faults
    assert fault.words == "Stored already with other values: hbs_pre_pct blank, here 31.5."


def test_a_session_that_is_only_planned_is_in_the_way() -> None:
    (fault,) = compare([one_row()], {("A-1", DAY): StoredSession({}, "planned")}).faults
    assert fault.words == "A session of this day is stored as planned."


def test_another_person_or_day_is_new() -> None:
    comparison = compare([one_row()], {("A-2", DAY): StoredSession(STORED), ("A-1", FIRST): StoredSession(STORED)})
    assert [row.patient_ref for row in comparison.new] == ["A-1"]


@pytest.mark.parametrize(("stored_kg", "found"), [
    ([(FIRST, 50.0)], ["Weight 50 to 60 kg in 56 days, 20 % since what is stored"]),
    ([(FIRST, 50.0), (SECOND, 58.0)], []),
    ([(SECOND, 58.0), (date(2026, 4, 6), 50.0)], []),
    ([], []),
])  # fmt: skip
def test_a_weight_that_jumps_from_what_is_stored_is_asked_about(
    stored_kg: list[tuple[date, float]], found: list[str]
) -> None:
    assert [question.found for question in weight_questions([one_row()], {"A-1": stored_kg})] == found


@pytest.mark.parametrize(("said", "added"), [
    ([None, None], [(FIRST, 30)]),
    ([40.0, None], [(FIRST, 40)]),
    ([40.0, 40.0], [(FIRST, 40)]),
    ([None, 40.0], [(FIRST, 30), (SECOND, 40)]),
    ([40.0, 30.0], [(FIRST, 40), (SECOND, 30)]),
])  # fmt: skip
def test_ceilings_of_someone_new(said: list[float | None], added: list[tuple[date, float]]) -> None:
    found = new_ceilings(list(zip((FIRST, SECOND), said, strict=True)), [], default_pct=30)
    assert [(ceiling.since, ceiling.ceiling_pct) for ceiling in found] == added


def test_the_same_file_again_adds_no_ceiling() -> None:
    said = [(FIRST, 40.0), (SECOND, None), (THIRD, 30.0)]
    first = new_ceilings(said, [], default_pct=30)
    assert len(first) == 2
    assert new_ceilings(said, first, default_pct=30) == []


def test_a_changed_ceiling_begins_on_its_day() -> None:
    stored = [DatedCeiling(FIRST, 30)]
    assert new_ceilings([(FIRST, 30.0), (SECOND, 40.0)], stored, default_pct=30) == [DatedCeiling(SECOND, 40)]
    assert new_ceilings([(FIRST, 40.0), (SECOND, 40.0)], stored, default_pct=30) == [DatedCeiling(FIRST, 40)]


def test_an_old_file_does_not_undo_what_was_decided_since() -> None:
    stored = [DatedCeiling(FIRST, 30), DatedCeiling(SECOND, 25, from_records=False)]
    assert new_ceilings([(FIRST, 30.0), (SECOND, 30.0), (THIRD, 30.0)], stored, default_pct=30) == []


def test_a_file_can_change_the_ceiling_of_someone_entered_by_hand() -> None:
    stored = [DatedCeiling(FIRST, 30, from_records=False)]
    assert new_ceilings([(SECOND, 30.0), (THIRD, 35.0)], stored, default_pct=30) == [DatedCeiling(THIRD, 35)]
