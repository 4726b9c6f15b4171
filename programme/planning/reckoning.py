"""Forecasts and suggestions of a site as of a day, in memory and without writing.

`reckoned` is the one way from records to suggestions: the commands print what it gives and the replan stores it.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, datetime, time, timedelta
from zoneinfo import ZoneInfo

import numpy as np
from numpy.typing import NDArray

from programme.core.models import Site
from programme.core.settings_of_site import site_settings
from programme.planning import inputs, printed
from programme.planning.numeric.people import PeopleInputs, WhatIf
from programme.planning.numeric.suggest import Suggestions, suggest_many
from sessions import forecasting
from sessions.forecasting import Programme
from sessions.numeric.drift.fit import ProgrammeFit
from sessions.numeric.drift.person import PeoplePace
from sessions.queries import PersonRecord, people_inputs, session_columns


@dataclass(frozen=True, slots=True)
class Reckoned:
    """Everything reckoned for a site as of a day. Row r of `said` is `records[r]`, person places[r] of `programme`."""

    site: Site
    programme: Programme
    records: tuple[PersonRecord, ...]
    places: NDArray[np.int64]
    settings: dict[str, float]
    people: PeopleInputs
    pace: PeoplePace
    said: Suggestions


def reckoned(
    site: Site, *, as_of: date, fit: ProgrammeFit | None = None, what_if: WhatIf | None = None,
    only: Sequence[int] | None = None,
) -> Reckoned:  # fmt: skip
    """Reckon forecasts and suggestions from what was known at the end of `as_of`; writes nothing.

    fit: the fit to use, else one is made from everyone's sessions. only: keys of the people to suggest for, active or
    not; by default everyone active. What is learnt from everyone stays the same whoever is asked for.
    """
    at = end_of_day(site, as_of)
    settings = site_settings(site, at)
    read = session_columns(site, until=as_of, known_by=as_of)
    fit = fit or forecasting.learn(read, form=forecasting.form_in_use(site))
    programme = forecasting.see(read, fit, as_of)
    records = people_inputs(site, as_of, settings, patient_pks=only)
    places = inputs.places_of(programme, records)
    pace = inputs.diluted(programme.pace.take(places), records, programme.pace.hb_after_g_l[places])
    people = inputs.people_inputs(site, programme, records, settings, locked=frozenset())
    said = suggest_many(people, fit, pace, inputs.site_rules(settings), as_of_day=as_of.toordinal(), what_if=what_if)
    return Reckoned(site, programme, records, places, settings, people, pace, said)


def printed_plans(found: Reckoned) -> list[dict[str, object]]:
    """Return the printed plan of everyone reckoned, in order of reference."""
    stale_days = found.settings["results_stale_days"]
    return [
        printed.plan_object(record.patient_ref, found.said, row, stale_days) for row, record in enumerate(found.records)
    ]


def end_of_day(site: Site, day: date) -> datetime:
    """Return the moment at which `day` ends in the unit."""
    return datetime.combine(day + timedelta(days=1), time(0), tzinfo=ZoneInfo(site.time_zone))


def printed_forecasts(found: Reckoned, days: list[int]) -> list[dict[str, object]]:
    """Return the printed forecast of everyone reckoned on `days` after their last session, in order of reference."""
    seen = forecasting.quantiles_on(found.programme, np.array(days, dtype=float))
    return [
        printed.forecast_object(
            record.patient_ref,
            inputs.as_date(np.nan_to_num(found.programme.pace.last_day[place])),
            days,
            {name: values[place] for name, values in seen.items()},
            None,
        )
        for record, place in zip(found.records, found.places, strict=True)
    ]
