"""What a decision would do, before it is saved: a year as it is decided now beside a year as it would be."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import asdict, dataclass
from datetime import date
from typing import Any

from patients.goals import GoalFigures
from patients.models import Answers, Goals, Patient
from programme.planning.models import Suggestion
from programme.planning.queries import year_foreseen
from programme.worklist.numeric.words import chance_words, figure

CANNOT_SAY = "cannot say"
SAME_END_PCT = 0.1  # end targets are shown to a tenth


@dataclass(frozen=True, slots=True)
class EffectRow:
    name: str
    now: str
    then: str


@dataclass(frozen=True, slots=True)
class Effect:
    """The effect in words, and as figures to be kept with the decision."""

    rows: tuple[EffectRow, ...]
    cannot: str
    token: str  # what the effect was shown for: other figures, or newer records, must be shown again
    foreseen: dict[str, Any]


def effect_of(patient: Patient, goals: Goals, decided: GoalFigures, *, as_of: date, weight_kg: float) -> Effect:
    """Return a year under the goals in force and a year as decided, by the same reckoning; nothing is written."""
    now = year_foreseen(patient, as_of=as_of, goals=goals)
    then = year_foreseen(patient, as_of=as_of, goals=Goals(patient=patient, since=as_of, **asdict(decided)))
    cannot = then.get("reason") or now.get("reason") or ""
    rows = () if then.get("reason") else _rows(now, then, weight_kg)
    token = "|".join(f"{part}" for part in (*asdict(decided).values(), patient.data_version))
    return Effect(rows, cannot, token, {"as_of": as_of.isoformat(), "now": now, "then": then})


def _rows(now: Mapping[str, Any], then: Mapping[str, Any], weight_kg: float) -> tuple[EffectRow, ...]:
    def row(name: str, key: str, unit: str, places: int = 0, scale: float = 1.0) -> EffectRow:
        said = [CANNOT_SAY if year.get(key) is None else f"{figure(year[key] * scale, places)} {unit}".rstrip()
                for year in (now, then)]  # fmt: skip
        return EffectRow(name, *said)

    def chance(name: str, key: str) -> EffectRow:
        return EffectRow(
            name, *(CANNOT_SAY if y.get(key) is None else f"{chance_words(y[key])} in 100" for y in (now, then))
        )

    iron = row("net iron a year", "iron_mg", "mg/kg", scale=1 / weight_kg) if weight_kg > 0 else None
    rows = [
        row("every", "interval_days", "days"), row("ending at", "end_target_pct", "%", 1),
        row("visits a year", "visits", "", 1), row("units a visit", "units", "", 1),
        row("units a year", "units_year", ""), iron, chance("over the ceiling, a visit", "over_visit"),
        chance("at least once in the year", "over_year"), row("days over, a year", "days_over", "", 1),
    ]  # fmt: skip
    return tuple(one for one in rows if one is not None)


def answers_of(patient: Patient, goals: Goals, decided: GoalFigures) -> str:
    """Say whether a decision takes the interval and end target suggested; '' where it touches neither."""
    stored = Suggestion.objects.filter(patient=patient, status="ok").first()
    rows = (stored.options or {}).get("choices") or () if stored is not None else ()
    choice = next((row for row in rows if row.get("suggested")), None)
    kept = (goals.usual_interval_days, goals.end_target_hbs_pct)
    if choice is None or (decided.usual_interval_days, decided.end_target_hbs_pct) == kept:
        return Answers.NOTHING
    same_days = decided.usual_interval_days in (None, int(choice["interval_days"]))
    end = decided.end_target_hbs_pct
    same_end = end is None or abs(end - (choice["end_target_pct"] or end)) <= SAME_END_PCT
    return Answers.ACCEPTED if same_days and same_end else Answers.OVERRIDDEN
