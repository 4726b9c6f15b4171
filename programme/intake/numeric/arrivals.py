"""One arriving result as its message said it, before anything is made of it."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date, datetime, tzinfo

PRELIMINARY, FINAL, CORRECTED, WITHDRAWN = "preliminary", "final", "corrected", "withdrawn"
STATUSES = (PRELIMINARY, FINAL, CORRECTED, WITHDRAWN)
"""In the order in which a laboratory issues them; one that was overtaken by a later one changes nothing any more."""

LOINC, LOCAL = "loinc", "local"


class Unreadable(ValueError):
    """A message that cannot be read; the words say where and what is allowed."""


@dataclass(frozen=True, slots=True)
class Envelope:
    """What is known of a message beside its bytes. sender: as kept with it. zone: of the unit that received it."""

    sender: str
    zone: tzinfo


@dataclass(frozen=True, slots=True)
class Arrival:
    """One result as sent.

    reference: the unit's own reference of the person. code_system: 'loinc' or 'local'. value_text: as written, without
    the comparator ('', '<' or '>'); empty where none was sent. unit: UCUM as sent. taken_at: with offset, None where
    none was sent. result_id: what the sender calls this result, the same for all its versions. source: who sent it.
    position: row or path in the message, for words about faults. time_known: False where only the day was sent.
    """

    reference: str
    birth_date: date | None
    code: str
    code_system: str
    value_text: str
    comparator: str
    unit: str
    taken_at: datetime | None
    result_id: str
    status: str
    source: str
    method: str = ""
    comment: str = ""
    position: str = ""
    time_known: bool = True

    def said(self) -> dict[str, str | bool]:
        """Return all of it as plain text, as it is kept beside the message."""
        return {
            "reference": self.reference,
            "birth_date": "" if self.birth_date is None else self.birth_date.isoformat(),
            "code": self.code,
            "code_system": self.code_system,
            "value_text": self.value_text,
            "comparator": self.comparator,
            "unit": self.unit,
            "taken_at": "" if self.taken_at is None else self.taken_at.isoformat(),
            "result_id": self.result_id,
            "status": self.status,
            "source": self.source,
            "method": self.method,
            "comment": self.comment,
            "position": self.position,
            "time_known": self.time_known,
        }


def arrival_of(said: dict[str, str | bool]) -> Arrival:
    """Return the arrival that `said` was made from."""
    words = {name: str(value) for name, value in said.items() if name not in ("birth_date", "taken_at", "time_known")}
    born, taken = str(said["birth_date"]), str(said["taken_at"])
    return Arrival(
        birth_date=date.fromisoformat(born) if born else None,
        taken_at=datetime.fromisoformat(taken) if taken else None,
        time_known=bool(said["time_known"]),
        **words,
    )
