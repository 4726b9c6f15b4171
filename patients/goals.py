"""What is decided for a person: goals, dated, beside those before them."""

from __future__ import annotations

from dataclasses import asdict, dataclass
from datetime import date, datetime
from typing import Any

from django.core.exceptions import ValidationError
from django.db import transaction

from patients.models import Goals, Patient
from patients.services import finish_change, save_new
from programme.core.models import EditedMeanwhile, User


@dataclass(frozen=True, slots=True)
class GoalFigures:
    """What is decided for a person; units as in `patients.models.Goals`. `clinic_days`: weekday numbers, '0,3'."""

    hbs_ceiling_pct: float = 30
    accepted_chance: float = 0.10
    hb_ceiling_g_l: float = 110
    greatest_rise_g_l: float = 40
    hb_floor_g_l: float | None = None
    shortest_interval_days: int = 14
    longest_interval_days: int = 56
    usual_interval_days: int | None = None
    end_target_hbs_pct: float | None = None
    units_most: int | None = None
    clinic_days: str = ""
    method: str = ""
    review_on: date | None = None


def figures_of(goals: Goals) -> GoalFigures:
    """Return the figures of goals, stored or not."""
    return GoalFigures(**{name: getattr(goals, name) for name in GoalFigures.__dataclass_fields__})


@transaction.atomic
def set_goals(
    *,
    patient: Patient,
    since: date,
    figures: GoalFigures,
    reason: str,
    actor: User | None,
    at: datetime,
    decided_by: User | None = None,
    decided_by_name: str = "",
    answers: str = "",
    foreseen: dict[str, Any] | None = None,
    data_version: int | None = None,
) -> Goals:
    """Add goals that count from `since` on; earlier ones stay. `decided_by`: by default `actor`, unless named.

    answers, foreseen: what became of the suggestion beside it, and the year as it was foreseen, kept with the decision.
    data_version: of the records that the decision was looked at with; EditedMeanwhile where they have changed since.
    """
    if data_version is not None:
        _refuse_other_records(patient, data_version)
    if decided_by is None and not decided_by_name:
        decided_by = actor
    goals = Goals(
        patient=patient,
        since=since,
        reason=reason.strip(),
        decided_by=decided_by,
        decided_by_name=decided_by_name,
        recorded_at=at,
        answers=answers,
        foreseen=foreseen,
        **asdict(figures),
    )
    if figures.end_target_hbs_pct is not None and figures.end_target_hbs_pct >= figures.hbs_ceiling_pct:
        raise ValidationError({"end_target_hbs_pct": "The end target must lie under the ceiling."})
    finish_change(patient, [save_new(patient, "set goals", goals, why=goals.reason)], actor=actor, at=at)
    return goals


def _refuse_other_records(patient: Patient, data_version: int) -> None:
    """Two who decide at the same moment come here one after the other, and the second has seen neither decision."""
    if Patient.objects.select_for_update().get(pk=patient.pk).data_version != data_version:
        raise EditedMeanwhile(
            "The records of this person were changed by someone else while you decided. "
            "Nothing of yours was saved; look again at what your goals would do."
        )
