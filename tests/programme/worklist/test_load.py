"""The page that brings past records in: choose, look, answer, confirm; nothing is written before."""

import csv
import io
import re
from datetime import timedelta
from pathlib import Path
from typing import Any

import pytest
import time_machine
from django.core.files.uploadedfile import SimpleUploadedFile
from django.http import HttpResponse
from django.test import Client
from django.urls import reverse

from patients.models import Patient
from programme.core.models import Receipt, Site, TrailEntry, User
from programme.worklist import uploads
from sessions.models import ExchangeSession
from tests import factories

EXAMPLE = Path(__file__).parents[3] / "fixtures" / "history_example.csv"
CHOOSE = "/bring-in/"

pytestmark = [pytest.mark.django_db, pytest.mark.usefixtures("frozen_day")]


@pytest.fixture(autouse=True)
def var_dir(settings: Any, tmp_path: Path) -> Path:
    settings.VAR_DIR = tmp_path
    return tmp_path


def changed(**cells: str) -> bytes:
    """The example with some cells of its first row changed."""
    rows = list(csv.DictReader(EXAMPLE.read_text().splitlines()))
    rows[0] |= cells
    text = io.StringIO()
    writer = csv.DictWriter(text, list(rows[0]))
    writer.writeheader()
    writer.writerows(rows)
    return text.getvalue().encode()


def choose(client: Client, data: bytes, name: str = "sessions.csv") -> str:
    """Choose a file; return the address at which it is looked at."""
    answer = client.post(CHOOSE, {"file": SimpleUploadedFile(name, data, "text/csv")})
    assert answer.status_code == 302
    return str(answer["Location"])


def receipt_of(page: HttpResponse) -> str:
    found = re.search(r'name="receipt" value="([^"]+)"', page.content.decode())
    assert found is not None
    return found[1]


def questions_of(page: HttpResponse) -> list[str]:
    return sorted(set(re.findall(r'type="radio" name="(q[0-9a-f]+)"', page.content.decode())))


def words_of(page: HttpResponse) -> str:
    return re.sub(r"\s+", " ", re.sub(r"<[^>]+>", " ", page.content.decode()))


def test_a_good_file_goes_in_once_it_is_confirmed(nurse_client: Client, nurse: User) -> None:
    address = choose(nurse_client, EXAMPLE.read_bytes())
    page = nurse_client.get(address)
    words = words_of(page)
    assert "would add 3 people, 13 sessions, 51 results" in words
    assert "ceiling 30 for 3 people, 40 for 1 person" in words
    assert Patient.objects.count() == 0
    done = nurse_client.post(address, {"receipt": receipt_of(page)})
    assert (done.status_code, done["Location"]) == (302, reverse("worklist:list"))
    assert ExchangeSession.objects.count() == 13
    assert set(TrailEntry.objects.values_list("actor", flat=True)) == {nurse.pk}


def test_faults_are_shown_and_cannot_be_confirmed(nurse_client: Client) -> None:
    address = choose(nurse_client, changed(hb_pre_g_l="9.2", session_date="31/02/2024"))
    page = nurse_client.get(address)
    words = words_of(page)
    assert "Not yet: 1 row has a fault in sessions.csv" in words
    assert "31/02/2024" in words and "a real date as 2024-02-28" in words and "Looks like g/dL" in words
    assert "As the file has it, around row 2" in words
    assert re.search(r"<button[^>]* form=\"confirm\" disabled", page.content.decode())
    nurse_client.post(address, {"receipt": receipt_of(page)})
    assert ExchangeSession.objects.count() == 0
    assert Receipt.objects.count() == 0


def test_all_faults_can_be_had_as_a_list(nurse_client: Client) -> None:
    address = choose(nurse_client, changed(weight_kg="nan", units="four"))
    listed = nurse_client.get(f"{address}faults/")
    assert listed["Content-Type"] == "text/plain; charset=utf-8"
    lines = listed.content.decode().splitlines()
    assert [line.split(":")[0] for line in lines] == ["row 2, weight_kg", "row 2, units"]


def test_every_question_must_be_answered(nurse_client: Client) -> None:
    address = choose(nurse_client, changed(hbs_pre_pct="17.2", hbs_post_pct="38.4"))
    page = nurse_client.get(address)
    (key,) = questions_of(page)
    assert "HbS rose from 17.2 to 38.4 over an exchange" in words_of(page)
    silent = nurse_client.post(address, {"receipt": receipt_of(page)})
    assert (silent.status_code, ExchangeSession.objects.count()) == (422, 0)
    assert "Every question needs an answer" in words_of(silent)
    wrong = nurse_client.post(address, {"receipt": receipt_of(page), key: "wrong"})
    assert (wrong.status_code, ExchangeSession.objects.count()) == (422, 0)
    assert "put it right there and choose the file again" in words_of(wrong)
    nurse_client.post(address, {"receipt": receipt_of(page), key: "as it stands"})
    assert ExchangeSession.objects.count() == 13
    kept = TrailEntry.objects.get(after__sessions__0="2026-01-06").after
    assert kept["answers"] == {"HbS rose from 17.2 to 38.4 over an exchange": "as it stands"}


def test_many_questions_of_one_kind_are_answered_together(nurse_client: Client) -> None:
    rows = list(csv.DictReader(EXAMPLE.read_text().splitlines()))
    lines = [",".join(rows[0])]
    for row in rows:
        row |= {"hbs_pre_pct": "12", "hbs_post_pct": "13"}
        lines.append(",".join(row.values()))
    address = choose(nurse_client, "\n".join(lines).encode())
    page = nurse_client.get(address)
    assert len(questions_of(page)) == 1
    assert "13 times" in words_of(page)


def test_the_same_file_again_changes_nothing(nurse_client: Client) -> None:
    for _ in range(2):
        address = choose(nurse_client, EXAMPLE.read_bytes())
        page = nurse_client.get(address)
        nurse_client.post(address, {"receipt": receipt_of(page)})
    assert "Nothing new: all 13 sessions" in words_of(page)
    assert ExchangeSession.objects.count() == 13


def test_a_double_enter_brings_in_once(nurse_client: Client, var_dir: Path) -> None:
    address = choose(nurse_client, EXAMPLE.read_bytes())
    receipt = receipt_of(nurse_client.get(address))
    nurse_client.post(address, {"receipt": receipt})
    again = nurse_client.post(address, {"receipt": receipt})
    assert again.status_code == 302
    assert ExchangeSession.objects.count() == 13
    assert list((var_dir / "uploads").iterdir()) == []


def test_without_its_one_time_key_nothing_is_written(nurse_client: Client) -> None:
    address = choose(nurse_client, EXAMPLE.read_bytes())
    nurse_client.post(address, {})
    assert ExchangeSession.objects.count() == 0


def test_a_file_changed_between_look_and_confirm_is_not_brought_in(nurse_client: Client, var_dir: Path) -> None:
    address = choose(nurse_client, EXAMPLE.read_bytes())
    receipt = receipt_of(nurse_client.get(address))
    (kept,) = (var_dir / "uploads").iterdir()
    kept.write_bytes(changed(units="6"))
    answer = nurse_client.post(address, {"receipt": receipt}, follow=True)
    assert "no longer kept here" in words_of(answer)
    assert ExchangeSession.objects.count() == 0


def test_a_conflict_that_arose_meanwhile_stops_it(nurse_client: Client, site: Site) -> None:
    address = choose(nurse_client, EXAMPLE.read_bytes())
    receipt = receipt_of(nurse_client.get(address))
    patient = factories.make_patient("EX-01", site=site, birth_date=None)
    factories.make_exchange_session(patient, on=factories.date(2026, 1, 6))
    answer = nurse_client.post(address, {"receipt": receipt}, follow=True)
    assert "nothing was written" in words_of(answer)
    assert "Stored already with other values" in words_of(answer)
    assert ExchangeSession.objects.count() == 1


def test_somebody_elses_file_is_unknown(nurse_client: Client, consultant_client: Client) -> None:
    address = choose(nurse_client, EXAMPLE.read_bytes())
    assert consultant_client.get(address)["Location"] == CHOOSE
    assert consultant_client.get(f"{address}faults/")["Location"] == CHOOSE


def test_a_coordinator_may_not_bring_records_in(coordinator_client: Client) -> None:
    assert coordinator_client.get(CHOOSE).status_code == 403


@pytest.mark.parametrize("token", ["x", "../../etc/passwd", "A" * 32])
def test_an_invented_token_opens_nothing(token: str, nurse_client: Client) -> None:
    assert nurse_client.get(f"/bring-in/{token}/").status_code in (302, 404)


def test_no_file_and_too_large_a_file_are_refused(nurse_client: Client, monkeypatch: pytest.MonkeyPatch) -> None:
    assert "Choose a file first" in words_of(nurse_client.post(CHOOSE))
    monkeypatch.setattr(uploads, "MOST_BYTES", 100)
    answer = nurse_client.post(CHOOSE, {"file": SimpleUploadedFile("big.csv", b"x" * 101)})
    assert (answer.status_code, "load_history" in words_of(answer)) == (422, True)


def test_few_files_are_kept_and_not_for_long(nurse_client: Client, var_dir: Path) -> None:
    for number in range(5):
        choose(nurse_client, changed(units=str(number)))
    assert len(list((var_dir / "uploads").iterdir())) == uploads.MOST_FILES_A_USER
    with time_machine.travel(factories.NOW + timedelta(days=200_000)):
        nurse_client.force_login(User.objects.get(role="nurse"))
        choose(nurse_client, EXAMPLE.read_bytes())
    assert len(list((var_dir / "uploads").iterdir())) == 1


def test_queries_do_not_grow_with_the_file(
    nurse_client: Client, django_assert_num_queries: Any, django_assert_max_num_queries: Any
) -> None:
    one = choose(nurse_client, b"\n".join(EXAMPLE.read_bytes().splitlines()[:2]))
    all_rows = choose(nurse_client, EXAMPLE.read_bytes())
    with django_assert_max_num_queries(12) as first:
        nurse_client.get(one)
    with django_assert_num_queries(len(first)):
        nurse_client.get(all_rows)


def test_a_name_with_markup_is_only_text(nurse_client: Client) -> None:
    address = choose(nurse_client, changed(patient_ref="<b>X</b>", units="<script>"), name="<i>.csv")
    text = nurse_client.get(address).content.decode()
    assert "<script>" not in text and "&lt;script&gt;" in text
    assert "<i>.csv" not in text
