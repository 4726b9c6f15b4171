"""Files of lines, packed and locked to a key: gzip inside the age format (age-encryption.org/v1), by pyrage."""

from __future__ import annotations

import gzip
import os
import stat
import threading
import zlib
from collections.abc import Callable, Iterable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import IO, TypeVar

import pyrage

PUBLIC = "age1"
T = TypeVar("T")


class BadKey(Exception):
    """A key file that cannot be used, with what is allowed."""


class CannotRead(Exception):
    """A locked file that this key does not open, or that was changed or cut."""


def make_key(path: Path) -> str:
    """Write a new key into a new file that only its owner may read; return its public half, which locks only."""
    key = pyrage.x25519.Identity.generate()
    try:
        handle = os.open(path, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600)
    except FileExistsError as error:
        raise BadKey(f"{path} is there already; a key is never overwritten.") from error
    with os.fdopen(handle, "w") as file:
        file.write(f"# public half: {key.to_public()}\n{key}\n")
    return str(key.to_public())


def write_lines(
    path: Path, lines: Iterable[str], *, key_file: Path, prove: Callable[[Iterator[str]], object] | None = None
) -> None:
    """Write `lines` into `path`, whole or not at all. Raises BadKey and OSError; no part of it stays then.

    prove: is given the lines as they are read back and unlocked; what it raises comes out here, and so does CannotRead.
    The file is locked to a second key too then, made for this call and kept nowhere: whoever makes backups need not
    have the key that opens them.
    """
    recipients, of_the_moment = [_recipient(key_file)], pyrage.x25519.Identity.generate()
    if prove:
        recipients.append(of_the_moment.to_public())
    part = path.with_name(path.name + ".part")
    handle = os.open(part, os.O_WRONLY | os.O_CREAT | os.O_TRUNC, 0o600)
    try:
        with os.fdopen(handle, "wb") as file:
            with _locked(file, recipients) as out, gzip.GzipFile(fileobj=out, mode="wb", mtime=0) as packed:
                for line in lines:
                    packed.write(line.encode())
            file.flush()
            os.fsync(file.fileno())
        if prove:
            prove(_unlocked(part, of_the_moment))
        part.rename(path)
        _settle(path.parent)
    finally:
        part.unlink(missing_ok=True)


def read_lines(path: Path, *, key_file: Path) -> Iterator[str]:
    """Yield the lines of a locked file. Raises BadKey, and CannotRead, which may come after whole lines were read."""
    yield from _unlocked(path, _identity(key_file))


def _unlocked(path: Path, identity: pyrage.x25519.Identity) -> Iterator[str]:
    reader, writer = os.pipe()
    failed: list[Exception] = []

    def unlock() -> None:
        try:
            with path.open("rb") as source, os.fdopen(writer, "wb") as out:
                pyrage.decrypt_io(source, out, [identity])
        except Exception as error:  # whatever it is, the reader is told
            failed.append(error)

    thread = threading.Thread(target=unlock)
    thread.start()
    try:
        with os.fdopen(reader, "rb") as source, gzip.open(source, "rt", encoding="utf-8", newline="\n") as lines:
            yield from lines
    except (EOFError, OSError, UnicodeDecodeError, zlib.error) as error:
        failed.append(error)
    finally:
        thread.join()
    if failed:
        raise CannotRead(
            f"{path} was not opened: {failed[0]}. Either the key is another, or the file was changed or cut off."
        ) from failed[0]


@contextmanager
def _locked(file: IO[bytes], recipients: list[pyrage.x25519.Recipient]) -> Iterator[IO[bytes]]:
    """Give a stream whose bytes a second thread locks into `file`: what is plain is never on the disk."""
    reader, writer = os.pipe()
    failed: list[Exception] = []

    def lock() -> None:
        try:
            with os.fdopen(reader, "rb") as source:
                pyrage.encrypt_io(source, file, recipients)
        except Exception as error:  # such as a full disk; raised again below
            failed.append(error)

    thread = threading.Thread(target=lock)
    thread.start()
    try:
        with os.fdopen(writer, "wb") as out:
            yield out
    finally:
        thread.join()
        if failed:
            raise OSError(f"could not be written: {failed[0]}") from failed[0]


def _recipient(key_file: Path) -> pyrage.x25519.Recipient:
    """Whoever only makes backups needs the public half alone."""
    text = _key_of(key_file)
    if text.startswith(PUBLIC):
        return _tried(key_file, lambda: pyrage.x25519.Recipient.from_str(text))
    return _identity(key_file).to_public()


def _identity(key_file: Path) -> pyrage.x25519.Identity:
    text = _key_of(key_file)
    if text.startswith(PUBLIC):
        raise BadKey(f"{key_file} holds the public half of a key: it locks and does not open.")
    mode = stat.S_IMODE(key_file.stat().st_mode)
    if mode & 0o077:
        raise BadKey(f"{key_file} may be read by others (mode {mode:o}); allowed is 600.")
    return _tried(key_file, lambda: pyrage.x25519.Identity.from_str(text))


def _key_of(key_file: Path) -> str:
    try:
        lines = key_file.read_text(encoding="utf-8").splitlines()
    except (OSError, UnicodeDecodeError) as error:
        raise BadKey(f"The key file {key_file} cannot be read: {error}.") from error
    keys = [line.strip() for line in lines if line.strip() and not line.startswith("#")]
    if len(keys) != 1:
        raise BadKey(f"{key_file} holds {len(keys)} keys; one is needed, on a line of its own.")
    return keys[0]


def _tried(key_file: Path, make: Callable[[], T]) -> T:
    try:
        return make()
    except (pyrage.IdentityError, pyrage.RecipientError) as error:
        raise BadKey(f"{key_file} holds no key of the age format: {error}.") from error


def _settle(folder: Path) -> None:
    """Make the new name of a file last through a loss of power."""
    handle = os.open(folder, os.O_RDONLY)
    try:
        os.fsync(handle)
    finally:
        os.close(handle)
