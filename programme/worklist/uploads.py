"""Keeping a chosen file between looking at it and bringing it in: on disk, few and not for long, each its owner's."""

from __future__ import annotations

import hashlib
import re
import secrets
from dataclasses import dataclass
from datetime import datetime, timedelta
from pathlib import Path
from typing import Any

from django.conf import settings
from django.core.files.uploadedfile import UploadedFile

from programme.core.models import User

MOST_BYTES = 20_000_000
MOST_FILES_A_USER = 3
KEPT_FOR = timedelta(hours=12)
TOKEN = re.compile(r"[A-Za-z0-9_-]{32}")


class TooLarge(ValueError):
    """The file is larger than what the page takes."""


@dataclass(frozen=True, slots=True)
class KeptFile:
    """A file that waits to be brought in. digest: SHA-256 of what was looked at."""

    token: str
    name: str
    digest: str
    read_at: datetime
    n_bytes: int


def keep_upload(*, user: User, chosen: UploadedFile[Any], at: datetime) -> KeptFile:
    """Keep a chosen file for its owner; older ones of theirs, and everybody's stale ones, go. Raises TooLarge."""
    if (chosen.size or 0) > MOST_BYTES:
        raise TooLarge(
            f"The file has {(chosen.size or 0) / 1e6:.1f} MB; this page takes up to {MOST_BYTES / 1e6:.0f} MB. "
            "Larger files are brought in on the server, with the command load_history."
        )
    folder = _folder()
    _clear_away(folder, user, at)
    data = chosen.read()
    kept = KeptFile(
        secrets.token_urlsafe(24), (chosen.name or "")[:120], hashlib.sha256(data).hexdigest(), at, len(data)
    )
    path = _path(folder, user, kept.token)
    path.touch(mode=0o600)
    path.write_bytes(data)
    return kept


def read_upload(*, user: User, token: str, digest: str) -> bytes | None:
    """Return the bytes of a kept file; None where it is gone, is another's, or is not what was looked at."""
    if not TOKEN.fullmatch(token):
        return None
    path = _path(_folder(), user, token)
    if not path.is_file():
        return None
    data = path.read_bytes()
    return data if hashlib.sha256(data).hexdigest() == digest else None


def drop_upload(*, user: User, token: str) -> None:
    """Remove a kept file that is no longer needed."""
    if TOKEN.fullmatch(token):
        _path(_folder(), user, token).unlink(missing_ok=True)


def _folder() -> Path:
    folder = Path(settings.VAR_DIR) / "uploads"
    folder.mkdir(mode=0o700, parents=True, exist_ok=True)
    return folder


def _path(folder: Path, user: User, token: str) -> Path:
    return folder / f"{user.pk}.{token}.csv"


def clear_stale(at: datetime) -> int:
    """Remove files of everybody that were kept too long; return how many."""
    oldest = (at - KEPT_FOR).timestamp()
    stale = [path for path in _folder().glob("*.csv") if path.stat().st_mtime < oldest]
    for path in stale:
        path.unlink(missing_ok=True)
    return len(stale)


def _clear_away(folder: Path, user: User, at: datetime) -> None:
    clear_stale(at)
    own = sorted(folder.glob(f"{user.pk}.*.csv"), key=lambda path: path.stat().st_mtime)
    for path in own[: max(len(own) - MOST_FILES_A_USER + 1, 0)]:
        path.unlink(missing_ok=True)
