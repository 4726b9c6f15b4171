"""A file of past records: what is read, and every way in which it can be wrong.

What each column may hold comes from the description of the file in the README; dates are ISO 8601 (year-month-day),
CSV as in RFC 4180 (Shafranovich 2005).
"""

import csv
import io
from datetime import UTC, date, datetime, timedelta
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from sessions.numeric.history.read import read_history
from sessions.numeric.history.table import COLUMNS, Fault, HistoryFile, KnownPerson

TODAY = date(2026, 6, 1)
EXAMPLE = Path(__file__).parents[4] / "fixtures" / "history_example.csv"
PLAIN = {
    "patient_ref": "A-1", "sex": "F", "birth_date": "1990-02-03", "height_cm": "165", "session_date": "2026-03-02",
    "weight_kg": "60", "hb_pre_g_l": "90", "hb_post_g_l": "102", "hbs_pre_pct": "31.5", "hbs_post_pct": "14",
    "saline_in_ml": "500", "red_cells_in_ml": "1032", "blood_out_ml": "1500", "units": "4",
}  # fmt: skip


def as_csv(*rows: dict[str, str], columns: tuple[str, ...] = COLUMNS) -> bytes:
    text = io.StringIO()
    writer = csv.DictWriter(text, columns, restval="")
    writer.writeheader()
    writer.writerows(rows)
    return text.getvalue().encode()


def read(data: bytes, **known: KnownPerson) -> HistoryFile:
    people = {ref.replace("_", "-"): person for ref, person in known.items()}
    return read_history(data, today=TODAY, time_zone="Europe/London", known=people)


def read_row(**cells: str) -> HistoryFile:
    return read(as_csv({**PLAIN, **cells}))


def only_fault(file: HistoryFile) -> Fault:
    assert len(file.faults) == 1, file.faults
    return file.faults[0]


# What is read


def test_a_plain_row_is_read_with_its_units() -> None:
    file = read(as_csv(PLAIN))
    (row,) = file.rows
    assert (file.faults, file.questions, file.n_rows) == ((), (), 1)
    assert (row.patient_ref, row.session_date, row.weight_kg, row.units) == ("A-1", date(2026, 3, 2), 60.0, 4)
    assert (row.hb_pre_g_l, row.hbs_post_pct, row.threshold_hbs_pct, row.visit_reason) == (90.0, 14.0, None, "")


def test_the_example_of_the_readme_has_no_fault() -> None:
    file = read(EXAMPLE.read_bytes())
    assert file.faults == ()
    assert file.n_rows == 13
    assert next(row.session_date for row in file.rows if row.patient_ref == "EX-02") == date(2026, 1, 13)


def test_order_of_rows_and_columns_is_free() -> None:
    rows = [{**PLAIN, "session_date": day} for day in ("2026-01-05", "2026-02-02", "2026-03-02")]
    turned = as_csv(*reversed(rows), columns=tuple(reversed(COLUMNS)))
    plain, other = read(as_csv(*rows)), read(turned)
    assert [row.session_date for row in other.rows] == [row.session_date for row in plain.rows]
    assert [row.row for row in other.rows] == [4, 3, 2]
    assert other.faults == ()


@pytest.mark.parametrize("change", [
    lambda data: b"\xef\xbb\xbf" + data,
    lambda data: data.replace(b"\r\n", b"\n"),
    lambda data: data + b"\r\n\r\n" + b"," * (len(COLUMNS) - 1) + b"\r\n",
    lambda data: data.replace(b"A-1", b'"A-1"').replace(b"60", b" 60 "),
])  # fmt: skip
def test_marks_line_ends_blank_rows_quotes_and_blanks_do_not_matter(change: Any) -> None:
    file = read(change(as_csv(PLAIN)))
    assert file.faults == ()
    assert [(row.patient_ref, row.weight_kg) for row in file.rows] == [("A-1", 60.0)]


def test_sample_times_are_local_unless_they_say_otherwise() -> None:
    local = read_row(
        session_date="2025-07-07", pre_sample_at="2025-07-07T09:30", post_sample_at="2025-07-07 15:00+02:00"
    )
    (row,) = local.rows
    assert row.pre_sample_at is not None and row.post_sample_at is not None
    # British Summer Time is one hour ahead of UTC in July.
    assert row.pre_sample_at.at == datetime(2025, 7, 7, 8, 30, tzinfo=UTC)
    assert row.post_sample_at.at == datetime(2025, 7, 7, 13, 0, tzinfo=UTC)


def test_a_sample_day_without_a_time_is_kept_as_a_day() -> None:
    (row,) = read_row(pre_sample_at="2026-03-01").rows
    assert row.pre_sample_at is not None
    assert (row.pre_sample_at.on, row.pre_sample_at.at) == (date(2026, 3, 1), None)


# Cells that cannot be


@pytest.mark.parametrize(("column", "value", "words"), [
    ("weight_kg", "", "cannot be blank"),
    ("weight_kg", "1", ""),
    ("weight_kg", "301", ""),
    ("weight_kg", "sixty", "Not a number"),
    ("weight_kg", "60,5", "decimal point: 60.5"),
    ("hbs_post_pct", "nan", "Leave it blank"),
    ("hbs_post_pct", "NaN", "Leave it blank"),
    ("hbs_pre_pct", "inf", "Leave it blank"),
    ("hbs_pre_pct", "-inf", "Leave it blank"),
    ("hbs_pre_pct", "1e999", ""),
    ("hbs_pre_pct", "101", ""),
    ("hbs_pre_pct", "-1", ""),
    ("hbs_pre_pct", "1_0", ""),
    ("hb_pre_g_l", "25", ""),
    ("hb_pre_g_l", "201", ""),
    ("height_cm", "1.65", "metres"),
    ("height_cm", "20", ""),
    ("units", "4.5", "Not a whole number"),
    ("units", "21", ""),
    ("threshold_hbs_pct", "19", ""),
    ("threshold_hbs_pct", "61", ""),
    ("threshold_hbs_pct", "0.3", "shares of 1"),
    ("baseline_hbs_pct", "29", ""),
    ("saline_in_ml", "6001", ""),
    ("blood_out_ml", "1.5", "litres"),
    ("sex", "female", ""),
    ("sex", "f", ""),
    ("visit_reason", "early", ""),
    ("admission_in_gap", "maybe", ""),
    ("session_date", "31/02/2024", "year-month-day"),
    ("session_date", "2024-02-31", "No such day"),
    ("session_date", "2023-02-29", "No such day"),
    ("session_date", "2026-06-02", "In the future"),
    ("session_date", "1899-12-31", "Too long ago"),
    ("session_date", "20260302", "year-month-day"),
    ("session_date", "", "cannot be blank"),
    ("birth_date", "1990-13-01", "No such day"),
    ("birth_date", "2026-07-01", "In the future"),
    ("pre_sample_at", "yesterday", "year-month-dayThour:minute"),
    ("pre_sample_at", "2026-03-02T25:00", "No such day or time"),
    ("pre_sample_at", "2026-06-02T09:00", "In the future"),
    ("hbs_method", "x" * 61, "Too long"),
    ("patient_ref", "x" * 41, "Too long"),
    ("patient_ref", "A\n1", "line break"),
    ("patient_ref", "", "cannot be blank"),
])  # fmt: skip
def test_a_cell_that_cannot_be_is_named(column: str, value: str, words: str) -> None:
    fault = only_fault(read_row(**{column: value}))
    assert (fault.row, fault.column, fault.value) == (2, column, value)
    assert fault.allowed
    assert words in fault.words
    assert fault.line().startswith(f"row 2, {column}: {value!r}; allowed: ")


@pytest.mark.parametrize(("column", "value"), [
    ("weight_kg", "2"), ("weight_kg", "300"), ("height_cm", "40"), ("height_cm", "230"), ("hbs_pre_pct", "100"),
    ("threshold_hbs_pct", "20"), ("threshold_hbs_pct", "60"), ("hb_pre_g_l", "30"), ("hb_pre_g_l", "200"),
    ("session_date", "2026-06-01"), ("session_date", "2024-02-29"), ("units", "4.0"), ("baseline_hbs_pct", "30"),
])  # fmt: skip
def test_the_ends_of_each_range_are_allowed(column: str, value: str) -> None:
    assert read_row(**{column: value}).faults == ()


def test_haemoglobin_in_g_per_dl_is_recognised_as_a_whole_and_never_guessed() -> None:
    rows = [{**PLAIN, "session_date": f"2026-0{month}-02", "hb_pre_g_l": f"9.{month}"} for month in (1, 2, 3)]
    file = read(as_csv(*rows))
    assert [(fault.row, fault.column, fault.value) for fault in file.faults] == [
        (2, "hb_pre_g_l", "9.1"), (3, "hb_pre_g_l", "9.2"), (4, "hb_pre_g_l", "9.3"),
    ]  # fmt: skip
    words = "Looks like g/dL: all values in the column lie from 9.1 to 9.3. Put the column in g/L; nothing is guessed."
    assert {fault.words for fault in file.faults} == {words}


def test_one_haemoglobin_in_g_per_dl_among_others_is_named() -> None:
    file = read(as_csv(PLAIN, {**PLAIN, "session_date": "2026-04-06", "hb_pre_g_l": "9.2"}))
    fault = only_fault(file)
    assert (fault.row, fault.words) == (3, "Looks like g/dL. Put it in g/L; nothing is guessed.")


def test_a_column_of_shares_is_refused_though_each_value_could_be_a_percentage() -> None:
    rows = [{**PLAIN, "session_date": f"2026-0{month}-02", "hbs_pre_pct": f"0.3{month}"} for month in (1, 2, 3)]
    faults = [fault for fault in read(as_csv(*rows)).faults if fault.column == "hbs_pre_pct"]
    assert len(faults) == 3
    assert "shares of 1" in faults[0].words


def test_all_faults_come_in_one_go() -> None:
    first = {**PLAIN, "weight_kg": "0", "hbs_pre_pct": "nan"}
    second = {**PLAIN, "session_date": "2026-02-30", "units": "many"}
    file = read(as_csv(first, second))
    assert [(fault.row, fault.column) for fault in file.faults] == [
        (2, "weight_kg"), (2, "hbs_pre_pct"), (3, "session_date"), (3, "units"),
    ]  # fmt: skip


# Files that cannot be


@pytest.mark.parametrize(("data", "words"), [
    (b"", "empty"),
    (b"\r\n\r\n", "empty"),
    (b"\xef\xbb\xbf", "empty"),
    (as_csv(), "no session"),
    ("\ufeffpatient_ref".encode("utf-16"), "UTF-16"),
    (b"PK\x03\x04rest", "a spreadsheet file"),
    (as_csv(PLAIN).replace(b"A-1", b"A\x001"), "damaged"),
    (as_csv(PLAIN).replace(b"A-1", b"A\xe91"), "Another encoding"),
    (as_csv(PLAIN).replace(b"A-1", b'"A-1'), "cannot be read"),
])  # fmt: skip
def test_a_file_that_cannot_be_read_says_why(data: bytes, words: str) -> None:
    file = read(data)
    assert file.rows == ()
    assert any(words in fault.words for fault in file.faults), file.faults


def test_the_row_of_a_wrong_byte_is_told() -> None:
    fault = only_fault(read(as_csv(PLAIN, PLAIN).replace(b"A-1", b"A\xe9", 1)))
    assert (fault.row, fault.value) == (2, "byte 0xE9")


def test_columns_parted_by_semicolons_are_recognised() -> None:
    file = read(as_csv(PLAIN).replace(b",", b";"))
    assert "parted by semicolons" in file.faults[0].words


def test_each_missing_required_column_is_a_fault_and_a_near_name_is_offered() -> None:
    columns = tuple(column for column in COLUMNS if column not in ("weight_kg", "session_date"))
    row = {column: PLAIN.get(column, "") for column in columns}
    data = as_csv(row, columns=columns).replace(b"units", b"weight_in_kg", 1)
    faults = {fault.column: fault.words for fault in read(data).faults}
    assert set(faults) == {"weight_kg", "session_date"}
    assert faults == {"weight_kg": "Is it the column 'weight_in_kg'?", "session_date": "The column is missing."}


def test_a_column_twice_is_a_fault() -> None:
    data = as_csv(PLAIN).replace(b"hbs_method", b"units", 1)
    assert only_fault(read(data)).words == "It stands 2 times."


def test_rows_with_too_few_or_too_many_cells_are_named() -> None:
    data = as_csv(PLAIN).rstrip() + b"\r\nA-1,F\r\n"
    fault = only_fault(read(data))
    assert (fault.row, fault.value) == (3, "2 cells")


# Rows that contradict one another


def test_the_same_person_and_day_twice_is_a_fault() -> None:
    fault = only_fault(read(as_csv(PLAIN, {**PLAIN, "weight_kg": "61"})))
    assert (fault.row, fault.column, fault.value) == (3, "patient_ref, session_date", "A-1, 2026-03-02")
    assert fault.words == "Row 2 is the same person and day."


@pytest.mark.parametrize(("column", "other"), [("sex", "M"), ("birth_date", "1990-03-02"), ("height_cm", "175")])
def test_what_stays_the_same_must_stay_the_same(column: str, other: str) -> None:
    later = {**PLAIN, "session_date": "2026-04-06", column: other}
    fault = only_fault(read(as_csv(PLAIN, later)))
    assert (fault.row, fault.column, fault.value) == (3, column, other)


def test_a_child_may_grow_but_not_shrink() -> None:
    child = {**PLAIN, "birth_date": "2014-01-01", "weight_kg": "35", "height_cm": "140"}
    grown = {**child, "session_date": "2026-05-04", "height_cm": "145"}
    assert read(as_csv(child, grown)).faults == ()
    assert only_fault(read(as_csv(child, {**grown, "height_cm": "130"}))).column == "height_cm"


@pytest.mark.parametrize("column", ["sex", "height_cm"])
def test_the_earliest_row_of_a_new_person_needs_sex_and_height(column: str) -> None:
    earlier = {**PLAIN, "session_date": "2026-01-05", column: ""}
    fault = only_fault(read(as_csv(PLAIN, earlier)))
    assert (fault.row, fault.column) == (3, column)
    stored = KnownPerson("F", None, None, 165.0)
    assert read(as_csv(PLAIN, earlier), A_1=stored).faults == ()


def test_a_day_that_cannot_be_read_is_one_fault_and_not_three() -> None:
    later = {**PLAIN, "session_date": "2026-04-06", "sex": "", "height_cm": ""}
    assert only_fault(read(as_csv({**PLAIN, "session_date": "31/02/2026"}, later))).column == "session_date"


def test_a_stored_sex_or_birth_date_is_held_against_the_file() -> None:
    stored = KnownPerson("M", date(1990, 2, 4), None, 165.0)
    faults = read(as_csv(PLAIN), A_1=stored).faults
    assert [fault.words for fault in faults] == [
        "Stored already as M, here F.", "Stored already as 1990-02-04, here 1990-02-03.",
    ]  # fmt: skip


def test_a_session_before_birth_is_a_fault() -> None:
    assert only_fault(read_row(birth_date="2026-03-03")).words == "After the session of 2026-03-02."


@pytest.mark.parametrize(("pre", "post", "faulty"), [
    ("2026-02-20T09:00", "", "pre_sample_at"),
    ("2026-03-03T09:00", "", "pre_sample_at"),
    ("", "2026-03-01T09:00", "post_sample_at"),
    ("", "2026-03-06T09:00", "post_sample_at"),
    ("2026-03-02T15:00", "2026-03-02T09:00", "post_sample_at"),
])  # fmt: skip
def test_samples_must_lie_near_their_session(pre: str, post: str, faulty: str) -> None:
    assert only_fault(read_row(pre_sample_at=pre, post_sample_at=post)).column == faulty


# Questions


def kinds(file: HistoryFile) -> list[str]:
    assert file.faults == ()
    return [question.kind for question in file.questions]


def test_hbs_that_rises_over_an_exchange_is_asked_about() -> None:
    file = read_row(hbs_pre_pct="21.4", hbs_post_pct="29")
    assert kinds(file) == ["hbs_rose"]
    assert file.questions[0].found == "HbS rose from 21.4 to 29 over an exchange"


@pytest.mark.parametrize(("weight", "asked"), [("68.9", False), ("69", True), ("51", True), ("51.1", False)])
def test_a_weight_jump_of_fifteen_per_cent_is_asked_about(weight: str, asked: bool) -> None:
    file = read(as_csv(PLAIN, {**PLAIN, "session_date": "2026-03-23", "weight_kg": weight}))
    assert kinds(file) == (["weight_jump"] if asked else [])


def test_other_questions() -> None:
    later = {**PLAIN, "session_date": "2026-04-06"}
    assert kinds(read(as_csv({**PLAIN, "hbs_method": "A"}, {**later, "hbs_method": "B"}))) == ["method_change"]
    assert kinds(read(as_csv({**PLAIN, "baseline_hbs_pct": "90"}, {**later, "baseline_hbs_pct": "85"}))) == [
        "baseline_change"
    ]
    assert kinds(read_row(hb_pre_g_l="160")) == ["hb_unlikely"]
    assert kinds(read_row(units="8")) == ["unit_volume"]
    assert kinds(read(as_csv(PLAIN, {**later, "hbs_pre_pct": "", "hbs_post_pct": "0.14"}))) == ["hbs_share"]
    assert kinds(read(as_csv(PLAIN, {**later, "blood_out_ml": "1.5"}))) == ["balance"]
    assert kinds(read_row(blood_out_ml="4000")) == ["balance"]
    assert kinds(read_row(blood_out_ml="650")) == []
    assert kinds(read_row(pre_sample_at="2026-02-25T09:00")) == ["sample_far"]
    assert kinds(read(as_csv({**PLAIN, "remarks": "x"}, columns=(*COLUMNS, "remarks")))) == ["unknown_column"]


@pytest.mark.parametrize(
    ("before", "admission", "asked"),
    [("31.5", "", False), ("3", "", True), ("3", "transfused", False), ("61", "", False), ("76", "", True)],
)
def test_hbs_between_two_sessions_that_is_not_to_be_expected_is_asked_about(
    before: str, admission: str, asked: bool
) -> None:
    # 14 % after a session: no own cells come back by more than 2 points a day (21 days: to 61 % with 5 of slack), and
    # nothing but red cells makes HbS fall.
    row = {**PLAIN, "session_date": "2026-03-23", "hbs_pre_pct": before, "hbs_post_pct": ""}
    file = read(as_csv(PLAIN, {**row, "admission_in_gap": admission}))
    assert kinds(file) == (["hbs_between"] if asked else [])


def test_a_weight_that_hardly_goes_with_the_height_is_asked_about_once_for_each_person() -> None:
    light = {**PLAIN, "weight_kg": "6"}
    file = read(as_csv(light, {**light, "session_date": "2026-03-23", "height_cm": ""}))
    assert kinds(file) == ["body"]
    assert file.questions[0].rows == (2, 3)
    assert file.questions[0].found == "Weight 6 kg at a height of 165 cm"
    stored = KnownPerson("F", None, None, 50.0)
    assert kinds(read(as_csv({**PLAIN, "height_cm": ""}), A_1=stored)) == ["body"]
    # WHO child growth standards (2006), medians of girls: 3.2 kg and 49 cm at birth, 8.9 kg and 74 cm at one year.
    for kg, cm in (("3.2", "49"), ("8.9", "74"), ("150", "165")):
        assert kinds(read_row(weight_kg=kg, height_cm=cm, **dict.fromkeys(VOLUMES, ""))) == []


VOLUMES = ("saline_in_ml", "red_cells_in_ml", "blood_out_ml", "units")


def test_references_that_look_alike_are_asked_about() -> None:
    other = {**PLAIN, "patient_ref": "a 1", "session_date": "2026-04-06"}
    file = read(as_csv(PLAIN, other))
    assert kinds(file) == ["alike"]
    assert file.questions[0].found == "References 'A-1' and 'a 1' look alike"
    stored = KnownPerson("F", None, None, 165.0)
    assert kinds(read(as_csv(PLAIN), A1=stored)) == ["alike"]
    assert kinds(read(as_csv(PLAIN), A_1=stored, B1=stored, b1=stored)) == []


def test_a_question_stands_in_one_line() -> None:
    (question,) = read_row(hbs_pre_pct="21.4", hbs_post_pct="29").questions
    line = "row 2, A-1: HbS rose from 21.4 to 29 over an exchange. Were before and after changed round?"
    assert question.line() == line


# Any file


@st.composite
def sessions_of_someone(draw: st.DrawFn) -> list[dict[str, str]]:
    """Sessions of one person that nothing is wrong with."""
    days = draw(st.lists(st.integers(1, 4000), min_size=1, max_size=6, unique=True))
    ref = draw(st.text("ABCé-0123", min_size=1, max_size=12).filter(lambda text: text.strip() == text))
    number = st.one_of(st.none(), st.floats(9, 40).map(lambda value: round(value, 1)))
    rows = []
    for back in sorted(days):
        before, after = draw(number), draw(number)
        rows.append({
            **PLAIN, "patient_ref": ref, "session_date": str(TODAY - timedelta(days=back)),
            "hbs_pre_pct": "" if before is None else str(before), "hbs_post_pct": "" if after is None else str(after),
        })  # fmt: skip
    return rows


@given(sessions_of_someone())
def test_what_is_written_is_read_back(rows: list[dict[str, str]]) -> None:
    file = read(as_csv(*rows))
    assert file.faults == ()
    written = sorted((row["session_date"], row["hbs_pre_pct"], row["hbs_post_pct"]) for row in rows)
    read_back = [
        tuple("" if value is None else str(value) for value in (row.session_date, row.hbs_pre_pct, row.hbs_post_pct))
        for row in file.rows
    ]
    assert read_back == written


@given(st.one_of(st.binary(max_size=300), st.text(max_size=300).map(str.encode)))
def test_no_bytes_whatever_break_the_reading(data: bytes) -> None:
    file = read(data)
    assert file.faults  # none of these is a file of past records


@given(st.sampled_from(COLUMNS), st.text(max_size=30))
def test_no_text_in_a_cell_breaks_the_reading(column: str, text: str) -> None:
    file = read_row(**{column: text})
    for fault in file.faults:
        assert fault.allowed
    assert file.faults or len(file.rows) == 1
