"""The pages and the command of erasing: who sees what, who signs how, and what is said afterwards."""

import io
import json
import os
from datetime import timedelta

import pytest
import weasyprint
from django.core.management import CommandError, call_command
from django.utils import timezone

from patients.models import Patient
from programme.celery import schedule
from programme.core import backups, keeping, locked_files, seals, trail
from programme.core.models import Erasure, Role, TrailEntry
from programme.core.services import set_pin
from programme.custody.queries.erasing import digest_of
from programme.custody.services.erasing import erase
from programme.custody.tasks import erase_due
from tests import factories
from tests.conftest import client_of
from tests.factories import NOW, PASSWORD
from tests.programme.custody.test_asking_to_erase import make_gone

pytestmark = pytest.mark.django_db
PIN = "493817"


@pytest.fixture
def consultant(site):
    return factories.make_user(role=Role.CONSULTANT, site=site, with_password=True)


@pytest.fixture
def administrator(site):
    user = factories.make_user(role=Role.ADMINISTRATOR, site=site, with_password=True)
    set_pin(user=user, pin=PIN, at=NOW)
    return user


@pytest.fixture
def gone(site):
    return make_gone(site, family_name="Larkspur", given_name="Posy")


def sent(**fields):
    fields.setdefault("receipt", f"k{timezone.now().timestamp()}")
    return fields


def asked(patient, by):
    answer = client_of(by).post(
        f"/people/{patient.patient_ref}/erase/",
        sent(kind="time_over", reason="letter of 3 May", typed_ref=patient.patient_ref, secret=PASSWORD),
    )
    assert answer.status_code == 302, answer.content.decode()
    return Erasure.objects.get(patient_key=patient.pk)


def due_since_yesterday(patient, asked_by, agreed_by):
    now = timezone.now()
    return factories.make_erasure(
        patient, by=asked_by, asked_at=now - timedelta(days=9), agreed_by=agreed_by,
        agreed_at=now - timedelta(days=8), due_at=now - timedelta(days=1),
    )  # fmt: skip


def test_who_asks_sees_first_what_stands_against_it_and_what_would_go(site, gone, consultant):
    client = client_of(consultant)
    page = client.get(f"/people/{gone.patient_ref}/erase/").content.decode()
    assert "Against it now" not in page
    assert "The person&nbsp;1, " in page
    stays = factories.make_patient("STAYS", site=site)
    factories.make_booking(stays, factories.make_chair(site), on=timezone.now().date() + timedelta(days=7))
    page = client.get("/people/STAYS/erase/").content.decode()
    before_the_form = page[: page.index("<form class=")]
    assert "Against it now" in before_the_form
    assert "only the record of somebody who has left is erased" in before_the_form
    assert "A place is booked: cancel it." in before_the_form


def test_asked_by_one_agreed_by_another_and_done_by_the_button(site, gone, consultant, administrator):
    row, admin = asked(gone, consultant), client_of(administrator)
    there = f"/erasures/{row.pk}/"
    page = admin.get(there).content.decode()
    assert "R1" in page and "letter of 3 May" in page and "8 years after the last contact" in page
    assert "Larkspur" not in page and "Posy" not in page and "1950" not in page
    assert f"{there}agree/" in page
    assert f"{there}agree/" not in client_of(consultant).get(there).content.decode()  # who asked is offered no button
    agreed = admin.post(f"{there}agree/", sent(version=1, typed_ref="R1", secret=PIN))
    assert agreed.status_code == 302
    assert "until then it can be withdrawn" in admin.get(there).content.decode()
    early = admin.post(f"{there}carry-out/", sent(version=2, secret=PIN))
    assert b"This is not due" in early.content
    assert Patient.objects.filter(pk=gone.pk).exists()


@pytest.mark.django_db(transaction=True)
def test_once_due_the_button_erases_and_the_page_says_how_much(gone, consultant, administrator, settings, tmp_path):
    settings.BACKUP_FOLDER = tmp_path
    row, admin = due_since_yesterday(gone, consultant, administrator), client_of(administrator)
    there = f"/erasures/{row.pk}/"
    assert f"{there}carry-out/" in admin.get(there).content.decode()
    assert admin.post(f"{there}carry-out/", sent(version=1, secret=PIN)).status_code == 302
    assert not Patient.objects.filter(pk=gone.pk).exists()
    page = admin.get(there).content.decode()
    assert "What went" in page and "The person" in page
    assert "Backups, exports and prints made before still hold the person" in page
    assert ">R1<" not in page
    assert client_of(consultant).get("/people/R1/records/").status_code == 404
    [line] = (tmp_path / backups.ERASED_LIST).read_text().splitlines()
    assert json.loads(line)["person"] == gone.pk
    assert "R1" not in line
    again = admin.post(f"{there}carry-out/", sent(version=2, secret=PIN))
    assert again.status_code == 302
    assert TrailEntry.objects.filter(action=seals.ERASED).count() == 1


@pytest.mark.parametrize("step", ["agree", "withdraw", "carry-out"])
def test_a_wrong_password_signs_nothing_and_is_recorded(gone, consultant, administrator, step):
    row = (
        due_since_yesterday(gone, consultant, administrator)
        if step == "carry-out"
        else factories.make_erasure(gone, by=consultant)
    )
    given = sent(version=1, typed_ref="R1", reason="no", secret="not mine")
    answer = client_of(administrator).post(f"/erasures/{row.pk}/{step}/", given)
    assert b"Name and PIN do not fit together" in answer.content
    row.refresh_from_db()
    assert row.version == 1
    assert Patient.objects.filter(pk=gone.pk).exists()
    assert TrailEntry.objects.filter(action="refused a name and PIN", actor=administrator).count() == 1


def test_a_colleagues_password_does_not_sign_for_them_here(gone, consultant, administrator):
    """At the consultant's screen the administrator cannot agree: who signs is who is signed in."""
    row = factories.make_erasure(gone, by=consultant)
    answer = client_of(consultant).post(f"/erasures/{row.pk}/agree/", sent(version=1, typed_ref="R1", secret=PIN))
    assert b"Name and PIN do not fit together" in answer.content
    answer = client_of(consultant).post(f"/erasures/{row.pk}/agree/", sent(version=1, typed_ref="R1", secret=PASSWORD))
    assert b"Who asked cannot agree" in answer.content
    row.refresh_from_db()
    assert row.agreed_by is None


def test_what_stands_against_it_is_said_on_the_page_and_nothing_is_stored(site, consultant):
    factories.make_patient("R2", site=site)
    client = client_of(consultant)
    assert b"They are on the programme" in client.get("/people/R2/erase/").content
    answer = client.post("/people/R2/erase/", sent(kind="own_wish", reason="a letter", typed_ref="R2", secret=PASSWORD))
    page = answer.content.decode()
    assert "This record cannot be erased now." in page and "They are on the programme" in page
    assert "a letter" in page  # what was typed is kept
    assert not Erasure.objects.exists()


def test_withdrawn_on_its_page(gone, consultant, administrator):
    row = due_since_yesterday(gone, consultant, administrator)
    answer = client_of(consultant).post(
        f"/erasures/{row.pk}/withdraw/", sent(version=1, reason="local policy keeps longer", secret=PASSWORD)
    )
    assert answer.status_code == 302
    page = client_of(administrator).get(f"/erasures/{row.pk}/").content.decode()
    assert "local policy keeps longer" in page
    assert "carry-out" not in page
    call_command("erase_people")
    assert Patient.objects.filter(pk=gone.pk).exists()


def test_an_erasure_of_another_unit_is_unknown(other_site, consultant, administrator):
    theirs = factories.make_erasure(make_gone(other_site, "R9"), by=consultant)
    for path in ("", "agree/", "withdraw/", "carry-out/", "record/"):
        assert client_of(administrator).get(f"/erasures/{theirs.pk}/{path}").status_code == 404


def test_who_looked_is_written_with_the_person_while_there_is_one(gone, consultant, administrator):
    row = factories.make_erasure(gone, by=consultant)
    client_of(administrator).get(f"/erasures/{row.pk}/")
    client_of(administrator).get("/erasures/")
    looks = TrailEntry.objects.filter(actor=administrator, action="saw").order_by("pk")
    assert [(one.row_kind, one.patient_key) for one in looks] == [("erasure", gone.pk), ("erasures", None)]


@pytest.mark.parametrize("how_many", [1, 3])
def test_the_list_takes_the_same_queries_for_one_and_for_three(
    site, consultant, administrator, how_many, django_assert_num_queries
):
    for number in range(how_many):
        factories.make_erasure(make_gone(site, f"R{number}"), by=consultant)
    client = client_of(administrator)
    client.get("/erasures/")
    with django_assert_num_queries(4):  # session, who is signed in, site, erasures
        page = client.get("/erasures/").content.decode()
    assert page.count("waits for a second person") == how_many


def test_the_paper_says_who_signed_and_no_word_of_the_record(gone, consultant, administrator, monkeypatch):
    set_from = []
    monkeypatch.setattr(weasyprint.HTML, "__init__", lambda self, string, **_: set_from.append(string))
    monkeypatch.setattr(weasyprint.HTML, "write_pdf", lambda self, **_: b"%PDF")
    row = due_since_yesterday(gone, consultant, administrator)
    answer = client_of(administrator).get(f"/erasures/{row.pk}/record/")
    assert answer["Content-Type"] == "application/pdf"
    assert "R1" not in answer["Content-Disposition"]
    erase(erasure=row, actor=None, at=timezone.now())
    client_of(administrator).get(f"/erasures/{row.pk}/record/")
    before, after = set_from
    assert ">R1<" in before and ">R1<" not in after
    for text in set_from:
        assert consultant.full_name in text and administrator.full_name in text
        assert "Larkspur" not in text and "1950" not in text
        assert "Backups, exports and prints made before still hold the person" in text
    row.refresh_from_db()
    assert row.reference_digest in after


# The command and the night


def test_the_command_erases_what_is_due_goes_on_after_a_refusal_and_can_be_started_again(
    site, gone, consultant, administrator, settings, tmp_path
):
    settings.BACKUP_FOLDER = tmp_path
    kept, second = make_gone(site, "R2"), make_gone(site, "R3")
    for one in (kept, gone, second):
        due_since_yesterday(one, consultant, administrator)
    factories.make_exchange_session(kept)
    said = io.StringIO()
    call_command("erase_people", "--dry-run", stdout=said)
    assert said.getvalue().count("is due since") == 3
    said, faults = io.StringIO(), io.StringIO()
    with pytest.raises(CommandError, match="1 of 3 records were not erased"):
        call_command("erase_people", stdout=said, stderr=faults)
    assert said.getvalue().count("is erased, ") == 2
    assert "must be kept until" in faults.getvalue()
    assert set(Patient.objects.values_list("patient_ref", flat=True)) == {"R2"}
    assert len((tmp_path / backups.ERASED_LIST).read_text().splitlines()) == 2
    with pytest.raises(CommandError, match="1 of 1"):
        call_command("erase_people", stderr=faults)
    assert len((tmp_path / backups.ERASED_LIST).read_text().splitlines()) == 2
    assert seals.faults() == []


def test_files_that_waited_too_long_to_be_brought_in_go_with_the_night(settings, tmp_path):
    """They may name anybody, and nobody looks into them."""
    settings.VAR_DIR = tmp_path
    folder = tmp_path / "uploads"
    folder.mkdir()
    for name, hours in (("1.old.csv", 13), ("1.new.csv", 11)):
        (folder / name).write_text("R1")
        at = (timezone.now() - timedelta(hours=hours)).timestamp()
        os.utime(folder / name, (at, at))
    erase_due()
    assert [path.name for path in folder.iterdir()] == ["1.new.csv"]


def test_one_that_fails_half_way_leaves_everything(gone, consultant, administrator, monkeypatch):
    row = due_since_yesterday(gone, consultant, administrator)

    def fails(*_, **__):
        raise OSError("the disk is full")

    monkeypatch.setattr(trail, "write", fails)
    with pytest.raises(OSError, match="disk"):
        erase(erasure=row, actor=None, at=timezone.now())
    assert Patient.objects.filter(pk=gone.pk).exists()
    row.refresh_from_db()
    assert row.is_open


def test_the_night_erases_before_it_seals(gone, consultant, administrator):
    due_since_yesterday(gone, consultant, administrator)
    erase_due()
    assert not Patient.objects.exists()
    nightly = schedule(backed_up=True)
    assert nightly["nightly-erasing"]["task"] == "erase_due"
    minutes = [min(nightly[name]["schedule"].minute) for name in ("nightly-erasing", "nightly-seal")]
    assert minutes == sorted(minutes)


def test_the_list_beside_the_backups_outlives_the_database(gone, consultant, administrator, tmp_path):
    erase(erasure=due_since_yesterday(gone, consultant, administrator), actor=None, at=timezone.now())
    other = tmp_path / "elsewhere"
    other.mkdir()
    line = {"site": "saltmarsh", "number": "E00009", "person": 17, "erased_at": "2026-05-01T00:00:00+00:00"}
    (other / backups.ERASED_LIST).write_text(json.dumps(line | {"reference": "d"}) + "\n")
    assert backups.note_erased(other) == 1
    assert backups.note_erased(other) == 0
    assert [one["person"] for one in backups.erased_since(other)] == [17]  # what the list held before stays in it
    assert backups.erased_since(tmp_path) == []


def test_a_restore_says_whose_record_is_back(gone, site, consultant, administrator, tmp_path):
    """As in the database of an older backup: the person is there, and nothing is known of the erasure."""
    line = {"site": site.code, "number": "E00001", "erased_at": "2026-05-01T00:00:00+00:00"}
    other = make_gone(site, "R2")  # somebody who was given the key of a row that is gone
    lines = [
        line | {"person": gone.pk, "reference": digest_of("R1", site.code)},
        line | {"person": other.pk, "reference": digest_of("R1", site.code)},
        line | {"person": 999, "reference": digest_of("R9", site.code)},
    ]
    (tmp_path / backups.ERASED_LIST).write_text("".join(json.dumps(one) + "\n" for one in lines))
    said = io.StringIO()
    with pytest.raises(CommandError, match="Ask for each again"):
        call_command("erase_people", "--back", str(tmp_path), stdout=said)
    assert said.getvalue() == "saltmarsh: R1 is back, erased on 2026-05-01 as E00001.\n"
    assert Patient.objects.count() == 2
    said = io.StringIO()
    call_command("erase_people", "--back", str(tmp_path / "empty"), stdout=said)
    assert said.getvalue() == "Nobody of that list is back.\n"


def test_restoring_says_so_before_anybody_works_with_it(site, tmp_path, monkeypatch):
    """The reading and filling are tested with backups; here, what is said at their end."""
    line = {"site": site.code, "number": "E00004", "person": 17, "erased_at": "2026-05-01T00:00:00+00:00"}
    told = keeping.Told("2026-04-30", {"core.site": 1})
    monkeypatch.setattr(locked_files, "read_lines", lambda *_, **__: iter(()))
    monkeypatch.setattr(keeping, "load", lambda *_, **__: told)
    said, loud = io.StringIO(), io.StringIO()
    call_command("restore", tmp_path / "one", "--key-file", tmp_path / "key", stdout=said, stderr=loud)
    assert "hold it against the papers too" in said.getvalue()
    (tmp_path / backups.ERASED_LIST).write_text(json.dumps(line | {"reference": "d"}) + "\n")
    call_command("restore", tmp_path / "one", "--key-file", tmp_path / "key", stdout=said, stderr=loud)
    assert "BACK AGAIN: person number 17 of saltmarsh was erased on 2026-05-01 (E00004)" in loud.getvalue()
