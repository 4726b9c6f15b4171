"""Erasing a record: nothing of the person is left, everybody else is untouched, and the trail still proves itself."""

import json
from datetime import date, timedelta

import pytest
from django.apps import apps
from django.core import serializers
from django.core.exceptions import ValidationError
from django.db import DatabaseError, connection, transaction
from django.utils import timezone

from patients.models import Patient
from programme.booking.models import Booking, Proposal
from programme.core import guards, seals, trail
from programme.core.models import Erasure, Receipt, Role, TrailEntry, User
from programme.custody.queries.erasing import digest_of
from programme.custody.queries.held import HELD
from programme.custody.services import asking
from programme.custody.services.erasing import erase
from programme.intake.models import InboxItem, RawMessage, Reading, ReadResult
from programme.planning.models import ReplanChunk, ReplanRun
from programme.supply.models import BloodOrder, DemandForecast, OrderEvent, SuppliedUnit
from sessions.models import ExchangeSession
from tests import factories
from tests.factories import NOW
from tests.programme.core.test_access import make_person
from tests.test_project_rules import STAGES
from tests.whole_person import fill

pytestmark = pytest.mark.django_db
OURS = [model for model in apps.get_models() if model._meta.app_label in STAGES]
LONG_AGO = date(1970, 5, 4)
REF, NAME, BORN = "QZ-17", "Secretnameqz-17", "1951-02-03"
OF_MANY = {"booking.Proposal", "supply.DemandForecast", "planning.ReplanChunk", "core.Erasure"}
"""Tables of which a row about several people, or about the erasure itself, is written and not deleted."""


@pytest.fixture
def consultant(site):
    return factories.make_user(role=Role.CONSULTANT, site=site)


@pytest.fixture
def administrator(site):
    return factories.make_user(role=Role.ADMINISTRATOR, site=site)


@pytest.fixture
def ada(site, consultant):
    """Of whom every table holds a row, and who left so long ago that nothing need be kept."""
    make_person(site, REF)
    User.objects.filter(username=f"signs.{REF}").update(username="signs.all")
    patient = Patient.objects.get(patient_ref=REF)
    fill(patient, consultant)
    Erasure.objects.update(withdrawn_by=consultant, withdrawn_at=NOW, withdrawn_why="asked in error")
    long_gone(patient)
    return Patient.objects.select_related("site").get(pk=patient.pk)


def long_gone(patient):
    """Put everything of a person so far back that every rule of keeping has run out."""
    Patient.objects.filter(pk=patient.pk).update(
        family_name=NAME, birth_date=BORN, standing="left", standing_since=LONG_AGO
    )
    sessions = ExchangeSession.objects.filter(patient=patient)
    sessions.exclude(state="closed").update(state="cancelled", ended_reason="not needed")
    for number, one in enumerate(sessions):
        ExchangeSession.objects.filter(pk=one.pk).update(on=LONG_AGO + timedelta(days=number))
    Booking.objects.filter(patient=patient).update(on=LONG_AGO, state="came")
    BloodOrder.objects.filter(patient=patient).update(state="ended")
    InboxItem.objects.filter(patient=patient).update(state="settled", choice="noted", settled_at=NOW)
    long_ago = NOW.replace(year=1970)
    patient.results.update(taken_on=LONG_AGO, taken_at=long_ago)
    patient.measures.update(on=LONG_AGO)
    patient.crossmatch_samples.update(taken_at=long_ago)
    patient.consents.update(given_on=LONG_AGO, valid_until=LONG_AGO)
    patient.course_notes.update(on=LONG_AGO)
    patient.checks_done.update(on=LONG_AGO)
    patient.haemolysis_signs.update(on=LONG_AGO)
    patient.adverse_events.update(at=long_ago)
    patient.follow_ups.update(done_at=None, done_by=None)
    patient.contacts.update(at=long_ago)
    patient.other_transfusions.update(on=LONG_AGO)


def agreed(patient, asked_by, agreed_by, *, days_ago=8, wait=7, kind="time_over"):
    """An erasure asked for and agreed so many days ago; the database compares with its own clock."""
    at = timezone.now() - timedelta(days=days_ago)
    factories.make_site_setting(site=patient.site, name="erasure_wait_days", value=wait, since=at - timedelta(days=1))
    row = asking.ask(
        patient=patient, kind=kind, reason="letter of 3 May", typed_ref=patient.patient_ref, actor=asked_by, at=at
    )
    return asking.agree(erasure=row, version=row.version, typed_ref=patient.patient_ref, actor=agreed_by, at=at)


def everything():
    """{table: {key: the row as text}}."""
    return {
        model._meta.label: {row.pk: serializers.serialize("json", [row]) for row in model._base_manager.order_by("pk")}
        for model in OURS
    }


def read(raw, number, *, reference="", result=None, **said):
    """A result of a message as it was read."""
    return ReadResult.objects.create(
        raw=raw, number=number, site=raw.site, source="lab", sent_id=f"s{number}", status="final", digest="d",
        said={"reference": reference, "birth_date": "", **said}, became="same", result=result,
    )  # fmt: skip


def stand_among_others(patient, other, by):
    """What is stored of many at once, with this person among them."""
    site = patient.site
    Proposal.objects.filter(site=site).update(
        changed={"out": [REF, "QZ-170"], "fixed": {REF: [1, "2026-06-01", 1]}},
        found={"placed": [{"patient_ref": REF}, {"patient_ref": "QZ-170", "trouble": f"{NAME}, Ada"}],
               "more": [f"{NAME}, Ada could come too."]},
        accepted={REF: 3, "QZ-170": 4},
    )  # fmt: skip
    DemandForecast.objects.create(
        site=site, as_of=NOW.date(), made_at=NOW, code_version="1", stretch=1, rows=[], left_out=["QZ-170", REF]
    )
    run = ReplanRun.objects.create(site=site, as_of=NOW.date(), started_at=NOW)
    ReplanChunk.objects.create(run=run, number=1, patient_keys=[other.pk, patient.pk])
    Receipt.objects.create(key="k1", actor=by, at=NOW, action="record result", outcome=f"/people/{REF}/records/")
    Receipt.objects.create(key="k2", actor=by, at=NOW, action="record result", outcome="/people/QZ-170/records/")
    order = BloodOrder.objects.create(
        patient=other, booking=factories.make_booking(other, site.chairs.first(), on=date(2026, 6, 10)), number=77,
        site=site, for_at=NOW, units=1, needs={}, order_by=NOW.date(), state="ended",
    )  # fmt: skip
    SuppliedUnit.objects.create(
        order=order, donation_number="G101726000777", arrived_at=NOW, state="given", given_to=patient
    )
    OrderEvent.objects.create(order=order, at=NOW, what="given", units=1, words=f"G101726000777: to {REF}")


def test_nothing_of_the_person_is_left_and_nobody_else_is_touched(site, ada, consultant, administrator):
    make_person(factories.make_site("elsewhere"), "ELSE-1")
    other = factories.make_exchange_session(factories.make_patient("QZ-170", site=site, family_name="Somebodyelse"))
    factories.make_unit(other)
    factories.make_result(other.patient)
    stand_among_others(ada, other.patient, consultant)
    seals.seal(site=site, at=NOW)
    row = agreed(ada, consultant, administrator)
    theirs = {held.table for held in HELD}
    before = everything()
    erased = erase(erasure=row, actor=None, at=timezone.now())
    after = everything()
    assert theirs - set(erased.rows) == set()  # of every table something went
    for table, rows in after.items():
        for key, text in rows.items():
            for secret in (REF, NAME, BORN):
                words = text.replace("QZ-170", "").replace(erased.reference_digest, "")
                assert secret.lower() not in words.lower(), f"{table} {key} still holds {secret}"
            if key in before[table]:
                was = before[table][key].replace(f"to {REF}", "to somebody")
                assert text == was or table in OF_MANY, f"{table} {key} of somebody else was changed"
        more = set(rows) - set(before[table])
        assert len(more) == (table == "core.TrailEntry"), f"{table}: {more} were added"
    went = {table: len(rows.keys() - after[table].keys()) for table, rows in before.items()}
    assert {table: count for table, count in went.items() if count} == erased.rows
    assert erased.left == []
    connection.check_constraints()  # no row points to one that is gone


def test_of_what_is_of_many_only_the_person_goes(site, ada, consultant, administrator):
    other = factories.make_patient("QZ-170", site=site)
    stand_among_others(ada, other, consultant)
    erase(erasure=agreed(ada, consultant, administrator), actor=None, at=timezone.now())
    proposal = Proposal.objects.get(site=site)
    assert proposal.changed == {"out": ["QZ-170"], "fixed": {}}
    assert proposal.accepted == {"QZ-170": 4}
    assert proposal.found["placed"] == [{"patient_ref": "QZ-170", "trouble": "somebody"}]
    assert DemandForecast.objects.get().left_out == ["QZ-170"]
    assert ReplanChunk.objects.get().patient_keys == [other.pk]
    assert list(Receipt.objects.values_list("key", flat=True)) == ["k2"]
    assert OrderEvent.objects.get(order__number=77).words == "G101726000777: to somebody"


def test_what_others_wrote_of_the_person_is_left_and_told(site, ada, consultant, administrator):
    """Words that people typed into somebody else's record, and the unit's chain as it was written before."""
    other = factories.make_patient("QZ-170", site=site)
    note = factories.make_course_note(other, by=consultant, words=f"sister of {REF}, called")
    factories.make_course_note(other, by=consultant, words="see QZ-170")
    elsewhere = factories.make_patient(REF, site=factories.make_site("elsewhere"))  # another unit's own reference
    said = trail.Change(site.pk, None, "accept a proposal", "booking.Proposal", 1, after={"accepted": {REF: 3}})
    trail.write([said], actor=consultant, at=NOW)
    erased = erase(erasure=agreed(ada, consultant, administrator), actor=None, at=timezone.now())
    assert erased.left == [
        "Rows about others or the unit that still hold the reference: Notes on the course, 1.",
        "Rows about others or the unit that still hold the reference: entries of the trail, 1.",
    ]
    note.refresh_from_db()
    assert REF in note.words
    assert Patient.objects.filter(pk=elsewhere.pk).exists()


# Messages


def test_a_message_about_others_too_stays_and_goes_with_the_last_of_them(site, ada, consultant, administrator):
    bo = factories.make_patient("QZ-2", site=site, family_name="Somebodyelse")
    both, alone = factories.make_raw_message(site, body=b"both"), factories.make_raw_message(site, body=b"alone")
    read(both, 1, reference=REF, result=ada.results.first())
    read(both, 2, reference="QZ-2", result=factories.make_result(bo, on=LONG_AGO))
    read(alone, 1, reference=REF)  # known already: it leads to nobody but by its reference
    unread = factories.make_raw_message(site, body=f"|{REF}|".encode())
    Reading.objects.filter(raw=unread).update(state="unreadable")
    of_others = factories.make_raw_message(site, body=b"others")
    read(of_others, 1, reference="QZ-170")
    first = erase(erasure=agreed(ada, consultant, administrator), actor=None, at=timezone.now())
    kept = set(RawMessage.objects.values_list("pk", flat=True))
    assert {both.pk, unread.pk, of_others.pk} == kept
    assert first.left == [
        "Messages about other people too, which go with the last of these: 1.",
        "Messages that were never read and hold the reference: 1.",
    ]
    assert [one.said["reference"] for one in both.read_results.all()] == ["QZ-2"]
    long_gone(bo)
    Patient.objects.filter(pk=bo.pk).update(family_name="Else")
    bo.refresh_from_db()
    second = erase(erasure=agreed(bo, consultant, administrator), actor=None, at=timezone.now())
    assert second.raw_keys == [both.pk]
    assert set(RawMessage.objects.values_list("pk", flat=True)) == {unread.pk, of_others.pk}


def test_what_was_decided_to_be_somebody_elses_stays_theirs(site, ada, consultant, administrator):
    """An item that was first taken for one person and filed for another is about both."""
    bo = factories.make_patient("QZ-2", site=site)
    raw, result = factories.make_raw_message(site), factories.make_result(bo)
    one = read(raw, 1, reference=REF, result=result)
    item = InboxItem.objects.create(
        site=site, raw=raw, read_result=one, patient=ada, result=result, severity=1, reason="reference_differs",
        sentence=f"Sent for {REF}", at=NOW, state="settled", choice="person:2", settled_at=NOW,
        about={"near": [ada.pk]},
    )  # fmt: skip
    erase(erasure=agreed(ada, consultant, administrator), actor=None, at=timezone.now())
    item.refresh_from_db()
    one.refresh_from_db()
    assert (item.patient, item.result, item.read_result) == (None, result, one)
    assert (item.sentence, item.about) == ("It also named somebody whose record was erased.", {})
    assert (one.result, one.said["reference"]) == (result, "")
    assert RawMessage.objects.filter(pk=raw.pk).exists()


# The trail


def test_the_trail_is_whole_without_the_chains_that_the_erasure_names_and_with_them_only(
    site, ada, consultant, administrator
):
    bo = factories.make_patient("QZ-2", site=site)
    trail.write([trail.Change(site.pk, bo.pk, "change", "goals", 1)], actor=consultant, at=NOW)
    seals.seal(site=site, at=NOW)
    row = agreed(ada, consultant, administrator)  # writes two entries after the seal
    ends = trail.ends_of(set(trail.chains_of(ada.pk)))
    assert len(ends) == 2
    erase(erasure=row, actor=consultant, at=timezone.now())
    assert not TrailEntry.objects.filter(patient_key=ada.pk).exists()
    assert seals.faults() == []
    entry = TrailEntry.objects.get(action=seals.ERASED)
    assert entry.chain == f"site:{site.pk}"
    assert entry.actor == consultant
    assert entry.after["ends"] == {chain: list(end) for chain, end in ends.items()}
    assert entry.after["reference"] == digest_of(REF, site.code)
    assert (entry.after["asked_by"], entry.after["agreed_by"]) == (consultant.full_name, administrator.full_name)
    assert entry.after["rows"]["patients.Patient"] == 1
    assert REF not in json.dumps([entry.after, entry.why])
    guards.drop()
    TrailEntry.objects.filter(patient_key=bo.pk).delete()
    guards.make()
    [fault] = seals.faults()
    assert fault.startswith(f"patient:{bo.pk}: entry 1 ended in")


def test_a_chain_that_is_gone_without_its_person_having_been_erased_is_a_fault_whatever_an_entry_says(
    site, consultant, administrator
):
    bo = factories.make_patient("QZ-2", site=site)
    trail.write([trail.Change(site.pk, bo.pk, "change", "goals", 1)], actor=consultant, at=NOW)
    ends = {chain: list(end) for chain, end in trail.ends_of({f"patient:{bo.pk}"}).items()}
    seals.seal(site=site, at=NOW)
    guards.drop()
    TrailEntry.objects.filter(patient_key=bo.pk).delete()
    guards.make()
    said = trail.Change(site.pk, None, seals.ERASED, "core.Erasure", 1, after={"ends": ends})
    trail.write([said], actor=consultant, at=NOW)
    assert seals.faults() == [f"site:{site.pk}, entry 2: says a record was erased that nobody signed for"]


@pytest.mark.parametrize("forged", [[1, "0" * 64], [3, "0" * 64]])
def test_an_erasure_that_names_another_end_than_was_sealed_hides_nothing(site, consultant, forged):
    """Number and hash of the erased end must go on from what was sealed before."""
    for _ in range(3):
        trail.write([trail.Change(site.pk, 77, "change", "goals", 1)], actor=consultant, at=NOW)
    seals.seal(site=site, at=NOW)
    guards.drop()
    TrailEntry.objects.filter(patient_key=77).delete()
    guards.make()
    said = trail.Change(site.pk, None, seals.ERASED, "core.Erasure", 1, after={"ends": {"patient:77": forged}})
    trail.write([said], actor=consultant, at=NOW)
    assert any(fault.startswith("patient:77: entry 3 ended in") for fault in seals.faults())


def test_a_trail_with_a_fault_is_not_erased_away(site, ada, consultant, administrator):
    row = agreed(ada, consultant, administrator)
    guards.drop()
    TrailEntry.objects.filter(chain=f"patient:{ada.pk}", number=1).update(why="another reason")
    guards.make()
    with pytest.raises(ValidationError, match="was changed after it was written"):
        erase(erasure=row, actor=None, at=timezone.now())
    assert Patient.objects.filter(pk=ada.pk).exists()


# The database refuses by itself


def delete_directly(table, key):
    with transaction.atomic(), connection.cursor() as cursor:
        cursor.execute(f"DELETE FROM {table} WHERE id = %s", [key])


def refused(table, key, words):
    with pytest.raises(DatabaseError, match=words):
        delete_directly(table, key)


def test_no_entry_of_the_trail_and_no_message_goes_before_an_erasure_is_due(site, consultant, administrator):
    ada = factories.make_patient("QZ-2", site=site)
    [entry] = trail.write([trail.Change(site.pk, ada.pk, "change", "goals", 1)], actor=None, at=NOW)
    raw = factories.make_raw_message(site)
    Reading.objects.filter(raw=raw).delete()

    def none_goes():
        refused("core_trailentry", entry.pk, "the trail can only grow")
        refused("intake_rawmessage", raw.pk, "a message is kept as it came")

    none_goes()
    now = timezone.now()
    row = factories.make_erasure(ada, by=consultant, raw_keys=[raw.pk], asked_at=now - timedelta(days=9))
    none_goes()  # one signature
    signed = {"agreed_at": now - timedelta(days=8), "due_at": now - timedelta(days=1)}
    with pytest.raises(DatabaseError, match="erasure_two_people"), transaction.atomic():
        Erasure.objects.filter(pk=row.pk).update(agreed_by=consultant, **signed)
    none_goes()  # the same user twice
    early = {**signed, "due_at": now + timedelta(hours=1)}
    Erasure.objects.filter(pk=row.pk).update(agreed_by=administrator, **early)
    none_goes()  # before the wait is over
    with pytest.raises(DatabaseError, match="stays as it was signed"), transaction.atomic():
        Erasure.objects.filter(pk=row.pk).update(due_at=now - timedelta(days=1))
    Erasure.objects.filter(pk=row.pk).update(withdrawn_by=consultant, withdrawn_at=now, withdrawn_why="not needed")
    factories.make_erasure(ada, by=consultant, asked_at=now - timedelta(days=9), agreed_by=administrator, **signed)
    refused("intake_rawmessage", raw.pk, "a message is kept as it came")  # not one of this erasure's messages
    [other] = trail.write([trail.Change(site.pk, ada.pk + 1, "change", "goals", 1)], actor=None, at=NOW)
    refused("core_trailentry", other.pk, "the trail can only grow")  # of somebody else
    delete_directly("core_trailentry", entry.pk)


def test_what_was_signed_is_neither_changed_nor_deleted(site, consultant, administrator):
    ada, now = factories.make_patient("QZ-2", site=site), timezone.now()
    row = factories.make_erasure(
        ada, by=consultant, asked_at=now - timedelta(days=9), agreed_by=administrator, agreed_at=now, due_at=now
    )
    for change in (
        {"reason": "another"},
        {"patient_key": ada.pk + 1},
        {"asked_by": administrator},
        {"agreed_by": None},
    ):
        with pytest.raises(DatabaseError, match="stays as it was signed"), transaction.atomic():
            Erasure.objects.filter(pk=row.pk).update(**change)
    refused("core_erasure", row.pk, "stays as it was signed")
    Erasure.objects.filter(pk=row.pk).update(done_at=timezone.now())
    with pytest.raises(DatabaseError, match="stays as it was signed"), transaction.atomic():
        Erasure.objects.filter(pk=row.pk).update(done_at=None)


def test_after_it_is_done_nothing_more_goes(site, ada, consultant, administrator):
    row = agreed(ada, consultant, administrator)
    erase(erasure=row, actor=None, at=timezone.now())
    [late] = trail.write([trail.Change(site.pk, ada.pk, "saw", "course", seen=True)], actor=consultant, at=NOW)
    refused("core_trailentry", late.pk, "the trail can only grow")
    again = erase(erasure=row, actor=consultant, at=timezone.now())  # started twice, it changes nothing
    assert again.done_by is None
    assert TrailEntry.objects.filter(action=seals.ERASED).count() == 1
