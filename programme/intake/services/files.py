"""A file of results: looked at first, then taken whole or not at all."""

from __future__ import annotations

import hashlib
from collections import Counter
from dataclasses import dataclass
from datetime import datetime

from django.db import transaction

from programme.core.models import Site
from programme.intake.models import Became, InboxItem, MessageKind, RawMessage, ReadResult
from programme.intake.numeric import csv_results
from programme.intake.services.keeping import keep_raw
from programme.intake.services.reading import read_message

FILE = "file"
"""The sender's name of what people bring in as a file; each row names its own source."""


@dataclass(frozen=True, slots=True)
class FileLine:
    """What became of one row of a file, or would become of it. why: empty where it files itself."""

    position: str
    reference: str
    code: str
    value: str
    unit: str
    became: str
    why: str


@dataclass(frozen=True, slots=True)
class Taken:
    """What a file did, or would do. lines: in the file's order."""

    lines: tuple[FileLine, ...]
    is_new: bool

    def count(self, *became: str) -> int:
        return sum(self.many[one] for one in became)

    @property
    def many(self) -> Counter[str]:
        return Counter(line.became for line in self.lines)

    @property
    def filed(self) -> int:
        return self.count(Became.FILED)

    @property
    def waiting(self) -> int:
        return self.count(Became.HELD, Became.WAITS)

    @property
    def unchanged(self) -> int:
        return self.count(Became.SAME, Became.OVERTAKEN, Became.NOTED)

    @property
    def words(self) -> str:
        if not self.is_new:
            return "This file was read before; nothing was changed."
        said = f"{len(self.lines)} results: {self.filed} filed, {self.waiting} wait in the inbox, "
        return said + f"{self.unchanged} were known already or changed nothing."


def import_file(*, site: Site, body: bytes, at: datetime) -> Taken:
    """Take a file of results. Raises FaultyFile with every fault, and nothing is kept then."""
    csv_results.read(body)
    digest = hashlib.sha256(body).hexdigest()
    raw = keep_raw(site=site, sender=FILE, kind=MessageKind.CSV, message_id=digest, body=body, at=at)
    is_new = read_message(raw.pk, at=at)
    return Taken(_lines(raw), is_new)


def look_at_file(*, site: Site, body: bytes, at: datetime) -> Taken:
    """Return what a file would do; everything it wrote is rolled back. Raises FaultyFile."""
    with transaction.atomic():
        taken = import_file(site=site, body=body, at=at)
        transaction.set_rollback(True)
    return taken


def _lines(raw: RawMessage) -> tuple[FileLine, ...]:
    why: dict[int | None, str] = {}
    for key, sentence in InboxItem.objects.filter(raw=raw).order_by("-pk").values_list("read_result", "sentence"):
        why[key] = sentence
    return tuple(
        FileLine(
            position=row.said["position"],
            reference=row.said["reference"],
            code=row.said["code"],
            value=f"{row.said['comparator']}{row.said['value_text']}",
            unit=row.said["unit"],
            became=row.became,
            why=why.get(row.pk, ""),
        )
        for row in ReadResult.objects.filter(raw=raw).order_by("number")
    )
