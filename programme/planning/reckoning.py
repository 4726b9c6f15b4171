"""Forecasts and suggestions of a site as of a day, in memory and without writing.

`SiteAsOf` is the one way from records to suggestions: the commands print what it gives and the replan stores it.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, fields, replace
from datetime import date, datetime, time, timedelta
from functools import cached_property
from typing import Any
from zoneinfo import ZoneInfo

import numpy as np
from numpy.typing import NDArray

from patients.models import Goals
from programme.core.models import Site
from programme.core.settings_of_site import site_settings
from programme.planning import inputs, locks, printed, watch
from programme.planning.numeric.people import PeopleInputs, WhatIf, taken
from programme.planning.numeric.prescribe import Tried
from programme.planning.numeric.suggest import CHUNK, Suggestions, suggest_many, suggest_some
from sessions import forecasting
from sessions.forecasting import Learnt, Programme
from sessions.numeric.drift.person import PeoplePace
from sessions.numeric.haemolysis import WATCH_DAYS
from sessions.numeric.lock import Lock
from sessions.queries.past import session_columns
from sessions.queries.people import PersonRecord, people_inputs, samples_to_watch


@dataclass(frozen=True, slots=True)
class Grounds:
    """What suggestions rest on. Row r of `people` and `pace` is `records[r]`, person places[r] of `programme`.

    caution: the share of each accepted chance that is planned with, under 1 while recent forecasts have not held.
    """

    site: Site
    programme: Programme
    records: tuple[PersonRecord, ...]
    places: NDArray[np.int64]
    settings: dict[str, float]
    people: PeopleInputs
    pace: PeoplePace
    locks: dict[int, Lock]
    caution: float

    def at(self, rows: NDArray[np.int64]) -> Grounds:
        """The same for the people in these rows."""
        return Grounds(
            site=self.site,
            programme=self.programme,
            records=tuple(self.records[row] for row in rows),
            places=self.places[rows],
            settings=self.settings,
            people=taken(self.people, rows),
            pace=taken(self.pace, rows),
            locks=self.locks,
            caution=self.caution,
        )


@dataclass(frozen=True, slots=True)
class Reckoned(Grounds):
    """Everything reckoned for a site as of a day. Row r of `said` is `records[r]`."""

    said: Suggestions


@dataclass(frozen=True, slots=True)
class Part(Reckoned):
    """At most CHUNK people, with the sessions that their suggestions were chosen from."""

    tried: Tried


class SiteAsOf:
    """A site, or some of its people, as of a day: read when first needed, once, and reckoned with from then on.

    The people are read before their sessions: what changes in between, or later, leaves them with the data version of
    before the change, and so stale, never wrongly fresh.
    """

    def __init__(
        self,
        site: Site,
        as_of: date,
        *,
        fit: Learnt | None = None,
        only: Sequence[int] | None = None,
        goals: Goals | None = None,
    ):
        """fit: the fit to use, else one is made from the sessions of the site. goals: in place of the stored ones.

        only: keys of the people to be read and reckoned, active or not; by default everyone active. All that a person's
        figures have of others comes from the fit, so they are the same whoever is asked for.
        """
        self.site, self.as_of, self._fit, self._only, self._goals = site, as_of, fit, only, goals

    @cached_property
    def grounds(self) -> Grounds:
        """What is known of the people at the end of the day; from their sessions as known by then."""
        settings = site_settings(self.site, end_of_day(self.site, self.as_of))
        records = people_inputs(self.site, self.as_of, settings, patient_pks=self._only, goals_instead=self._goals)
        fit = self._fit or forecasting.learn_site(self.site, as_of=self.as_of, form=forecasting.form_in_use(self.site))
        read = session_columns(self.site, until=self.as_of, known_by=self.as_of, only=self._only)
        programme = forecasting.see(read, fit, self.as_of)
        places = inputs.places_of(programme, records)
        samples = samples_to_watch(self.site, self.as_of, WATCH_DAYS, only=self._only)
        locked = locks.locks(programme, records, places, samples)
        caution = watch.caution_of(self.site, self.as_of)
        people = inputs.people_inputs(self.site, programme, records, settings, locked=frozenset(locked))
        return Grounds(
            site=self.site,
            programme=programme,
            records=records,
            places=places,
            settings=settings,
            people=replace(people, accepted_chance=caution * people.accepted_chance),
            pace=inputs.diluted(programme.pace.take(places), records, programme.pace.hb_after_g_l[places]),
            locks=locked,
            caution=caution,
        )

    def reckoned(self, *, what_if: WhatIf | None = None) -> Reckoned:
        """Reckon suggestions for everyone read; writes nothing."""
        found = self.grounds
        said = suggest_many(
            found.people,
            found.programme.fit,
            found.pace,
            inputs.site_rules(found.settings),
            as_of_day=self.as_of.toordinal(),
            what_if=what_if,
        )
        return Reckoned(**_grounds_of(found, what_if), said=said)

    def parts(self, *, what_if: WhatIf | None = None) -> Iterator[Part]:
        """Reckon the same a few people at a time, for whoever shows what stands beside the suggestion."""
        chosen = self.grounds
        for start in range(0, len(chosen.records), CHUNK):
            some = chosen.at(np.arange(start, min(start + CHUNK, len(chosen.records))))
            said, tried = suggest_some(
                some.people,
                some.programme.fit,
                some.pace,
                inputs.site_rules(some.settings),
                as_of_day=self.as_of.toordinal(),
                what_if=what_if,
            )
            yield Part(**_grounds_of(some, what_if), said=said, tried=tried)


def _grounds_of(found: Grounds, what_if: WhatIf | None) -> dict[str, Any]:
    """The fields of the grounds; a chance that was asked about is planned with as it was asked, in full."""
    told = {field.name: getattr(found, field.name) for field in fields(Grounds)}
    return told if what_if is None or what_if.accepted_chance is None else told | {"caution": 1.0}


def printed_plans(found: Reckoned) -> list[dict[str, Any]]:
    """Return the printed plan of everyone reckoned, in order of reference."""
    refs = [record.patient_ref for record in found.records]
    return printed.plan_objects(refs, found.said, found.settings["results_stale_days"], caution=found.caution)


def end_of_day(site: Site, day: date) -> datetime:
    """Return the moment at which `day` ends in the unit."""
    return datetime.combine(day + timedelta(days=1), time(0), tzinfo=ZoneInfo(site.time_zone))


def printed_forecasts(found: Grounds, days: list[int]) -> list[dict[str, object]]:
    """Return the printed forecast of everyone reckoned on `days` after their last session, in order of reference."""
    ahead = np.array(days, dtype=float)
    seen = forecasting.quantiles_on(found.programme.fit, found.pace, ahead)
    hb = forecasting.hb_curve(found.programme, found.places, ahead)
    return [
        printed.forecast_object(
            record.patient_ref,
            inputs.as_date(np.nan_to_num(found.programme.pace.last_day[place])),
            days,
            {name: values[row] for name, values in seen.items()},
            hb[row],
        )
        for row, (record, place) in enumerate(zip(found.records, found.places, strict=True))
    ]
