"""A folder into which a laboratory puts files: each is kept first and moved afterwards, so none is lost between."""

from __future__ import annotations

import os
import stat
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path

from programme.core.models import Site
from programme.intake.numeric import hl7
from programme.intake.numeric.arrivals import Unreadable
from programme.intake.numeric.csv_results import FaultyFile
from programme.intake.numeric.mllp import Frame
from programme.intake.services import receiving
from programme.intake.services.files import import_file
from programme.intake.services.keeping import MOST_BYTES, NotKept
from programme.intake.services.reading import read_message
from programme.intake.services.receiving import Refused, keep_message, why_unreadable

DONE, REFUSED = "done", "refused"
NOT_YET = (".part", ".tmp")
"""Endings of files that are still being written; so are names that begin with a dot, and files touched just now."""


@dataclass(frozen=True, slots=True)
class TakenFile:
    """What became of one file. words: what was in it, or why it is refused. moved_to: where it lies now."""

    name: str
    is_refused: bool
    words: str
    moved_to: Path


def collect(
    folder: Path, *, site: Site, clock: Callable[[], datetime], settled_for: float
) -> Iterator[TakenFile]:  # fmt: skip
    """Take each complete file of a folder, by name. settled_for: seconds since it was last written to.

    A file that is there again with the same content changes nothing. Raises OSError where files cannot be moved.
    """
    for name in (DONE, REFUSED):
        (folder / name).mkdir(exist_ok=True)
    for path in sorted(folder.iterdir()):
        if _is_complete(path, clock(), settled_for):
            yield _take(path, site, clock())


def _is_complete(path: Path, now: datetime, settled_for: float) -> bool:
    if path.name.startswith(".") or path.name.endswith(NOT_YET):
        return False
    try:
        found = path.lstat()
    except FileNotFoundError:  # another collector was quicker
        return False
    return stat.S_ISREG(found.st_mode) and abs(now.timestamp() - found.st_mtime) >= settled_for


def _take(path: Path, site: Site, at: datetime) -> TakenFile:
    try:
        words, is_refused = _keep(path, site, at), False
    except FaultyFile as refusal:
        words, is_refused = "\n".join(fault.line() for fault in refusal.faults), True
    except (Unreadable, Refused, NotKept) as refusal:
        words, is_refused = str(refusal), True
    folder = path.parent / (REFUSED if is_refused else DONE)
    target = _free_name(folder, path.name)
    if is_refused:  # the reason first: no file lies there without one
        _write(folder / f"{target.name}.why.txt", f"{words}\n")
    path.rename(target)
    return TakenFile(path.name, is_refused, words, target)


def _keep(path: Path, site: Site, at: datetime) -> str:
    """Keep and read a file by the ending of its name; return what came of it."""
    most = {".csv": MOST_BYTES, ".hl7": receiving.MOST_BYTES}.get(path.suffix.lower())
    if most is None:
        raise Refused(f"The name ends with {path.suffix[:10]!r}; allowed are .hl7 and .csv.")
    size = path.stat().st_size
    if size > most:
        raise Refused(f"It has {size} bytes; allowed are {most}.")
    body = path.read_bytes()
    if path.suffix.lower() == ".csv":
        return import_file(site=site, body=body, at=at).words
    raw_pk = keep_message(site=site, header=hl7.read_header(body), frame=Frame(body), at=at)
    is_new = read_message(raw_pk, at=at)
    fault = why_unreadable(body, site)
    if fault:
        return f"Kept, and it waits in the inbox: {fault}"
    return "Kept and read." if is_new else "This message was read before; nothing was changed."


def _free_name(folder: Path, name: str) -> Path:
    target, number = folder / name, 1
    while target.exists():
        number += 1
        target = folder / f"{Path(name).stem}.{number}{Path(name).suffix}"
    return target


def _write(path: Path, text: str) -> None:
    with path.open("w", encoding="utf-8") as file:
        file.write(text)
        file.flush()
        os.fsync(file.fileno())
