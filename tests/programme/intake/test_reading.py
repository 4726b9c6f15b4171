"""From a kept message to results in force, or to the inbox."""

from __future__ import annotations

from datetime import date, timedelta

import pytest
from django.db import DatabaseError, transaction

from patients.models import Analyte, LabResult
from programme.core import changes
from programme.intake.models import Became, InboxItem, RawMessage, Reading, ReadResult
from programme.intake.services.deciding import settle
from programme.intake.services.keeping import keep_raw
from programme.intake.services.reading import LEASE, MOST_ATTEMPTS, read_all, read_message
from tests import factories
from tests.factories import NOW

HEADER = "patient_ref,birth_date,code,value,unit,taken_at,result_id,status,source\n"


@pytest.fixture
def ada(site):
    return factories.make_patient("R001", site=site)


def row(
    ref="R001", born="1994-03-14", code="4625-0", value="31.5", unit="%", taken="2026-06-01T07:30:00+01:00",
    result_id="A1", status="final", source="Tidewater Laboratory",
):  # fmt: skip
    return f"{ref},{born},{code},{value},{unit},{taken},{result_id},{status},{source}\n"


def arrive(site, *rows, message_id=None, at=NOW):
    body = (HEADER + "".join(rows)).encode()
    raw = keep_raw(
        site=site, sender="file", kind="csv", message_id=message_id or f"m{hash(body)}", body=body, at=at
    )  # fmt: skip
    read_message(raw.pk, at=at)
    return raw


def in_force(patient):
    rows = LabResult.objects.in_force().filter(patient=patient).order_by("pk")
    return [(row.analyte, row.value, row.status) for row in rows]


def waiting(site):
    return [item.reason for item in InboxItem.objects.filter(site=site).waiting().most_urgent_first()]


def test_a_result_whose_reference_and_birth_date_agree_files_itself(site, ada):
    before = ada.data_version
    arrive(site, row(), row(code="718-7", value="9.4", unit="g/dL", result_id="A2"))
    assert in_force(ada) == [(Analyte.HBS, 31.5, "final"), (Analyte.HB, 94.0, "final")]
    assert waiting(site) == []
    ada.refresh_from_db()
    assert ada.data_version == before + 1
    stored = LabResult.objects.get(source_key="A1")
    assert stored.source == "Tidewater Laboratory" and stored.received_at == NOW


def test_the_same_message_twice_changes_nothing(site, ada):
    first = arrive(site, row(), message_id="one")
    again = arrive(site, row(), message_id="one")
    assert again == first and RawMessage.objects.count() == 1
    arrive(site, row(), message_id="two")  # the same result in another message
    assert in_force(ada) == [(Analyte.HBS, 31.5, "final")]
    assert list(ReadResult.objects.values_list("became", flat=True)) == [Became.FILED, Became.SAME]
    assert waiting(site) == []


def test_the_same_result_id_with_other_content_waits_and_the_first_stays(site, ada):
    arrive(site, row())
    arrive(site, row(value="28.0"))
    assert in_force(ada) == [(Analyte.HBS, 31.5, "final")]
    assert waiting(site) == ["same_id_other_content"]


def test_the_same_message_id_with_other_content_is_kept_and_told(site, ada):
    arrive(site, row(), message_id="one")
    arrive(site, row(code="718-7", value="94", unit="g/L", result_id="A2"), message_id="one")
    assert RawMessage.objects.count() == 2
    assert waiting(site) == ["message_id_again"]


def test_preliminary_final_corrected_withdrawn_each_take_the_place_of_the_one_before(site, ada):
    arrive(site, row(value="30", status="preliminary"))
    assert in_force(ada) == [] and waiting(site) == []
    arrive(site, row(value="31"))
    assert in_force(ada) == [(Analyte.HBS, 31.0, "final")]
    arrive(site, row(value="32", status="corrected"))
    assert in_force(ada) == [(Analyte.HBS, 32.0, "corrected")]
    arrive(site, row(value="", status="withdrawn"))
    assert in_force(ada) == []
    assert waiting(site) == ["withdrawn"]
    keys = list(LabResult.objects.order_by("pk").values_list("source_key", flat=True))
    assert keys == ["A1", "A1/v2", "A1/v3", "A1/v4"]


def test_what_comes_late_and_out_of_order_changes_nothing_in_force(site, ada):
    arrive(site, row(value="32", status="corrected"))
    arrive(site, row(value="31"))
    arrive(site, row(value="30", status="preliminary"))
    assert in_force(ada) == [(Analyte.HBS, 32.0, "corrected")]
    assert waiting(site) == []


def test_a_withdrawal_that_came_first_keeps_the_result_out(site, ada):
    arrive(site, row(value="", status="withdrawn"))
    arrive(site, row())
    assert in_force(ada) == []


@pytest.mark.parametrize(
    ("sent", "reason"),
    [
        ({"born": "1994-03-15"}, "birth_date_differs"),
        ({"born": ""}, "no_birth_date"),
        ({"ref": "R0O1"}, "reference_differs"),
        ({"ref": "r001"}, "reference_differs"),
        ({"ref": "Z999", "born": "1950-01-01"}, "unknown_person"),
        ({"code": "4625-4"}, "unknown_code"),
        ({"code": "HBS"}, "unknown_code"),
        ({"unit": "g/L"}, "unknown_unit"),
        ({"unit": ""}, "no_unit"),
        ({"value": "<5"}, "comparator"),
        ({"value": "0.31"}, "share_not_percent"),
        ({"value": "131"}, "impossible"),
        ({"taken": "2026-06-01T10:30:00+00:00"}, "future"),
        ({"taken": "1990-06-01T10:30:00+00:00"}, "before_birth"),
    ],
)
def test_what_is_in_doubt_waits_and_nothing_of_it_counts(site, ada, sent, reason):
    arrive(site, row(**sent))
    assert in_force(ada) == []
    assert waiting(site) == [reason]


def test_reference_of_one_and_birth_date_of_another(site, ada):
    other = factories.make_patient("R002", site=site, birth_date=date(1990, 1, 2))
    arrive(site, row(born="1990-01-02"))
    item = InboxItem.objects.get()
    assert item.reason == "two_people_fit" and item.about["near"] == [ada.pk, other.pk]


def test_hbs_far_from_the_last_waits_unless_an_exchange_lies_between(site, ada):
    factories.make_result(ada, value=31.0, on=date(2026, 5, 25))
    arrive(site, row(value="3"))
    assert waiting(site) == ["far_from_last"]
    assert [value for _, value, _ in in_force(ada)] == [31.0]
    factories.make_exchange_session(ada, on=date(2026, 5, 28), hbs_before_pct=None, hbs_after_pct=None)
    arrive(site, row(value="12", result_id="A9"))
    assert waiting(site) == ["far_from_last"]
    assert 12.0 in [value for _, value, _ in in_force(ada)]


def test_nothing_of_a_tube_that_holds_somebody_elses_blood_counts(site, ada):
    factories.make_result(ada, value=31.0, on=date(2026, 5, 25))
    arrive(
        site,
        row(code="718-7", value="95", unit="g/L", result_id="A2"),
        row(value="3"),
        row(code="4546-8", value="94", result_id="A3"),
        row(code="718-7", value="90", unit="g/L", taken="2026-05-31T07:30:00+01:00", result_id="A4"),  # another tube
    )
    assert [value for _, value, _ in in_force(ada)] == [31.0, 90.0]
    assert sorted(waiting(site)) == ["far_from_last", "same_sample", "same_sample"]
    said = InboxItem.objects.filter(reason="same_sample").values_list("sentence", flat=True)
    assert all("HbS was 31 %" in words and "Wrong person in the tube" in words for words in said)


def test_a_tube_of_another_hb_than_expected_is_held_whole_too(site, ada):
    factories.make_result(ada, analyte=Analyte.HB, value=85.0, on=date(2026, 5, 25))
    arrive(site, row(value="30"), row(code="718-7", value="140", unit="g/L", result_id="A2"))
    assert [value for _, value, _ in in_force(ada)] == [85.0]
    assert sorted(waiting(site)) == ["far_from_last", "same_sample"]


def test_what_is_sent_again_after_it_was_withdrawn_waits_and_is_not_lost(site, ada):
    bea = factories.make_patient("R002", site=site, birth_date=date(1990, 1, 2))
    arrive(site, row())
    arrive(site, row(value="", status="withdrawn"))
    arrive(site, row())  # the same message, late: it was withdrawn
    assert waiting(site) == ["withdrawn"]
    arrive(site, row(value="28"))
    arrive(site, row(ref="R002", born="1990-01-02", status="corrected"))
    assert in_force(ada) == in_force(bea) == []
    again = InboxItem.objects.filter(reason="after_withdrawal").order_by("pk")
    assert [item.patient for item in again] == [ada, bea]


def test_a_correction_taken_back_by_another_waits_though_its_content_came_before(site, ada, nurse):
    for number, value in enumerate(("35", "36")):
        arrive(site, row(value=value, status="corrected"), message_id=f"c{number}")
    item = InboxItem.objects.get()
    settle(item=item, version=item.version, choice="newest", why="telephoned", actor=nurse, at=NOW)
    assert in_force(ada) == [(Analyte.HBS, 36.0, "corrected")]
    arrive(site, row(value="36", status="corrected"), message_id="c2")  # what counts already, once more
    assert waiting(site) == []
    arrive(site, row(value="35", status="corrected"), message_id="c3")
    assert in_force(ada) == [(Analyte.HBS, 36.0, "corrected")]
    assert waiting(site) == ["same_id_other_content"]
    assert "36 %" in InboxItem.objects.waiting().get().sentence


def test_three_versions_in_one_file_of_which_the_last_is_the_first_again_wait(site, ada):
    arrive(site, *(row(value=value, status="corrected") for value in ("35", "36", "35")))
    assert in_force(ada) == [(Analyte.HBS, 35.0, "corrected")]
    assert waiting(site) == ["same_id_other_content"] * 2


def test_the_same_message_id_sent_again_with_a_row_more_repeats_nothing(site, ada):
    arrive(site, row(), message_id="one")
    arrive(site, row(value="32", status="corrected"), message_id="two")
    arrive(site, row(), row(code="718-7", value="94", unit="g/L", result_id="A2"), message_id="one")
    assert in_force(ada) == [(Analyte.HBS, 32.0, "corrected"), (Analyte.HB, 94.0, "final")]
    assert waiting(site) == ["message_id_again"]


def test_the_same_result_sent_anew_after_it_was_withdrawn_waits_and_is_not_lost(site, ada, nurse):
    arrive(site, row(), message_id="one")
    arrive(site, row(value="", status="withdrawn"), message_id="two")
    arrive(site, row(), message_id="three")
    assert in_force(ada) == []
    item = InboxItem.objects.get(reason="after_withdrawal")
    assert "sends it again as final, with the same content" in item.sentence
    settle(item=item, version=item.version, choice="newest", why="telephoned", actor=nurse, at=NOW)
    assert in_force(ada) == [(Analyte.HBS, 31.5, "final")]
    arrive(site, row(value="", status="withdrawn"), message_id="four")  # and withdrawn once more
    assert in_force(ada) == []


def test_what_waits_after_a_withdrawal_is_settled_by_the_next_one(site, ada):
    for number, sent in enumerate([{}, {"value": "", "status": "withdrawn"}] * 2):
        arrive(site, row(**sent), message_id=f"m{number}")
    assert in_force(ada) == [] and waiting(site) == []
    settled = InboxItem.objects.get(reason="after_withdrawal")
    assert (settled.choice, settled.why) == ("overtaken", "a later version came: withdrawn")


def test_fractions_that_do_not_add_up_are_all_held(site, ada):
    arrive(
        site,
        row(value="60"),
        row(code="4546-8", value="30", result_id="A2"),
        row(code="4576-5", value="20", result_id="A3"),
    )
    assert in_force(ada) == []
    assert waiting(site) == ["fractions"] * 3


def test_people_of_another_site_are_unknown_here(site, other_site, ada):
    arrive(other_site, row())
    assert in_force(ada) == []
    assert waiting(other_site) == ["unknown_person"]


def test_two_units_may_have_a_source_and_an_id_in_common(site, other_site, ada):
    bea = factories.make_patient("R001", site=other_site)
    arrive(site, row())
    arrive(other_site, row())
    assert len(in_force(ada)) == len(in_force(bea)) == 1


def test_a_message_that_cannot_be_read_waits_whole(site, ada):
    arrive(site, row(), row(taken="yesterday", result_id="A2"))
    assert in_force(ada) == [] and waiting(site) == ["unreadable"]
    assert "row 3, taken_at" in InboxItem.objects.get().sentence


def test_a_message_stays_as_it_came(site, ada):
    raw = arrive(site, row())
    with pytest.raises(DatabaseError, match="kept as it came"), transaction.atomic():
        RawMessage.objects.filter(pk=raw.pk).update(body=b"other")


def test_a_message_that_a_killed_reader_left_is_read_once_its_lease_is_over(site, ada):
    body = (HEADER + row()).encode()
    raw = keep_raw(site=site, sender="file", kind="csv", message_id="one", body=body, at=NOW)
    Reading.objects.filter(raw=raw).update(lease_until=NOW + LEASE, attempt=1)
    assert not read_message(raw.pk, at=NOW + timedelta(seconds=30))
    assert read_all(clock=lambda: NOW + 2 * LEASE) == 1
    assert len(in_force(ada)) == 1
    assert not read_message(raw.pk, at=NOW + 4 * LEASE)
    assert ReadResult.objects.count() == 1


@pytest.mark.django_db(transaction=True)
def test_many_messages_about_one_person_are_heard_of_once(site, other_site, ada, monkeypatch):
    elsewhere = factories.make_patient("R001", site=other_site)
    said = []
    monkeypatch.setattr(changes, "_subscribers", [lambda keys, at: said.append(keys)])
    for unit in (site, other_site, site, site):
        body = (HEADER + row(result_id=f"A{RawMessage.objects.count()}")).encode()
        keep_raw(site=unit, sender="file", kind="csv", message_id=f"m{RawMessage.objects.count()}", body=body, at=NOW)
    assert read_all(clock=lambda: NOW) == 4
    assert said == [(ada.pk,), (elsewhere.pk,)]
    assert len(in_force(ada)) == 3 and len(in_force(elsewhere)) == 1


def test_a_message_on_which_readers_break_off_again_and_again_is_given_to_people(site, ada):
    raw = keep_raw(site=site, sender="file", kind="csv", message_id="one", body=(HEADER + row()).encode(), at=NOW)
    Reading.objects.filter(raw=raw).update(attempt=MOST_ATTEMPTS)
    assert read_message(raw.pk, at=NOW)
    assert waiting(site) == ["unreadable"]


def test_a_result_of_the_day_of_a_session_without_times_asks(site, ada):
    factories.make_exchange_session(
        ada, on=date(2026, 6, 1), hbs_before_pct=None, hbs_after_pct=None, hb_before_g_l=None, hb_after_g_l=None
    )
    arrive(site, row())
    assert waiting(site) == ["before_or_after"]


def test_a_result_before_a_session_of_the_next_day_is_linked_by_the_rule(site, ada):
    session = factories.make_exchange_session(
        ada, on=date(2026, 6, 2), hbs_before_pct=None, hbs_after_pct=None, hb_before_g_l=None, hb_after_g_l=None
    )
    arrive(site, row())
    assert waiting(site) == []
    assert session.result_links.get().position == "before"
