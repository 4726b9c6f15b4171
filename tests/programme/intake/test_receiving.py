"""What a laboratory is answered, and that it is kept before it is answered."""

from __future__ import annotations

from datetime import timedelta

import pytest
from django.core.management import call_command
from django.db import DatabaseError

from programme.core.models import TrailEntry
from programme.intake.models import RawMessage, Reading, Refusal, Sender
from programme.intake.numeric.mllp import Frame
from programme.intake.services import receiving, refusals
from programme.intake.services.reading import read_all
from programme.intake.services.receiving import receive
from programme.intake.services.refusals import MOST_KEPT, note_refusal
from programme.intake.services.senders import digest_of_token, make_token, revoke_sender
from tests import factories
from tests.factories import NOW
from tests.programme.intake.numeric.test_hl7 import MSH, message, obx
from tests.programme.intake.test_reading import in_force, waiting


@pytest.fixture
def ada(site):
    return factories.make_patient("R001", site=site)


def send(site, body=None, *, too_large=False):
    return receive(site=site, frame=Frame(message() if body is None else body, too_large), at=NOW)


def test_a_message_is_kept_answered_and_read_afterwards(site, ada):
    received = send(site)
    raw = RawMessage.objects.get()
    assert (raw.sender, raw.message_id, bytes(raw.body)) == ("LAB at HOSP", "M1", message())
    assert received.answer == (b"MSH|^~\\&|EBB|UNIT|LAB|HOSP|20260601100000||ACK^R01|A%d|P|2.5.1\rMSA|AA|M1\r" % raw.pk)
    assert in_force(ada) == []
    assert read_all(clock=lambda: NOW) == 1
    assert [value for _, value, _ in in_force(ada)] == [31.5]


def test_a_message_that_comes_again_is_answered_again_and_kept_once(site, ada):
    assert send(site).code == send(site).code == "AA"
    assert RawMessage.objects.count() == Reading.objects.count() == 1


def test_what_is_kept_but_cannot_be_read_is_answered_ae_and_waits(site):
    received = send(site, message(obx(status="Q")))
    assert received.code == "AE" and b"MSA|AE|M1|segment 4 (OBX): OBX-11 is 'Q'" in received.answer
    assert send(site, message(obx(status="Q"))).code == "AE" and RawMessage.objects.count() == 1
    read_all(clock=lambda: NOW)
    assert waiting(site) == ["unreadable"]


@pytest.mark.parametrize(
    ("body", "too_large", "said"),
    [
        (b"", False, b"MSA|AR||It does not begin with an MSH segment."),
        (b"\x00\xff" * 50, False, b"MSA|AR||"),
        (b"MSH|^~\\&|", False, b"MSA|AR||MSH-9"),
        (message(), True, b"MSA|AR|M1|It is too large"),
        (message(msh=MSH.replace("ORU^R01^ORU_R01", "ADT^A01")), False, b"MSA|AR|M1|MSH-9 is 'ADT\\S\\A01'"),
        (message(msh=MSH.replace("|P|", "|D|")), False, b"MSA|AR|M1|MSH-11 is 'D'"),
        (message(msh=MSH.replace("|M1|", "||")), False, b"MSA|AR||MSH-10 has 0 letters"),
    ],
)
def test_what_is_refused_is_answered_ar_and_not_kept(site, body, too_large, said):
    received = send(site, body, too_large=too_large)
    assert received.code == "AR" and said in received.answer
    assert not RawMessage.objects.exists()


def test_a_message_that_could_not_be_stored_is_never_answered_as_if_it_were(site, monkeypatch):
    def full(**_):
        raise DatabaseError("disk full")

    monkeypatch.setattr(receiving, "keep_raw", full)
    assert b"MSA|AR|M1|It could not be stored. Send it again." in send(site).answer


# Who may send


@pytest.mark.parametrize("name", ["LAB", "HOSP", "LAB at HOSP"])
def test_where_senders_are_listed_only_they_may_send(site, other_site, name):
    make_token(site=site, name="Tidewater", at=NOW)
    assert b"MSA|AR|M1|This sender is not on the unit's list" in send(site).answer
    assert send(other_site).code == "AA"  # each unit has its own list
    make_token(site=site, name=name, at=NOW)
    assert send(site).code == "AA"
    assert RawMessage.objects.get(site=site).sender == name
    row = Sender.objects.get(name=name)
    revoke_sender(row=row, version=row.version, actor=None, at=NOW)
    assert send(site).code == "AR"


def test_a_trusted_senders_references_count_without_a_birth_date(site, ada):
    body = message(pid="PID|1||R001")
    send(site, body)
    read_all(clock=lambda: NOW)
    assert waiting(site) == ["no_birth_date"] and in_force(ada) == []
    make_token(site=site, name="LAB", at=NOW, trusts_references=True)
    send(site, body.replace(b"|M1|", b"|M2|").replace(b"F77", b"F78"))
    read_all(clock=lambda: NOW)
    assert len(in_force(ada)) == 1


def test_a_token_is_printed_once_and_only_its_digest_kept(site, capsys):
    call_command("make_token", "--sender", "Tidewater Laboratory")
    printed = capsys.readouterr()
    token = printed.out.strip()
    row = Sender.objects.get()
    assert row.token_digest == digest_of_token(token) and len(token) >= 40 and token not in printed.err
    assert (row.name, row.trusts_references) == ("Tidewater Laboratory", False)
    call_command("make_token", "--sender", "Tidewater Laboratory", "--trust-references")
    newer = capsys.readouterr().out.strip()
    row.refresh_from_db()
    assert newer != token and row.token_digest == digest_of_token(newer) and row.trusts_references
    assert TrailEntry.objects.filter(action="give sender a token").count() == 2
    assert token not in str(list(TrailEntry.objects.values_list("before", "after")))


# What the unit itself hears of a refusal


def test_what_was_refused_is_kept_with_its_reason_and_counted(site):
    send(site, too_large=True)
    send(site, too_large=True)
    send(site, b"not HL7")
    assert not RawMessage.objects.exists()
    rows = Refusal.objects.order_by("sender").values_list("sender", "kind", "words", "times")
    assert [(sender, kind, times) for sender, kind, _, times in rows] == [("", "hl7", 1), ("LAB at HOSP", "hl7", 2)]
    assert "MSH" in rows[0][2] and "too large" in rows[1][2]


def test_reasons_that_are_always_new_push_out_the_oldest(site, other_site):
    note_refusal(site=other_site, sender="LAB", kind="hl7", words="of another unit", at=NOW)
    for number in range(MOST_KEPT + 3):
        at = NOW + timedelta(minutes=number)
        note_refusal(site=site, sender="LAB", kind="hl7", words=f"reason {number}", at=at)
    words = set(Refusal.objects.filter(site=site).values_list("words", flat=True))
    assert words == {f"reason {number}" for number in range(3, MOST_KEPT + 3)}
    assert Refusal.objects.filter(site=other_site).count() == 1


def test_a_refusal_that_cannot_be_written_is_answered_all_the_same(site, monkeypatch, caplog):
    def fail(*_):
        raise DatabaseError("away")

    monkeypatch.setattr(refusals, "_keep", fail)
    assert send(site, b"not HL7").code == "AR"
    assert "could not be stored" in caplog.text


def test_of_a_refusal_no_value_is_kept_and_alike_ones_are_one(site):
    for number, reference in enumerate(("R2", 'it\'s "9"')):
        words = f"Allowed is the unit's own; Bundle.entry[{number}].subject.identifier is {reference!r}."
        note_refusal(site=site, sender="LAB", kind="fhir", words=words, at=NOW)
    assert list(Refusal.objects.values_list("words", "times")) == [
        ("Allowed is the unit's own; Bundle.entry[…].subject.identifier is ….", 2)
    ]
