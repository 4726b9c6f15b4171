"""The commands of results: what they print, and how they end."""

from __future__ import annotations

import json

import pytest
from django.core.management import CommandError, call_command

from patients.models import LabResult
from programme.intake.models import InboxItem, RawMessage
from tests import factories
from tests.programme.intake.test_reading import HEADER, row

pytestmark = pytest.mark.usefixtures("frozen_day")


@pytest.fixture
def ada(site):
    return factories.make_patient("R001", site=site)


@pytest.fixture
def results_file(tmp_path):
    def write(*rows, header=HEADER):
        path = tmp_path / "results.csv"
        path.write_text(header + "".join(rows), encoding="utf-8")
        return str(path)

    return write


def shown(capsys, *command):
    capsys.readouterr()
    call_command(*command)
    return json.loads(capsys.readouterr().out)


def test_a_file_is_taken_shown_and_taken_again_without_change(ada, results_file, capsys):
    path = results_file(row(), row(value="<5", result_id="A2"))
    call_command("import_results", path)
    assert "2 results: 1 filed, 1 wait in the inbox" in capsys.readouterr().err
    first = shown(capsys, "show_results", "--patient", "R001", "--format", "json")
    assert [one["in_force"] for one in first] == [True, False]
    names = ("code", "value", "unit", "taken_at", "status", "source", "source_key")
    assert {name: first[0][name] for name in names} == {
        "code": "4625-0", "value": 31.5, "unit": "%", "taken_at": "2026-06-01T07:30:00+01:00", "status": "final",
        "source": "Tidewater Laboratory", "source_key": "A1",
    }  # fmt: skip
    call_command("import_results", path)
    assert "nothing was changed" in capsys.readouterr().err
    assert shown(capsys, "show_results", "--patient", "R001", "--format", "json") == first
    (item,) = shown(capsys, "show_inbox", "--format", "json")
    assert item["patient_ref"] == "R001" and item["source"] == "Tidewater Laboratory"
    assert item["code"] == "comparator" and "less than 5" in item["reason"]
    assert item["received_at"].startswith("2026-06-01T10:00")


def test_one_fault_refuses_the_whole_file_by_row_and_column(ada, results_file, capsys):
    path = results_file(
        row(),
        row(value="thirty", result_id="A2", taken="0001-01-01T00:00:00+14:00"),
        row(taken="2026-06-01T07:30:00", result_id="", status="done"),
    )
    with pytest.raises(SystemExit) as ended:
        call_command("import_results", path)
    said = capsys.readouterr().err
    assert ended.value.code == 1
    for where in (
        "row 3, taken_at",
        "row 3, value: 'thirty'",
        "row 4, taken_at",
        "row 4, result_id",
        "row 4, status: 'done'",
    ):
        assert where in said
    assert not LabResult.objects.exists() and not RawMessage.objects.exists()


@pytest.mark.parametrize(
    ("header", "said"),
    [
        ("patient_ref,birth_date\n", "row 1, code"),
        ("", "row 1"),
        (HEADER.replace("unit", "value"), "row 1, unit"),
    ],
)
def test_a_header_that_is_not_whole_is_refused(ada, results_file, capsys, header, said):
    with pytest.raises(SystemExit):
        call_command("import_results", results_file(header=header))
    assert said in capsys.readouterr().err


@pytest.mark.parametrize("body", [b"\xff\xfe\x00", HEADER.encode() + b'R001,"open', HEADER.encode() + b"R001,x\n"])
def test_a_file_that_is_no_table_is_refused(ada, tmp_path, capsys, body):
    path = tmp_path / "results.csv"
    path.write_bytes(body)
    with pytest.raises(SystemExit):
        call_command("import_results", str(path))
    assert "Refused" in capsys.readouterr().err and not RawMessage.objects.exists()


def test_a_dry_run_writes_nothing(ada, results_file, capsys):
    call_command("import_results", results_file(row(), row(unit="", result_id="A2")), "--dry-run")
    said = capsys.readouterr().err
    assert "1 filed, 1 wait" in said and "row 3, R001: No unit was sent" in said
    assert not LabResult.objects.exists() and not RawMessage.objects.exists() and not InboxItem.objects.exists()


def test_wrong_use_and_refusals_end_differently(site, other_site, tmp_path):
    with pytest.raises(CommandError) as missing:
        call_command("import_results", str(tmp_path / "none.csv"))
    assert missing.value.returncode == 2
    with pytest.raises(CommandError, match="several sites") as several:
        call_command("show_inbox")
    assert several.value.returncode == 2
    with pytest.raises(CommandError, match="Nobody at saltmarsh") as nobody:
        call_command("show_results", "--patient", "Z", "--site", "saltmarsh")
    assert nobody.value.returncode == 1
