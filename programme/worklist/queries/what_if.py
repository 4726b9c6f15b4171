"""What would be suggested with other goals: the same reckoning as the stored suggestion, and nothing is written."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime

from patients.models import Patient
from programme.planning.numeric.people import WhatIf
from programme.planning.queries import what_if
from programme.worklist.queries.course import CoursePage
from programme.worklist.queries.suggested import Suggested, longest_for_end, suggested


@dataclass(frozen=True, slots=True)
class Asked:
    """What was asked; None leaves the person's own goal in place."""

    ceiling_pct: float | None
    accepted_chance: float | None
    interval_days: int | None
    end_target_pct: float | None

    @property
    def words(self) -> str:
        """The question as read back: 'ceiling 35 %, every 21 days'."""
        parts = []
        if self.ceiling_pct is not None:
            parts.append(f"ceiling {self.ceiling_pct:g} %")
        if self.accepted_chance is not None:
            parts.append(f"accepted chance {100 * self.accepted_chance:g} in 100")
        if self.interval_days is not None:
            parts.append(f"every {self.interval_days} days")
        if self.end_target_pct is not None:
            parts.append(f"ending at {self.end_target_pct:g} %")
        return ", ".join(parts)


@dataclass(frozen=True, slots=True)
class Answer:
    """The suggestion in force, or the answer to what was asked."""

    suggested: Suggested | None
    asked: Asked | None = None
    end_words: str = ""
    longest: tuple[int, str] | None = None


def answer_for(patient: Patient, page: CoursePage, asked: Asked | None, now: datetime) -> Answer:
    """Return what is in force where nothing was asked, else the planner's answer on the day of `now`."""
    if asked is None or page.lock is not None:
        return Answer(page.suggestion)
    goals = WhatIf(asked.ceiling_pct, asked.accepted_chance, asked.interval_days)
    body, options = what_if(patient, as_of=now.date(), asked=goals)
    view = suggested(body, options, today=now.date(), weight_kg=page.record.weight_kg)
    if asked.end_target_pct is None:
        return Answer(view, asked)
    accepted = body.get("breach_risk") or page.record.accepted_chance
    longest = longest_for_end(options, accepted, asked.end_target_pct)
    return Answer(view, asked, f"{asked.end_target_pct:g}", longest)
