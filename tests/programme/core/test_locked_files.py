"""Locked files: whole or not there, opened by their key alone, and nothing changed or cut passes for whole."""

import resource
import stat
import subprocess

import pyrage
import pytest

from programme.core import locked_files
from programme.core.locked_files import BadKey, CannotRead, make_key, read_lines, write_lines

LINES = [f'{{"row": {n}, "said": "Überlauf\u2028 ünd\\n so"}}\n' for n in range(20_000)]


@pytest.fixture
def key(tmp_path):
    make_key(tmp_path / "key")
    return tmp_path / "key"


@pytest.fixture
def kept(tmp_path, key):
    write_lines(tmp_path / "kept.age", LINES, key_file=key)
    return tmp_path / "kept.age"


def test_lines_come_back_as_they_were(kept, key):
    assert list(read_lines(kept, key_file=key)) == LINES
    assert b"row" not in kept.read_bytes()
    assert stat.S_IMODE(kept.stat().st_mode) == stat.S_IMODE(key.stat().st_mode) == 0o600


def test_it_is_a_file_of_the_open_format_with_gzip_inside(kept, key):
    """age-encryption.org/v1: the first line names the format, so other tools that know it can open a backup."""
    assert kept.read_bytes().startswith(b"age-encryption.org/v1\n-> X25519 ")
    identity = pyrage.x25519.Identity.from_str(key.read_text().splitlines()[1])
    plain = subprocess.run(
        ["gzip", "-dc"], input=pyrage.decrypt(kept.read_bytes(), [identity]), capture_output=True, check=True
    )
    assert plain.stdout.decode() == "".join(LINES)


def test_the_public_half_locks_and_does_not_open(tmp_path, key):
    public = tmp_path / "public"
    public.write_text(make_key(tmp_path / "second") + "\n")
    write_lines(tmp_path / "kept.age", LINES[:3], key_file=public)
    assert list(read_lines(tmp_path / "kept.age", key_file=tmp_path / "second")) == LINES[:3]
    with pytest.raises(BadKey, match="it locks and does not open"):
        list(read_lines(tmp_path / "kept.age", key_file=public))
    with pytest.raises(CannotRead, match="Either the key is another"):
        list(read_lines(tmp_path / "kept.age", key_file=key))


@pytest.mark.parametrize("place", [0.01, 0.5, 0.999])
def test_a_changed_byte_shows(kept, key, place):
    content = bytearray(kept.read_bytes())
    content[int(len(content) * place)] ^= 1
    kept.write_bytes(bytes(content))
    with pytest.raises(CannotRead, match="was changed or cut off"):
        list(read_lines(kept, key_file=key))


@pytest.mark.parametrize("left", [0, 100, 0.5, 0.999])
def test_a_file_that_was_cut_shows(kept, key, left):
    content = kept.read_bytes()
    kept.write_bytes(content[: int(left * len(content)) if left < 1 else left])
    with pytest.raises(CannotRead, match="was changed or cut off"):
        list(read_lines(kept, key_file=key))


def test_a_key_is_never_overwritten(key):
    before = key.read_text()
    with pytest.raises(BadKey, match="never overwritten"):
        make_key(key)
    assert key.read_text() == before


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("", "holds 0 keys"),
        ("a\nb\n", "holds 2 keys"),
        ("AGE-SECRET-KEY-1NONSENSE\n", "no key of the age format"),
        ("age1nonsense\n", "no key of the age format"),
    ],
)
def test_what_is_no_key_is_refused(tmp_path, text, words):
    file = tmp_path / "key"
    file.write_text(text)
    file.chmod(0o600)
    with pytest.raises(BadKey, match=words):
        write_lines(tmp_path / "kept.age", LINES[:1], key_file=file)
    assert not (tmp_path / "kept.age").exists()


def test_a_key_that_others_may_read_is_refused(kept, key):
    key.chmod(0o640)
    with pytest.raises(BadKey, match=r"mode 640.*allowed is 600"):
        list(read_lines(kept, key_file=key))


def test_a_full_disk_leaves_nothing_and_touches_no_earlier_file(tmp_path, key, kept):
    """A limit on the size of a file stands in for the disk: both end a write with an error of the system."""
    before = kept.read_bytes()
    soft, hard = resource.getrlimit(resource.RLIMIT_FSIZE)
    resource.setrlimit(resource.RLIMIT_FSIZE, (20_000, hard))
    try:
        with pytest.raises(OSError, match="could not be written"):
            write_lines(tmp_path / "second.age", LINES * 20, key_file=key)
    finally:
        resource.setrlimit(resource.RLIMIT_FSIZE, (soft, hard))
    assert sorted(file.name for file in tmp_path.iterdir()) == ["kept.age", "key"]
    assert kept.read_bytes() == before


def test_lines_that_fail_half_way_leave_nothing(tmp_path, key):
    def broken():
        yield from LINES[:5000]
        raise ZeroDivisionError

    with pytest.raises(ZeroDivisionError):
        write_lines(tmp_path / "kept.age", broken(), key_file=key)
    assert [file.name for file in tmp_path.iterdir()] == ["key"]


def test_a_reader_that_stops_early_leaves_no_thread_waiting(kept, key):
    lines = read_lines(kept, key_file=key)
    assert next(lines) == LINES[0]
    lines.close()
    assert not [thread for thread in locked_files.threading.enumerate() if "unlock" in thread.name]


def test_a_folder_that_is_not_there_is_said(tmp_path, key):
    with pytest.raises(OSError, match="No such file or directory"):
        write_lines(tmp_path / "gone" / "kept.age", LINES, key_file=key)


def test_what_was_written_is_proved_by_reading_it_without_the_key_that_opens_it(tmp_path, key):
    public = tmp_path / "public"
    public.write_text(make_key(tmp_path / "second") + "\n")
    seen = []
    write_lines(tmp_path / "kept.age", LINES, key_file=public, prove=seen.extend)
    assert seen == LINES == list(read_lines(tmp_path / "kept.age", key_file=tmp_path / "second"))
    with pytest.raises(CannotRead):
        list(read_lines(tmp_path / "kept.age", key_file=key))


def test_what_is_not_proved_is_not_kept(tmp_path, key):
    def is_wrong(lines):
        assert next(lines) == LINES[0]
        raise ZeroDivisionError

    with pytest.raises(ZeroDivisionError):
        write_lines(tmp_path / "kept.age", LINES, key_file=key, prove=is_wrong)
    assert [file.name for file in tmp_path.iterdir()] == ["key"]
