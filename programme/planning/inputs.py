"""What the planner is told: people's records, goals and settings turned into columns."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import replace
from datetime import date, timedelta
from functools import lru_cache

import holidays
import numpy as np
from numpy.typing import NDArray

from patients.models import Standing
from programme.core.models import Site
from programme.planning.numeric import habits
from programme.planning.numeric import people as pp
from programme.planning.numeric.limits import Limits, limits_for
from programme.planning.numeric.opendays import OpenDays
from programme.planning.numeric.people import PeopleInputs
from programme.planning.numeric.search import Before, Cells
from programme.planning.numeric.suggest import SiteRules
from sessions.forecasting import Programme
from sessions.numeric.drift.person import PeoplePace
from sessions.numeric.volume import blood_volume_ml
from sessions.queries.people import PersonRecord

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Settings = dict[str, float]

UNIT_HB_REL_SD = 0.10
"""Spread of the Hb of one unit, 5 of 50 g: Australian Red Cross Lifeblood 2022, measured."""
DIARY_DAYS = 366
"""How far ahead a diary is asked: the longest interval, and a session late on top of it."""

Diary = Callable[[Site, date, date], Mapping[date, bool]]
_diaries: list[Diary] = []


def ask_also(diary: Diary) -> None:
    """Register `diary`, which says of the days of a unit whether it is open; of those it leaves out it knows nothing.

    What it says goes before the bank holidays.
    """
    if diary not in _diaries:
        _diaries.append(diary)


def site_rules(settings: Settings) -> SiteRules:
    """Return what the site has settled for everybody."""
    cells = Cells(
        unit_ml=settings["unit_volume_ml"],
        hb_g_l=1000.0 * settings["unit_hb_g"] / settings["unit_volume_ml"],
        unit_hb_rel_sd=UNIT_HB_REL_SD,
        early_loss=settings["early_loss_pct"] / 100.0,
        rounding_ml=settings["volume_rounding_ml"],
        iron_mg_per_g=settings["iron_mg_per_g_hb"],
    )
    return SiteRules(cells=cells, results_stale_days=settings["results_stale_days"])


def people_inputs(
    site: Site, programme: Programme, records: tuple[PersonRecord, ...], settings: Settings, locked: frozenset[int]
) -> PeopleInputs:
    """Return the planner's columns for `records`, in their order. locked: keys of people under the haemolysis lock."""
    places = places_of(programme, records)
    return PeopleInputs(
        bar=np.array([_bar(record, locked) for record in records], dtype=np.int64),
        ceiling_pct=_column(records, "hbs_ceiling_pct"),
        accepted_chance=_column(records, "accepted_chance"),
        shortest_days=_column(records, "shortest_interval_days"),
        soonest_days=_column(records, "soonest_days"),
        longest_days=_column(records, "longest_interval_days"),
        accepted_interval_days=_column(records, "usual_interval_days"),
        end_target_pct=_column(records, "end_target_hbs_pct"),
        before=Before(
            hb_g_l=programme.hb_before_g_l[places],
            hb_sd_g_l=programme.hb_before_sd[places],
            blood_volume_ml=volumes_ml(records),
            mixing=programme.mixing.factor[places],
            mixing_rel_sd=programme.mixing.factor_sd[places] / programme.mixing.factor[places],
        ),
        limits=limits_of(records, settings),
        open_days=open_days(site, records, programme.as_of),
        usual_weekday=habits.usual_weekday(programme.read.columns)[places],
        attendance=programme.attendance.take(places),
        last_hbs_day=habits.last_hbs_day(programme.read.columns)[places],
        usual_hb_after_g_l=habits.usual_hb_after(programme.read.columns)[places],
    )


def open_days(site: Site, records: tuple[PersonRecord, ...], first: date) -> OpenDays:
    """Return on which days each of these people can come, for DIARY_DAYS from `first` on."""
    return OpenDays.of(len(records), clinic_days=_clinic_days(records), closed=closed_days(site, first))


def limits_of(
    records: tuple[PersonRecord, ...], settings: Settings, *, one_arm: bool | None = None, saline_first: bool = False
) -> Limits:
    """Return what a session of each has to keep; one_arm: for all; None goes by the access each one has."""
    return limits_for(
        weight_kg=_column(records, "weight_kg"),
        organ_flag=np.array([record.is_flagged for record in records], dtype=bool),
        hb_ceiling_g_l=_column(records, "hb_ceiling_g_l"),
        hb_floor_g_l=_column(records, "hb_floor_g_l"),
        rise_g_l=_column(records, "greatest_rise_g_l"),
        units_most=_column(records, "units_most"),
        saline_first=saline_first,
        one_arm=np.array([record.one_arm if one_arm is None else one_arm for record in records], dtype=bool),
        settings=settings,
    )


def places_of(programme: Programme, records: tuple[PersonRecord, ...]) -> Ints:
    """Return where each record's person stands in the programme's arrays."""
    place = {pk: number for number, pk in enumerate(programme.read.patient_pks)}
    return np.array([place[record.pk] for record in records], dtype=np.int64)


def volumes_ml(records: tuple[PersonRecord, ...]) -> Floats:
    """Return formula blood volumes [P]; nan where weight is missing."""
    return blood_volume_ml(
        female=np.array([record.female for record in records], dtype=bool),
        height_cm=_column(records, "height_cm"),
        weight_kg=_column(records, "weight_kg"),
        age_years=_column(records, "age_years"),
    )


def diluted(pace: PeoplePace, records: tuple[PersonRecord, ...], hb_after_g_l: Floats) -> PeoplePace:
    """Return the paces with the red cells given since the last session mixed in: they thin HbS at once.

    The day of the top-up is taken as the day of the session, which leaves the forecast a little high (chosen here).
    """
    given = np.array([sum(row.hb_g for row in record.open_transfusions) for record in records], dtype=float)
    given = np.nan_to_num(given)
    held = np.nan_to_num(hb_after_g_l * volumes_ml(records) / 1000.0, nan=0.0)
    left = np.where(held + given > 0, held / np.maximum(held + given, 1e-9), 1.0)
    left = np.where(given > 0, left, 1.0)
    return replace(pace, after_pct=pace.after_pct * left, after_pace_cov=pace.after_pace_cov * left)


@lru_cache(maxsize=64)
def _bank_holidays(country: str, region: str, year: int) -> frozenset[int]:
    days = holidays.country_holidays(country, subdiv=region or None, years=[year - 1, year, year + 1])
    return frozenset(day.toordinal() for day in days)


def closed_days(site: Site, first: date) -> frozenset[int]:
    """Return ordinals of the days on which the unit is closed: its bank holidays from the year before to the year
    after, but for DIARY_DAYS from `first` on what its diary says."""
    try:
        closed = _bank_holidays(site.country, site.region, first.year)
    except NotImplementedError:
        # The library knows no holidays of this country or region: every working day counts as open.
        closed = frozenset()
    for diary in _diaries:
        said = {on.toordinal(): is_open for on, is_open in diary(site, first, first + timedelta(DIARY_DAYS)).items()}
        closed = closed.difference(said) | {on for on, is_open in said.items() if not is_open}
    return closed


def _bar(record: PersonRecord, locked: frozenset[int]) -> int:
    if record.standing != Standing.ACTIVE:
        return pp.LEFT
    if record.pk in locked:
        return pp.LOCKED
    if record.pregnant:
        return pp.PREGNANT
    if any(np.isnan(row.hb_g) for row in record.open_transfusions):
        return pp.TRANSFUSION_UNKNOWN
    return pp.AVAILABLE


def _column(records: tuple[PersonRecord, ...], name: str) -> Floats:
    values = [getattr(record, name) for record in records]
    return np.array([np.nan if value is None else value for value in values], dtype=float)


def _clinic_days(records: tuple[PersonRecord, ...]) -> NDArray[np.bool_]:
    days = np.zeros((len(records), 7), dtype=bool)
    for row, record in enumerate(records):
        days[row, list(record.clinic_weekdays)] = True
    return days


def as_date(ordinal: int) -> date | None:
    """Return the date of an ordinal; None for 0, which means none."""
    return date.fromordinal(int(ordinal)) if ordinal > 0 else None
