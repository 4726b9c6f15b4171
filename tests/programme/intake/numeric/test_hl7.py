"""HL7 v2 messages: examples published with the standard, its tables, and every way in which a message can be bent."""

from __future__ import annotations

from datetime import UTC, date, datetime
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given
from hypothesis import strategies as st

from programme.intake.numeric import hl7
from programme.intake.numeric.arrivals import CORRECTED, FINAL, PRELIMINARY, WITHDRAWN, Envelope, Unreadable
from programme.intake.numeric.hl7_syntax import CHARACTER_SETS, Delimiters, NotHl7, moment_of, unescaped

LONDON = ZoneInfo("Europe/London")
HERE = Envelope("LAB at HOSP", LONDON)
MSH = r"MSH|^~\&|LAB|HOSP|EBB|UNIT|20260601083000||ORU^R01^ORU_R01|M1|P|2.5.1"
PID = "PID|1||R001^^^UNIT^MR||Testwood^Ada||19940314|F"
OBR = "OBR|1||F77^LAB|HB^Haemoglobins^L|||202606010715"


def obx(value="31.5", code="4625-0^HbS^LN", unit="%", kind="NM", status="F", sub="", taken="", method=""):
    return f"OBX|1|{kind}|{code}|{sub}|{value}|{unit}|||||{status}|||{taken}|||{method}"


def message(*segments, msh=MSH, pid=PID, obr=OBR, end="\r"):
    return (end.join([msh, pid, obr, *(segments or (obx(),))]) + end).encode()


def only(body, envelope=HERE):
    (arrival,) = hl7.read(body, envelope)
    return arrival


# Published examples

GLUCOSE = "\r".join(
    [
        r"MSH|^~\&|GHH LAB|ELAB-3|GHH OE|BLDG4|200202150930||ORU^R01|CNTRL-3456|P|2.4",
        "PID|||555-44-4444||EVERYWOMAN^EVE^E^^^^L|JONES|19620320|F|||153 FERNWOOD DR.^^STATESVILLE^OH^35292"
        "||(206)3345232|(206)752-121||||AC555444444||67-A4335^OH^20030520",
        "OBR|1|845439^GHH OE|1045813^GHH LAB|15545^GLUCOSE|||200202150730|||||||||555-55-5555^PRIMARY^PATRICIA P"
        "^^^^MD^^|||||||||F||||||444-44-4444^HIPPOCRATES^HOWARD H^^^^MD",
        "OBX|1|SN|1554-5^GLUCOSE^POST 12H CFST:MCNC:PT:SER/PLAS:QN||^182|mg/dl|70_105|H|||F",
    ]
)
"""The example result message of HL7's own introduction to version 2 (v2.4), as quoted in many public libraries."""

LEAD = "\r".join(
    [
        r"MSH|^~\&|EHR Application^2.16.840.1.113883.3.72.7.1^HL7|EHR Facility^2.16.840.1.113883.3.72.7.2^HL7"
        "|PH Application^2.16.840.1.113883.3.72.7.3^HL7|PH Facility^2.16.840.1.113883.3.72.7.4^HL7|20100929110702||"
        "ORU^R01^ORU_R01|NIST-100929110701660|P|2.5.1|||||||||PHLabReport-NoAck^^2.16.840.1.114222.4.10.3^ISO",
        "PID|||9817566735^^^MPI&2.16.840.1.113883.19.3.2.1&ISO^MR||Johnson^Philip||20070526|M||2106-3^White^HL70005",
        "ORC|RE",
        "OBR|1||9700123^Lab^2.16.840.1.113883.19.3.1.6^ISO|10368-9^Lead BldC-mCnc^LN^3456543^Blood lead test^99USI"
        "|||200808151030-0700||||||Diarrhea|||1234^Admit^Alan||||||200808181800-0700|||F",
        "OBX|1|NM|10368-9^Lead BldC-mCnc^LN|1|50|ug/dL^micro-gram per deci-liter^UCUM"
        "|<9 mcg/dL:  Acceptable background lead exposure|H|||F|||200808151030-0700|||||200808181800-0700",
        "SPM||||122554006^Capillary blood specimen^SCT^BLDC^Blood capillary^HL70070^20080131^2.5.1",
    ]
)
"""Sample test case 1 of the public tests for version 2.5.1 laboratory reports (NIST, 2010); addresses left out."""


def test_the_example_of_the_introduction_to_version_2():
    arrival = only(GLUCOSE.encode())
    assert (arrival.reference, arrival.birth_date) == ("555-44-4444", date(1962, 3, 20))
    assert (arrival.value_text, arrival.comparator, arrival.unit) == ("182", "", "mg/dl")
    assert (arrival.code, arrival.code_system) == ("1554-5", "local")  # OBX-3 does not say LN, so it is not LOINC
    assert (arrival.status, arrival.source) == (FINAL, "GHH LAB at ELAB-3")
    assert arrival.result_id == "1045813|1554-5"  # the filler's number, not the placer's 845439
    assert arrival.taken_at == datetime(2002, 2, 15, 7, 30, tzinfo=LONDON)


def test_the_first_sample_of_the_tests_for_2_5_1():
    arrival = only(LEAD.encode())
    assert (arrival.reference, arrival.birth_date) == ("9817566735", date(2007, 5, 26))
    assert (arrival.code, arrival.code_system, arrival.value_text, arrival.unit) == ("10368-9", "loinc", "50", "ug/dL")
    assert arrival.taken_at == datetime(2008, 8, 15, 17, 30, tzinfo=UTC)
    assert arrival.result_id == "9700123|10368-9|1"


@pytest.mark.parametrize(
    ("field", "comparator", "text"),
    [
        (">^100", ">", "100"),  # greater than 100
        ("^100^-^200", "", "100-200"),  # a range: no single number
        ("^1^:^228", "", "1:228"),  # a ratio
        ("^2^+", "", "2+"),  # a category
        ("<^1.0", "<", "1.0"),
        ("=^7", "", "7"),
        (">=^5", "", ">=5"),
        ("<>^5", "", "<>5"),
    ],
)
def test_structured_numbers(field, comparator, text):
    """The first four are the standard's examples of SN (HL7 v2, chapter 2A), the rest its list of comparators."""
    arrival = only(message(obx(field, kind="SN")))
    assert (arrival.comparator, arrival.value_text) == (comparator, text)


@pytest.mark.parametrize(
    ("sign", "status"),
    [
        # HL7's map of table 0085 to FHIR (v2-to-FHIR implementation guide, 2024): C corrected, D entered in error,
        # F final, P and S preliminary, A amended (a later version here); R and W have no target there.
        ("F", FINAL), ("C", CORRECTED), ("P", PRELIMINARY), ("S", PRELIMINARY), ("D", WITHDRAWN), ("A", CORRECTED),
        # Meanings of table 0085: R entered but not verified; W original is wrong; X cannot be obtained; U now final.
        ("R", PRELIMINARY), ("W", WITHDRAWN), ("X", WITHDRAWN), ("U", FINAL),
    ],
)  # fmt: skip
def test_every_status_of_table_0085_that_is_a_result(sign, status):
    assert only(message(obx(status=sign))).status == status


@pytest.mark.parametrize("sign", ["I", "N", "O"])
def test_what_is_no_result_yet_is_passed_over(sign):
    assert hl7.read(message(obx("", status=sign)), HERE) == ()


@pytest.mark.parametrize("sign", ["", "Z", "f", "FF", '""'])
def test_a_status_that_is_blank_or_unknown_makes_the_message_wait(sign):
    with pytest.raises(Unreadable, match=r"segment 4 \(OBX\): OBX-11"):
        hl7.read(message(obx(status=sign)), HERE)


def test_a_status_one_field_too_far_left_is_blank():
    with pytest.raises(Unreadable, match="OBX-11"):
        hl7.read(message("OBX|1|NM|718-7^Hb^LN||94|g/L||||F"), HERE)


# Values, codes, units


@pytest.mark.parametrize(
    ("kind", "field", "expected"),
    [
        ("NM", "94", ("", "94")),
        ("NM", "ninety", ("", "ninety")),
        ("ST", "<5", ("<", "5")),
        ("ST", "> 1500", (">", "1500")),
        ("ST", "<=5", ("", "<=5")),
        ("", "94", ("", "94")),
        ("NM", "94~95", ("", "94 95")),
        ("NM", "94^95", ("", "94 95")),
        ("NM", "", ("", "")),
        ("CWE", "O+^O Pos^L", ("", "O Pos")),
        ("TX", r"see \T\ ask", ("", "see & ask")),
    ],
)
def test_values_as_they_are_given_on(kind, field, expected):
    arrival = only(message(obx(field, kind=kind)))
    assert (arrival.comparator, arrival.value_text) == expected


def test_two_quotes_take_back_and_an_empty_value_does_not():
    assert only(message(obx('""'))).status == WITHDRAWN
    assert only(message(obx(""))).status == FINAL


@pytest.mark.parametrize(
    ("code", "expected"),
    [
        ("718-7^Hb^LN", ("718-7", "loinc")),
        ("HB^Haemoglobin^L^718-7^Hb^LN", ("718-7", "loinc")),
        ("718-7^Hb^LN^HB^Haemoglobin^L", ("718-7", "loinc")),
        ("HB^Haemoglobin^99LAB", ("HB", "local")),
        ("718-7", ("718-7", "local")),
    ],
)
def test_a_code_is_loinc_only_where_it_is_called_so(code, expected):
    arrival = only(message(obx(code=code)))
    assert (arrival.code, arrival.code_system) == expected


@pytest.mark.parametrize(
    ("unit", "expected"),
    [("g/dL^gram per deciliter^UCUM", "g/dL"), ("GDL^g/dL^L^g/dL^^UCUM", "g/dL"), ("", ""), ('""', "")],
)
def test_units(unit, expected):
    assert only(message(obx(unit=unit))).unit == expected


def test_identity_is_filler_number_code_and_sub_id():
    first, second = hl7.read(message(obx(sub="1"), obx(sub="2")), HERE)
    assert (first.result_id, second.result_id) == ("F77|4625-0|1", "F77|4625-0|2")
    assert only(message(obx("32", status="C", sub="1"))).result_id == first.result_id
    from_orc = message(obr="ORC|RE||F78^LAB\rOBR|1|||HB^Haemoglobins^L|||202606010715")
    assert only(from_orc).result_id == "F78|4625-0"
    one, other = (only(message(obx(sub=sub), obr=OBR.replace("F77", "F" * 300))).result_id for sub in "12")
    assert len(one) <= 100 and one != other


def test_several_people_and_orders_in_one_message():
    body = message(
        obx(), "OBR|2||F78|HB|||202606010720", obx("33"),
        "PID|2||R002^^^UNIT^MR||||19900102", "OBR|1||F79|HB|||20260601", obx("34"),
    )  # fmt: skip
    read = [(one.reference, one.result_id, one.value_text) for one in hl7.read(body, HERE)]
    assert read == [
        ("R001", "F77|4625-0", "31.5"), ("R001", "F78|4625-0", "33"), ("R002", "F79|4625-0", "34"),
    ]  # fmt: skip


def test_of_several_references_the_medical_record_number_counts_else_the_first():
    pid = "PID|1||999^^^STATE^NI~R001^^^UNIT^MR||x||19940314"
    assert only(message(pid=pid)).reference == "R001"
    assert only(message(pid=pid.replace("^MR", ""))).reference == "999"


def test_notes_and_method_go_along():
    arrival = only(message(obx(method="HPLC^High-performance liquid chromatography^L"), "NTE|1|L|Haemolysed"))
    assert (arrival.method, arrival.comment) == ("High-performance liquid chromatography", "Haemolysed")


# Times


def test_the_time_of_the_sample_is_obx_14_else_spm_17_else_obr_7():
    spm = "SPM|1|||119297000^Blood^SCT|||||||||||||202606010710^202606010711"
    assert only(message(obx(taken="202606010700"), spm)).taken_at == datetime(2026, 6, 1, 7, 0, tzinfo=LONDON)
    assert only(message(obx(), spm)).taken_at == datetime(2026, 6, 1, 7, 10, tzinfo=LONDON)
    assert only(message(obx())).taken_at == datetime(2026, 6, 1, 7, 15, tzinfo=LONDON)
    assert only(message(obx(), obr="OBR|1||F77|HB")).taken_at is None


@pytest.mark.parametrize(
    ("text", "expected", "known"),
    [
        ("20260601", datetime(2026, 5, 31, 23, tzinfo=UTC), False),
        ("2026060108", datetime(2026, 6, 1, 7, tzinfo=UTC), False),
        ("202606010815", datetime(2026, 6, 1, 7, 15, tzinfo=UTC), True),
        ("20260601081530.1234+0200", datetime(2026, 6, 1, 6, 15, 30, tzinfo=UTC), True),
        ("202606010815-0000", datetime(2026, 6, 1, 8, 15, tzinfo=UTC), True),
        ("202610250130", datetime(2026, 10, 25, 0, 30, tzinfo=UTC), False),  # the clocks go back: it comes twice
        ("202610250130+0000", datetime(2026, 10, 25, 1, 30, tzinfo=UTC), True),
        ("202603290130", datetime(2026, 3, 29, 1, 30, tzinfo=UTC), False),  # the clocks go forward: it never was
    ],
)
def test_times_with_and_without_offset(text, expected, known):
    moment = moment_of(text, LONDON, "OBX-14")
    assert (moment.at, moment.known) == (expected, known)


def test_year_or_month_alone_is_no_day():
    assert moment_of("2026", LONDON, "OBX-14").at is None
    assert only(message(pid=PID.replace("19940314", "1994"))).birth_date is None


def test_an_offset_in_msh_7_counts_for_times_without_one():
    """The offset of MSH-7 is the default for the whole message (HL7 v2.5.1, chapter 2, MSH-7; from memory)."""
    body = message(msh=MSH.replace("20260601083000", "20260601083000+0200"))
    assert only(body).taken_at == datetime(2026, 6, 1, 5, 15, tzinfo=UTC)


@pytest.mark.parametrize("text", ["yesterday", "20261301", "202606012561", "18000101", "20260601+9900", "2026-06-01"])
def test_a_time_that_is_none_is_named_with_its_place(text):
    with pytest.raises(Unreadable, match=r"segment 4 \(OBX\): OBX-14"):
        hl7.read(message(obx(taken=text)), HERE)


# Delimiters, escapes, character sets


def test_the_message_names_its_own_delimiters():
    body = message(obx(r"\F\5")).decode().translate(str.maketrans("|^~\\&", "#$*!%"))
    arrival = only(body.encode())
    assert (arrival.reference, arrival.value_text, arrival.code) == ("R001", "#5", "4625-0")


def test_escapes_as_the_standard_lists_them():
    r"""HL7 v2.5.1, chapter 2, escape sequences: \F\ \S\ \T\ \R\ \E\ stand for the signs, \H\ \N\ highlight,
    \Xdd\ is hexadecimal, \Z\ local."""
    marks = Delimiters()
    assert unescaped(r"a\F\b\S\c\T\d\R\e\E\f", marks) == r"a|b^c&d~e\f"
    assert unescaped(r"\H\TOTAL\N\ \X41C3A9\ \Zlocal\end", marks) == "TOTAL Aé end"
    assert unescaped(r"one\.br\two", marks) == "one two"
    assert unescaped(r"\Q\ and a lone \ stay", marks) == r"\Q\ and a lone \ stay"
    for bad in (r"\X0\ ", r"\XZZ\ ", r"\X00\ ", r"\XFF\ "):
        with pytest.raises(Unreadable, match="escape"):
            unescaped(bad, marks)


@pytest.mark.parametrize("name", sorted(CHARACTER_SETS))
def test_character_sets_of_table_0211(name):
    letter = {"8859/5": "Ж", "8859/6": "ع", "8859/7": "Ω", "8859/8": "א", "ASCII": "u"}.get(name, "ü")
    text = message(pid=PID.replace("R001", f"R{letter}1"), msh=f"{MSH}||||||{name}").decode()
    assert only(text.encode(CHARACTER_SETS[name])).reference == f"R{letter}1"


def test_a_name_in_a_character_set_that_nobody_named_does_not_hold_up_its_result():
    """v2.5.1, 2.15.9.18: without MSH-18 it is ASCII. Many send names in their own set (common practice)."""
    text = message(pid=PID + "|||||||Jürgenstraße").decode()
    assert only(text.encode("latin-1")) == only(text.encode())
    # What is read never becomes a guess: a reference with such a letter fits nobody.
    other = message(pid=PID.replace("R001", "Rü1")).decode()
    assert only(other.encode("latin-1")).reference == "R\ufffd1"
    # Nor may two orders become one: numbers that differ only in such a letter would.
    with pytest.raises(Unreadable, match="OBR-3 has a letter"):
        hl7.read(message(obr=OBR.replace("F77", "Fü7")).decode().encode("latin-1"), HERE)


def test_bytes_that_do_not_fit_the_character_set_are_refused():
    text = message(pid=PID.replace("R001", "Rü1")).decode()
    with pytest.raises(Unreadable, match="MSH-18 says ASCII"):
        hl7.read(text.replace("|2.5.1", "|2.5.1||||||ASCII").encode(), HERE)
    with pytest.raises(Unreadable, match="MSH-18 is 'UNICODE UTF-16'"):
        hl7.read(message(msh=f"{MSH}||||||UNICODE UTF-16"), HERE)


@pytest.mark.parametrize("end", ["\r", "\n", "\r\n"])
def test_segments_end_with_cr_and_what_files_make_of_it(end):
    assert only(message(end=end)).value_text == "31.5"


# What is refused


@pytest.mark.parametrize(
    ("body", "said"),
    [
        (b"", "MSH"),
        (b"MSH", "MSH"),
        (b"FHS|^~\\&|LAB\rMSH|^~\\&|LAB", "MSH"),
        (b"MSH|||||", "MSH-1 and MSH-2"),
        (b"MSHA^~\\&ALAB", "MSH-1 and MSH-2"),
        (b"MSH|^^\\&|LAB|HOSP", "MSH-1 and MSH-2"),
        (b"MSH|^~\\&|L\x00B|HOSP", "control character"),
        (b'{"resourceType": "Observation"}', "MSH"),
    ],
)
def test_what_is_no_hl7(body, said):
    with pytest.raises(NotHl7, match=said):
        hl7.read(body, HERE)


@pytest.mark.parametrize(
    ("body", "said"),
    [
        (message(msh=MSH.replace("ORU^R01^ORU_R01", "ADT^A01")), "MSH-9"),
        (message(msh=MSH.replace("2.5.1", "3.0")), "MSH-12"),
        (message(msh=MSH.replace("|P|", "|T|")), "MSH-11"),
        (message(msh=MSH.replace("|M1|", "||")), "MSH-10"),
        (message(MSH), "begins another message"),
        (message("obx|1"), "segment 4|Segment 4"),
        (message(obx().replace("4625-0^HbS^LN", "")), "OBX-3"),
        (message(pid="PID|1||^^^UNIT"), "PID-3"),
        (message(pid=PID.replace("19940314", "14.3.1994")), "PID-7"),
        (message(obr="OBR|1||"), "OBR-3"),
        (message(obr=obx()), "outside any OBR"),
        (message("NTE|1||text only"), "no OBX"),
        (message(obx("3\x071")), "control character"),
        (message(pid=OBR), "before any PID"),
    ],
)
def test_what_cannot_be_read_says_where_and_what_is_allowed(body, said):
    with pytest.raises(Unreadable, match=said):
        hl7.read(body, HERE)


@given(st.binary(max_size=300), st.integers(0, 400))
def test_no_bytes_whatever_break_the_reading(noise, at):
    """A law: a parser answers with results or with Unreadable, and with nothing else."""
    whole = message(obx(), obx("<5", kind="ST"))
    for body in (noise, whole[:at] + noise + whole[at:], whole[:at] + noise, whole[: len(whole) - at]):
        try:
            assert all(one.reference for one in hl7.read(body, HERE))
        except Unreadable as refusal:
            assert str(refusal)
