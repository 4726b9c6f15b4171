"""Messages of laboratories on the one path: from the bytes of an HL7 message to results in force, or to the inbox."""

from __future__ import annotations

from datetime import timedelta

import pytest

from patients.models import Analyte, CheckDone, LabResult
from patients.numeric.checks import CHECKS
from patients.queries import last_done
from programme.intake.models import Became, InboxItem, MessageKind, ReadResult, Severity
from programme.intake.services.deciding import settle
from programme.intake.services.keeping import keep_raw
from programme.intake.services.reading import read_message
from programme.worklist.queries.checks import check_lines
from tests import factories
from tests.factories import NOW, TODAY
from tests.programme.intake.numeric.test_hl7 import GLUCOSE, message, obx
from tests.programme.intake.test_reading import in_force, waiting

MONITORING = {check.setting: 91 for check in CHECKS}


@pytest.fixture
def ada(site):
    return factories.make_patient("R001", site=site)


def arrive(site, body, message_id, *, at=NOW):
    raw = keep_raw(site=site, sender="LAB at HOSP", kind=MessageKind.HL7, message_id=message_id, body=body, at=at)
    read_message(raw.pk, at=at)
    return raw


def test_a_message_files_itself_with_time_unit_and_method(site, ada):
    hb = obx("9.4", code="718-7^Hb^LN", unit="g/dL")
    arrive(site, message(obx(method="HPLC^HPLC^L"), hb), "M1")
    assert in_force(ada) == [(Analyte.HBS, 31.5, "final"), (Analyte.HB, 94.0, "final")]
    stored = LabResult.objects.get(analyte=Analyte.HBS)
    assert (stored.source, stored.source_key, stored.method) == ("LAB at HOSP", "F77|4625-0", "HPLC")
    assert stored.taken_at.isoformat() == "2026-06-01T06:15:00+00:00" and stored.time_known
    assert waiting(site) == []


def test_preliminary_final_corrected_and_deleted_are_versions_of_one_result(site, ada):
    for number, (sign, value) in enumerate([("P", "30"), ("F", "31"), ("C", "32")]):
        arrive(site, message(obx(value, status=sign)), f"M{number}", at=NOW + timedelta(minutes=number))
    assert in_force(ada) == [(Analyte.HBS, 32.0, "corrected")]
    arrive(site, message(obx('""')), "M9")
    assert in_force(ada) == [] and waiting(site) == ["withdrawn"]


def test_the_published_example_waits_because_its_code_is_not_called_loinc(site):
    arrive(site, GLUCOSE.encode(), "CNTRL-3456")
    assert waiting(site) == ["unknown_code"]


@pytest.mark.parametrize(
    ("value", "kind", "reason"),
    [("<5", "ST", "comparator"), ("^5^-^7", "SN", "not_a_number"), ("ninety", "NM", "not_a_number")],
)
def test_what_is_no_single_number_waits(site, ada, value, kind, reason):
    arrive(site, message(obx(value, kind=kind)), "M1")
    assert in_force(ada) == [] and waiting(site) == [reason]


def test_a_message_without_a_known_status_waits_whole_and_says_where(site, ada):
    arrive(site, message(obx(), obx("94", code="718-7^Hb^LN", unit="g/L", status="")), "M1")
    assert in_force(ada) == [] and waiting(site) == ["unreadable"]
    assert "segment 5 (OBX): OBX-11 is ''; allowed are F, U, C" in InboxItem.objects.get().sentence


def test_the_group_is_compared_and_a_differing_one_holds_the_whole_sample(site, ada):
    factories.make_needs(ada, abo="O", rhd="+")
    group = obx("A^A Pos^L", code="882-1^ABO and Rh group^LN", unit="", kind="CWE")
    arrive(site, message(group, obx("94", code="718-7^Hb^LN", unit="g/L")), "M1")
    assert in_force(ada) == []
    assert sorted(waiting(site)) == ["group_differs", "same_sample"]
    arrive(site, message(group.replace("A^A Pos", "O^O Pos"), obr="OBR|1||F78|HB|||202606010720"), "M2")
    assert len(waiting(site)) == 2


def screen(text, code="890-4^Antibody screen^LN", status="F"):
    return message(obx(f"X^{text}^L", code=code, unit="", kind="CWE", status=status))


def test_an_antibody_screen_that_is_not_negative_stands_first_with_what_is_recorded(site, ada):
    factories.make_antibody(ada, "anti-K")
    arrive(site, message(obx("<5", kind="ST")), "M1")
    arrive(site, screen("Positive"), "M2")
    first = InboxItem.objects.filter(site=site).waiting().most_urgent_first().first()
    assert (first.reason, first.severity, first.patient) == ("antibody_screen", Severity.STOP, ada)
    assert "'Positive'. Recorded antibodies: anti-K." in first.sentence
    assert not LabResult.objects.filter(source_key__contains="890-4").exists()


@pytest.mark.parametrize("text", ["NEG", "Negative", "Not detected", "No antibodies detected."])
def test_a_negative_antibody_screen_is_only_noted(site, ada, text):
    arrive(site, screen(text), "M1")
    assert waiting(site) == [] and ReadResult.objects.get().became == Became.NOTED


def monitored(patient):
    return last_done(patient.site, TODAY).get(patient.pk, {})


def test_a_negative_screen_that_arrives_is_a_check_done_until_it_is_taken_back(site, ada):
    arrive(site, screen("Negative", status="P"), "M1")
    assert monitored(ada) == {}
    arrive(site, screen("Negative"), "M2")
    arrive(site, screen("Negative"), "M3")
    assert monitored(ada) == {"antibody_screen": TODAY}
    done = CheckDone.objects.get()
    assert (done.by, done.words) == (None, "negative, sent by LAB at HOSP as F77|890-4")
    (line,) = [one for one in check_lines(ada, 32.0, MONITORING, monitored(ada), TODAY) if one.withdraw]
    assert line.last.endswith("1 Jun 2026: negative, sent by LAB at HOSP as F77|890-4")
    arrive(site, screen("Positive", status="C"), "M4")
    assert monitored(ada) == {} and waiting(site) == ["antibody_screen"]
    done.refresh_from_db()
    assert done.withdrawn_reason == "corrected version sent by LAB at HOSP"


def test_a_negative_screen_that_is_withdrawn_was_no_check(site, ada):
    arrive(site, screen("Negative"), "M1")
    arrive(site, screen("Negative", status="D"), "M2")
    assert monitored(ada) == {}


def test_a_negative_screen_of_a_tube_with_another_group_is_no_check(site, ada):
    factories.make_needs(ada, abo="O", rhd="+")
    group = obx("A^A Pos^L", code="882-1^ABO and Rh group^LN", unit="", kind="CWE")
    arrive(site, message(group), "M1")
    arrive(site, screen("Negative"), "M2")
    assert monitored(ada) == {} and waiting(site) == ["group_differs"] * 2


def test_measured_checks_that_arrive_are_done_on_the_day_of_their_sample(site, ada):
    sent = [("2276-4^Ferritin^LN", "900", "ug/L"), ("1742-6^ALT^LN", "30", "U/L"), ("14682-9^Crea^LN", "60", "umol/L")]
    arrive(site, message(*(obx(value, code=code, unit=unit) for code, value, unit in sent)), "M1")
    assert monitored(ada) == {"ferritin": TODAY, "liver_kidney": TODAY}


@pytest.mark.parametrize("text", ["Pos", "see comment", "not negative", "weak", ""])
def test_whatever_is_not_clearly_negative_is_for_a_person(site, ada, text):
    arrive(site, screen(text), "M1")
    assert waiting(site) == ["antibody_screen"]


def test_an_antibody_screen_of_somebody_unknown_waits_for_the_person(site):
    arrive(site, screen("Positive"), "M1")
    assert waiting(site) == ["unknown_person"]


def choose(item, patient, nurse):
    settle(item=item, version=item.version, choice=f"person:{patient.pk}", why="by telephone", actor=nurse, at=NOW)


def test_a_screen_and_a_group_of_a_person_who_was_chosen_are_compared_with_that_person(site, ada, nurse):
    factories.make_needs(ada, abo="O", rhd="+")
    born_otherwise = {"pid": "PID|1||R001^^^UNIT^MR||||19940315"}
    group = obx("A^A Pos^L", code="882-1^ABO and Rh group^LN", unit="", kind="CWE")
    pos = obx("X^Positive^L", code="890-4^Antibody screen^LN", unit="", kind="CWE")
    for number, one in enumerate((group, pos)):
        arrive(site, message(one, **born_otherwise), f"M{number}")
    assert waiting(site) == ["birth_date_differs"] * 2
    for item in InboxItem.objects.filter(reason="birth_date_differs"):
        choose(item, ada, nurse)
    assert sorted(waiting(site)) == ["antibody_screen", "group_differs"]
