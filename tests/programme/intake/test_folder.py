"""The folder of a laboratory: whole files only, each kept before it is moved, refused ones with their reason."""

from __future__ import annotations

import os

import pytest
from django.core.management import CommandError, call_command

from patients.models import LabResult
from programme.intake.models import RawMessage
from programme.intake.services import folder as folder_service
from programme.intake.services.folder import collect
from tests import factories
from tests.factories import NOW
from tests.programme.intake.numeric.test_hl7 import message, obx
from tests.programme.intake.test_reading import HEADER, in_force, row, waiting


@pytest.fixture
def ada(site):
    return factories.make_patient("R001", site=site)


@pytest.fixture
def put(tmp_path):
    def write(name, body, *, age=60):
        path = tmp_path / name
        path.write_bytes(body)
        os.utime(path, (NOW.timestamp() - age,) * 2)
        return path

    return write


def look(tmp_path, site):
    return list(collect(tmp_path, site=site, clock=lambda: NOW, settled_for=5))


def lying_in(folder):
    return sorted(path.name for path in folder.iterdir() if path.is_file())


def test_files_of_both_kinds_are_filed_and_moved(site, ada, tmp_path, put):
    put("a.hl7", message())
    put("b.csv", (HEADER + row(code="718-7", value="94", unit="g/L", result_id="B1")).encode())
    words = [file.words for file in look(tmp_path, site)]
    assert words == [
        "Kept and read.",
        "1 results: 1 filed, 0 wait in the inbox, 0 were known already or changed nothing.",
    ]
    assert sorted(value for _, value, _ in in_force(ada)) == [31.5, 94.0]
    assert lying_in(tmp_path) == [] and lying_in(tmp_path / "done") == ["a.hl7", "b.csv"]


def test_the_same_file_again_changes_nothing(site, ada, tmp_path, put):
    put("a.hl7", message())
    look(tmp_path, site)
    put("a.hl7", message())
    (file,) = look(tmp_path, site)
    assert "nothing was changed" in file.words
    assert lying_in(tmp_path / "done") == ["a.2.hl7", "a.hl7"]
    assert RawMessage.objects.count() == LabResult.objects.count() == 1


def test_what_is_still_being_written_is_left_alone(site, tmp_path, put):
    put("a.hl7", message(), age=2)
    put("b.hl7.part", message())
    put(".c.hl7", message())
    (tmp_path / "d.hl7").mkdir()
    (tmp_path / "e.hl7").symlink_to(put("f.tmp", message()))
    assert look(tmp_path, site) == []
    assert not RawMessage.objects.exists()


@pytest.mark.parametrize(
    ("name", "body", "said"),
    [
        ("a.pdf", b"%PDF", "allowed are .hl7 and .csv"),
        ("a", b"", "allowed are .hl7 and .csv"),
        ("a.hl7", b"nothing", "It does not begin with an MSH segment."),
        ("a.hl7", message().replace(b"ORU^R01^ORU_R01", b"ADT^A08"), "MSH-9"),
        ("a.hl7", b"x" * 1_000_001, "It has 1000001 bytes"),
        ("a.csv", (HEADER + row(value="x") + row(status="y")).encode(), "row 2, value: 'x'"),
    ],
)
def test_what_is_refused_lies_beside_its_reason(site, tmp_path, put, name, body, said):
    put(name, body)
    (file,) = look(tmp_path, site)
    assert file.is_refused and file.moved_to.read_bytes() == body
    assert lying_in(tmp_path / "refused") == [name, f"{name}.why.txt"]
    assert said in (tmp_path / "refused" / f"{name}.why.txt").read_text()
    assert not RawMessage.objects.exists()


def test_every_fault_of_a_table_is_in_its_reason(site, tmp_path, put):
    put("a.csv", (HEADER + row(value="x") + row(status="y")).encode())
    look(tmp_path, site)
    lines = (tmp_path / "refused" / "a.csv.why.txt").read_text().splitlines()
    assert [line.split(":")[0] for line in lines] == ["row 2, value", "row 3, status"]


def test_a_message_that_cannot_be_read_is_kept_and_waits(site, tmp_path, put):
    put("a.hl7", message(obx(status="Q")))
    (file,) = look(tmp_path, site)
    assert not file.is_refused and "waits in the inbox: segment 4 (OBX): OBX-11" in file.words
    assert waiting(site) == ["unreadable"] and lying_in(tmp_path / "done") == ["a.hl7"]


def test_a_file_whose_collector_died_before_moving_it_is_taken_again_without_change(
    site, ada, tmp_path, put, monkeypatch
):
    path = put("a.hl7", message())

    def die(*_):
        raise KeyboardInterrupt

    with monkeypatch.context() as patched, pytest.raises(KeyboardInterrupt):
        patched.setattr(folder_service, "_free_name", die)
        look(tmp_path, site)
    assert path.exists() and RawMessage.objects.count() == 1
    look(tmp_path, site)
    assert lying_in(tmp_path / "done") == ["a.hl7"] and len(in_force(ada)) == 1


def test_the_command_says_what_it_did_and_ends_so(site, ada, tmp_path, put, capsys, frozen_day):
    put("a.hl7", message(), age=-4)  # just now, by a clock that goes ahead
    put("b.csv", HEADER.encode())
    with pytest.raises(SystemExit) as ended:
        call_command("collect_results", str(tmp_path))
    assert ended.value.code == 0 and "b.csv: 0 results" in capsys.readouterr().err
    put("c.txt", b"")
    with pytest.raises(SystemExit) as ended:
        call_command("collect_results", str(tmp_path))
    assert ended.value.code == 1 and "c.txt: refused: The name ends with '.txt'" in capsys.readouterr().err
    with pytest.raises(CommandError, match="is no folder") as wrong:
        call_command("collect_results", str(tmp_path / "none"))
    assert wrong.value.returncode == 2
