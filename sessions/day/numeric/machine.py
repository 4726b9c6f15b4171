"""The totals of an automated session: all that is kept of what the machine did. Its own record is not imitated."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from datetime import datetime, tzinfo
from typing import Any


@dataclass(frozen=True, slots=True)
class Totals:
    """What the machine states at its end.

    Volumes in mL; units: donor units of which something was given; started_at, ended_at: of what the machine did, with
    their offset from UTC; end_words: its end figures, word for word. number: of the entry, 0 before it is one.
    """

    saline_in_ml: float
    red_cells_in_ml: float
    blood_out_ml: float
    units: int
    started_at: datetime
    ended_at: datetime
    end_words: str = ""
    number: int = 0

    @classmethod
    def of_body(cls, body: Mapping[str, Any], number: int = 0) -> Totals:
        """Return the totals that an entry's body holds."""
        return cls(
            saline_in_ml=float(body["saline_in_ml"]),
            red_cells_in_ml=float(body["red_cells_in_ml"]),
            blood_out_ml=float(body["blood_out_ml"]),
            units=int(body["units"]),
            started_at=datetime.fromisoformat(body["started_at"]),
            ended_at=datetime.fromisoformat(body["ended_at"]),
            end_words=str(body.get("end_words") or ""),
            number=number,
        )

    def body(self) -> dict[str, Any]:
        """Return them as the body of an entry."""
        return {
            "saline_in_ml": self.saline_in_ml,
            "red_cells_in_ml": self.red_cells_in_ml,
            "blood_out_ml": self.blood_out_ml,
            "units": self.units,
            "started_at": self.started_at.isoformat(),
            "ended_at": self.ended_at.isoformat(),
            "end_words": self.end_words.strip(),
        }

    def in_zone(self, zone: tzinfo) -> Totals:
        """Return the same with its times as clocks there show them."""
        started_at, ended_at = self.started_at.astimezone(zone), self.ended_at.astimezone(zone)
        return replace(self, started_at=started_at, ended_at=ended_at)

    @property
    def in_ml(self) -> float:
        return self.saline_in_ml + self.red_cells_in_ml

    @property
    def balance_ml(self) -> float:
        return self.in_ml - self.blood_out_ml
