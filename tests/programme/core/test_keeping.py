"""The whole database kept and restored: into SQLite and PostgreSQL, while in use, and compared table by table."""

import io
import json
import os
import subprocess
import sys
import threading
from pathlib import Path

import pytest
from django.core.management import CommandError, call_command
from django.db import DatabaseError, connection, connections, transaction
from django.test.utils import CaptureQueriesContext

from patients.models import Patient
from programme.core import guards, keeping, signed_in, trail
from programme.core.keeping import BadBackup
from programme.core.models import Site, TrailEntry
from programme.core.tasks import back_up
from programme.intake.models import RawMessage
from programme.intake.services.keeping import keep_raw
from tests import factories
from tests.factories import NOW
from tests.programme.core.test_access import make_person
from tests.second_database import let_through, sqlite_file

ROOT = Path(__file__).resolve().parents[3]
pytestmark = pytest.mark.django_db(transaction=True)


@pytest.fixture(autouse=True)
def _other_databases_are_allowed(transactional_db, monkeypatch):
    let_through(monkeypatch)


@pytest.fixture(scope="session")
def migrated(tmp_path_factory, django_db_setup, django_db_blocker):
    """An empty, migrated SQLite file, to be copied."""
    file = tmp_path_factory.mktemp("migrated") / "empty.sqlite3"
    with django_db_blocker.unblock(), sqlite_file("empty", file) as using:
        call_command("migrate", database=using, verbosity=0)
        with connections[using].cursor() as cursor:
            cursor.execute("PRAGMA journal_mode=DELETE")
    return file


@pytest.fixture
def target(migrated, tmp_path):
    file = tmp_path / "target.sqlite3"
    file.write_bytes(migrated.read_bytes())
    with sqlite_file("target", file) as using:
        yield using


@pytest.fixture
def filled(site, frozen_day):
    """A unit with rows in most tables; a message with every byte, a time to the microsecond, odd words and figures."""
    make_person(site, "R1")
    keep_raw(site=site, sender="Tidewater", kind="hl7", message_id="every byte", body=bytes(range(256)), at=NOW)
    patient = Patient.objects.get(patient_ref="R1")
    odd = {
        "figures": [0.1 + 0.2, 1e-7, 30.0, -0.0],
        "words": 'Zoë said "so"\n\u2028 and \\u0041 \U0001f9ea',
        "none": None,
    }
    said = trail.Change(site.pk, patient.pk, "change", "goals", 1, why="— ünd", before=odd, after={"z": 1, "a": 2})
    with transaction.atomic():
        trail.write([said], actor=None, at=NOW.replace(microsecond=123456))
    return site


def lines_of(using="default"):
    with keeping.snapshot(using) as seen:
        return list(keeping.dump(seen, made_at=NOW))


def digests(lines):
    said = [json.loads(line) for line in lines if line.startswith(('{"table"', '{"rows"'))]
    return {a["table"]: (b["rows"], b["sha256"]) for a, b in zip(said[::2], said[1::2], strict=True)}


def test_every_table_comes_back_in_another_database_the_same(filled, target):
    lines = lines_of()
    told = keeping.load(iter(lines), using=target)
    assert told.made_at == NOW.isoformat()
    full = [table for table, count in told.rows.items() if count]
    assert len(full) > 30  # so the comparison is one of rows, not of empty tables
    assert digests(lines_of(target)) == digests(lines)
    assert bytes(RawMessage.objects.using(target).get(message_id="every byte").body) == bytes(range(256))
    assert trail.faults(TrailEntry.objects.using(target)) == []


@pytest.mark.postgres
def test_what_was_restored_into_sqlite_comes_back_into_postgresql(filled, target):
    lines = lines_of()
    keeping.load(iter(lines), using=target)
    guards.drop()
    with connection.cursor() as cursor:
        names = ", ".join(connection.ops.quote_name(model._meta.db_table) for model in keeping.kept())
        cursor.execute(f"TRUNCATE {names} CASCADE")
    guards.make()
    keeping.load(iter(lines_of(target)), using="default")
    assert digests(lines_of()) == digests(lines)
    new = factories.make_patient("R2", site=Site.objects.get(code="saltmarsh"))  # its key is one nobody has
    assert Patient.objects.filter(pk=new.pk).count() == 1


def test_what_is_restored_goes_on_living(filled, target):
    """New rows take new keys, the trail grows and refuses to be changed."""
    keeping.load(iter(lines_of()), using=target)
    site = Site.objects.using(target).get(code="saltmarsh")
    person = Patient.objects.using(target).create(site=site, patient_ref="NEW", sex="F", untransfused_pct=88)
    assert person.pk > max(Patient.objects.using(target).exclude(pk=person.pk).values_list("pk", flat=True))
    with pytest.raises(DatabaseError, match="the trail can only grow"):
        TrailEntry.objects.using(target).update(why="another")


def test_a_backup_is_of_one_moment_and_holds_up_nobody(filled):
    """Half way through, another connection writes and is not made to wait; the copy knows nothing of it."""
    with keeping.snapshot() as seen:
        lines = keeping.dump(seen, made_at=NOW)
        first = [next(lines) for _ in range(3)]
        done = threading.Event()

        def write():
            factories.make_patient("LATE", site=filled)
            connection.close()
            done.set()

        writer = threading.Thread(target=write)
        writer.start()
        assert done.wait(timeout=10)
        writer.join()
        rest = list(lines)
    assert Patient.objects.filter(patient_ref="LATE").exists()
    assert not any('"LATE"' in line for line in first + rest)
    assert keeping.read_through(iter(first + rest)).rows["patients.patient"] == 1


def test_who_is_signed_in_is_not_kept(filled, nurse, nurse_client):
    """The key of a session lets in whoever holds it: it is in no copy, by no table."""
    key = nurse_client.session.session_key
    signed_in.note(user=nurse, session_key=key, address="192.0.2.7", is_handheld=False, at=NOW)
    text = "".join(lines_of())
    assert '"core.user"' in text
    assert key not in text
    assert "192.0.2.7" not in text


def test_no_table_of_ours_is_left_out_and_none_has_rows_beside_it():
    """A many-to-many table would be written with its owner; there is none, and one that comes must be thought of."""
    ours = {"core", "patients", "exchange_sessions", "exchange_day", "intake", "planning", "booking", "supply"}
    kept = keeping.kept()
    assert ours <= {model._meta.app_label for model in kept}
    assert [model for model in kept if model._meta.many_to_many] == []
    there = set(connection.introspection.table_names())
    named = {model._meta.db_table for model in kept}
    left = {
        "django_migrations", "django_session", "core_signedin", "django_content_type", "auth_permission", "auth_group",
    }  # fmt: skip
    assert there - named - left == {"auth_group_permissions"}


LATER, SITES, OTHER = "core.0099_later", '{"table": "core.site"}', '{"table": "core.sites"}'
SPOILT = {
    "empty": (lambda lines: [], "no backup of this programme"),
    "another file": (lambda lines: ["{}\n", *lines[1:]], "no backup of this programme"),
    "a later form": (lambda lines: [lines[0].replace('"backup": 1', '"backup": 2'), *lines[1:]], "a later version"),
    "no last line": (lambda lines: lines[:-1], "ends before its end"),
    "cut": (lambda lines: lines[: len(lines) // 2], "ends (in the middle|before its end)"),
    "a changed row": (lambda lines: [line.replace("Secretname", "Othername") for line in lines], "checksum differs"),
    "a row less": (lambda lines: [line for line in lines if '"patients.goals",' not in line], "checksum differs"),
    "a torn line": (lambda lines: [lines[0], "nonsense\n", *lines[1:]], "a line of it cannot be read"),
    "other migrations": (
        lambda lines: [lines[0].replace("core.0001_foundations", LATER), *lines[1:]], f"Missing here: {LATER}",
    ),
    "a table unknown": (lambda lines: [line.replace(SITES, OTHER) for line in lines], "'core.sites'"),
}  # fmt: skip


@pytest.mark.parametrize(("how", "words"), SPOILT.values(), ids=SPOILT)
def test_what_is_not_whole_is_refused_and_nothing_is_kept(filled, target, how, words):
    lines = how(lines_of())
    with pytest.raises(BadBackup, match=words):
        keeping.load(iter(lines), using=target)
    assert not Site.objects.using(target).exists()


def test_only_an_empty_database_is_filled(filled, target):
    lines = lines_of()
    keeping.load(iter(lines), using=target)
    with pytest.raises(BadBackup, match="is not empty"):
        keeping.load(iter(lines), using=target)
    assert digests(lines_of(target)) == digests(lines)


def test_a_database_that_changes_what_it_is_given_is_found(filled, target):
    """A trigger that rounds stands for a database that cannot hold a figure as it was."""
    with connections[target].cursor() as cursor:
        cursor.execute(
            "CREATE TRIGGER rounds AFTER INSERT ON patients_patient BEGIN "
            "UPDATE patients_patient SET untransfused_pct = 50 WHERE id = NEW.id; END"
        )
    with pytest.raises(BadBackup, match=r"not what was kept, so nothing was restored: patients\.Patient"):
        keeping.load(iter(lines_of()), using=target)
    assert not Patient.objects.using(target).exists()


def test_queries_do_not_grow_with_rows(filled):
    with keeping.snapshot() as seen, CaptureQueriesContext(connections[seen]) as asked:
        list(keeping.dump(seen, made_at=NOW))
    assert len(asked) <= len(keeping.kept()) + 3


# The commands


def call(name, *arguments):
    out, err = io.StringIO(), io.StringIO()
    call_command(name, *map(str, arguments), stdout=out, stderr=err)
    return out.getvalue().strip(), err.getvalue()


@pytest.fixture
def key(tmp_path):
    call("backup_key", tmp_path / "key")
    return tmp_path / "key"


def old(folder, *days):
    for day in days:
        (folder / f"ebbline-{day}-000000.backup.age").write_text("old")


def test_a_backup_by_the_commands_and_what_the_trail_says_of_it(filled, tmp_path, key):
    folder = tmp_path / "kept"
    folder.mkdir()
    (folder / "of-somebody-else.age").write_text("stays")
    old(folder, "20200101", "20200102", "20210101", "20210102")
    path, said = call("backup", folder, "--key-file", key, "--keep-days", "30")
    assert "proved by reading; 2 older backups were deleted" in said
    assert sorted(file.name for file in folder.iterdir()) == [
        "ebbline-20210101-000000.backup.age", "ebbline-20210102-000000.backup.age", Path(path).name,
        "of-somebody-else.age",
    ]  # fmt: skip
    noted = TrailEntry.objects.get(action="back up")
    assert (noted.after["file"], noted.after["bytes"]) == (Path(path).name, Path(path).stat().st_size)
    assert "is whole" in call("restore", path, "--key-file", key, "--check")[0]
    with pytest.raises(CommandError, match=r"Nothing was restored. The database is not empty"):
        call("restore", path, "--key-file", key)


def test_the_nightly_task_makes_it_where_the_environment_says(filled, tmp_path, key, settings):
    (tmp_path / "public").write_text(call("backup_key", tmp_path / "second")[0])
    settings.BACKUP_FOLDER, settings.BACKUP_KEY_FILE, settings.BACKUP_KEEP_DAYS = tmp_path, tmp_path / "public", 7
    old(tmp_path, "20200101", "20210101", "20220101")
    back_up()
    *kept, new = sorted(file.name for file in tmp_path.glob("*.age"))
    assert kept == ["ebbline-20210101-000000.backup.age", "ebbline-20220101-000000.backup.age"]
    assert "is whole" in call("restore", tmp_path / new, "--key-file", tmp_path / "second", "--check")[0]


def test_a_backup_that_fails_deletes_no_older_one(filled, tmp_path, key, settings):
    old(tmp_path, "20200101", "20210101", "20220101", "20230101")
    before = sorted(file.name for file in tmp_path.iterdir())
    with pytest.raises(CommandError, match=r"Nothing was backed up, and earlier backups stand\. The key file"):
        call("backup", tmp_path, "--key-file", tmp_path / "none", "--keep-days", "1")
    with pytest.raises(CommandError, match="at least 1 is allowed"):
        call("backup", tmp_path, "--key-file", key, "--keep-days", "0")
    with pytest.raises(CommandError, match="or set BACKUP_FOLDER"):
        call("backup")
    assert sorted(file.name for file in tmp_path.iterdir()) == before
    assert not TrailEntry.objects.filter(action="back up").exists()


def test_a_backup_that_reads_otherwise_than_it_was_written_is_none_and_deletes_no_older_one(
    filled, tmp_path, key, monkeypatch
):
    """A row that changes on its way to the disk: the file unlocks well, and its table is not what was counted."""
    old(tmp_path, "20200101", "20210101", "20220101", "20230101")
    before = sorted(file.name for file in tmp_path.iterdir())
    whole = keeping.dump
    spoilt = lambda using, **said: (line.replace("Secretname", "Othername") for line in whole(using, **said))  # noqa: E731
    monkeypatch.setattr(keeping, "dump", spoilt)
    with pytest.raises(CommandError, match=r"earlier backups stand\. Table patients\.Patient is not whole"):
        call("backup", tmp_path, "--key-file", key, "--keep-days", "1")
    assert sorted(file.name for file in tmp_path.iterdir()) == before
    assert not TrailEntry.objects.filter(action="back up").exists()


@pytest.mark.parametrize("url", ["mysql://user@host/name", "postgres://user@host:port/name"])
def test_a_wrong_address_moves_nothing(filled, url):
    with pytest.raises(CommandError, match="Nothing was moved"):
        call("move_database", "--to", url)


def test_everything_is_moved_into_a_database_that_was_not_there(filled, tmp_path):
    said, _ = call("move_database", "--to", f"sqlite:///{tmp_path}/moved.sqlite3")
    assert "every table is the same" in said
    with sqlite_file("moved", tmp_path / "moved.sqlite3") as using:
        assert digests(lines_of(using)) == digests(lines_of())
    with pytest.raises(CommandError, match=r"Nothing was moved\. The database is not empty"):
        call("move_database", "--to", f"sqlite:///{tmp_path}/moved.sqlite3")


@pytest.mark.postgres
def test_from_sqlite_to_postgresql_with_one_command(filled, target, tmp_path):
    """As on the day a unit grows out of one file: both databases are real, and so is the command."""
    lines = lines_of()
    keeping.load(iter(lines), using=target)
    old = connections.databases[target]["NAME"]
    with connection.cursor() as cursor:
        cursor.execute("CREATE DATABASE moved")
    try:
        url = os.environ["DATABASE_URL"].replace("/ebb?", "/moved?")
        done = subprocess.run(
            [sys.executable, "manage.py", "move_database", "--to", url], cwd=ROOT, capture_output=True, text=True,
            env=os.environ | {"DATABASE_URL": f"sqlite:///{old}"},
        )  # fmt: skip
        assert done.returncode == 0, done.stderr
        assert "every table is the same" in done.stdout
        connections.databases["moved"] = connections.databases["default"] | {"NAME": "moved"}
        assert digests(lines_of("moved")) == digests(lines)
    finally:
        connections["moved"].close()
        del connections["moved"]
        connections.databases.pop("moved", None)
        with connection.cursor() as cursor:
            cursor.execute("DROP DATABASE moved WITH (FORCE)")
