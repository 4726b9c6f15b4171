"""What comes of a person without exchanges, said before a pause or a leaving is saved; from what is stored."""

from __future__ import annotations

from datetime import date, timedelta

from patients.models import Patient
from programme.worklist.numeric.picture import value_at
from programme.worklist.numeric.words import day_words, figure
from programme.worklist.queries.records import goals_in_force
from programme.worklist.queries.still_open import still_open_words
from sessions.models import StoredForecast


def without_exchange(patient: Patient, today: date, settings: dict[str, float]) -> tuple[str, ...]:
    """Return sentences: when HbS is expected to pass the ceiling, where it then stands, and what stays open."""
    open_still = still_open_words(patient, today)
    forecast = StoredForecast.objects.filter(patient=patient).first()
    climb = (
        "" if forecast is None else _climb(forecast, goals_in_force(patient, today, settings).hbs_ceiling_pct, today)
    )
    return tuple(words for words in (climb or "Nothing can be forecast for them at present.", open_still) if words)


def _climb(forecast: StoredForecast, ceiling_pct: float, today: date) -> str:
    said, last_on = forecast.days, forecast.last_on
    if said is None or last_on is None or forecast.locked:
        return ""
    days = said["days"]
    first, last = max((today - last_on).days, 0), int(days[-1])
    if first > last:
        return ""

    def passes(name: str) -> date | None:
        over = (day for day in range(first, last + 1) if value_at(days, said[name], day) > ceiling_pct)
        ahead = next(over, None)
        return None if ahead is None else last_on + timedelta(days=ahead)

    ends = [figure(value_at(days, said[name], last)) for name in ("p50", "p10", "p90")]
    likely, soonest = passes("p50"), passes("p90")
    end = f"by {day_words(last_on + timedelta(days=last), today)} it would stand at {ends[0]} ({ends[1]} to {ends[2]})"
    if soonest is None:
        return f"Without an exchange HbS stays under {ceiling_pct:g} % as far as is forecast; {end} %."
    if likely == today:
        return f"HbS is likely over {ceiling_pct:g} % already; {end} %."
    when = "in less than half of cases" if likely is None else f"about {day_words(likely, today)}"
    return (
        f"Without an exchange HbS is expected to pass {ceiling_pct:g} % {when}, in one of ten from "
        f"{day_words(soonest, today)}; {end} %."
    )
