"""What reading an entry needs to know of its session, each read only when an entry asks for it."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import datetime
from functools import cached_property
from typing import Any
from zoneinfo import ZoneInfo

from programme.bedside.numeric.words import slow_words
from programme.core.settings_of_site import site_settings
from sessions.day.models import Entry, Prescription
from sessions.day.numeric.done import CELLS_HB_G_L
from sessions.day.numeric.entries import MOVED, TOTALS
from sessions.day.numeric.standing import ended_now
from sessions.day.numeric.tally import Tally
from sessions.day.numeric.unit_volumes import over_unit_words, over_units_words
from sessions.day.queries import clocks_of, plan_carried_out, steps_carried_out, tally_of, times_of
from sessions.models import DonationUnit, ExchangeSession
from sessions.numeric.exchange import Start


def asked_about(entry: Entry) -> str:
    """Return what speaks against the red cells of an entry that is kept, in sentences; '' where nothing does."""
    is_of_unit = entry.kind == MOVED and entry.body.get("unit") is not None and entry.body["in_ml"] > 0
    if not is_of_unit and entry.kind != TOTALS:
        return ""
    state = tally_of(entry.exchange_session)
    units = {unit.place: unit for unit in DonationUnit.objects.filter(exchange_session=entry.exchange_session)}
    if entry.kind == TOTALS:
        return _all_too_much(entry, state, units)
    place = entry.body["unit"]
    return " ".join(words for words in (_too_much(place, state, units), _too_fast(entry, state, units[place])) if words)


def _all_too_much(entry: Entry, state: Tally, units: Mapping[int, DonationUnit]) -> str:
    started = [place for place, times in sorted(state.units.items()) if times.started_at]
    told = int(entry.body["units"])
    labels = [units[place].volume_ml if place in units else None for place in started]
    words = over_units_words(entry.body["red_cells_in_ml"], [*labels, *[None] * told][:told])
    return f"{words}." if words else ""


def _too_much(place: int, state: Tally, units: Mapping[int, DonationUnit]) -> str:
    words = over_unit_words(place, state.units[place].in_ml, units[place].volume_ml)
    return f"{words}." if words else ""


def _too_fast(entry: Entry, state: Tally, unit: DonationUnit) -> str:
    """What speaks against a volume kept during the slow start of its unit."""
    site = entry.exchange_session.patient.site
    settings = site_settings(site, entry.received_at)
    until = clocks_of(unit, state, settings).slow_until
    if until is None or entry.happened_at >= until:
        return ""
    local, given_ml = until.astimezone(ZoneInfo(site.time_zone)), times_of(unit, state).in_ml
    return slow_words(unit.place, given_ml, most_ml=settings["slow_first_ml"], until=f"{local:%H:%M}")


class Chair:
    """One session at the moment `at`, as the reading of an entry sees it."""

    def __init__(self, exchange_session: ExchangeSession, at: datetime) -> None:
        self.exchange_session, self.at = exchange_session, at
        self.zone = ZoneInfo(exchange_session.patient.site.time_zone)

    @cached_property
    def settings(self) -> Mapping[str, float]:
        return site_settings(self.exchange_session.patient.site, self.at)

    @cached_property
    def plan(self) -> Prescription | None:
        return plan_carried_out(self.exchange_session)

    @cached_property
    def steps(self) -> Sequence[Mapping[str, Any]]:
        return steps_carried_out(self.exchange_session)

    def fluid_of(self, step: int | None) -> tuple[str, float] | None:
        """Return fluid and Hb of the cells [g/L] of a step of the plan; None where it has no such step."""
        found = next((one for one in self.steps if one["number"] == step), None)
        return None if found is None else (found["fluid"], float(found.get("cells_hb_g_l") or 0.0))

    def cells_hb_of(self, place: int | None, planned_g_l: float) -> float:
        """Return the Hb of a unit's cells from what its label says of it, else as planned. [g/L]

        A label that gives what no red cells have is not believed.
        """
        if place is None:
            return planned_g_l
        units = DonationUnit.objects.filter(exchange_session=self.exchange_session, place=place)
        hb_g, volume_ml = units.values_list("hb_g", "volume_ml").first() or (None, None)
        if not hb_g or not volume_ml:
            return planned_g_l
        said = 1000.0 * hb_g / volume_ml
        return said if CELLS_HB_G_L[0] <= said <= CELLS_HB_G_L[1] else planned_g_l

    @cached_property
    def hb_g_l(self) -> float:
        """Hb of the blood that is being drawn now. [g/L]"""
        plan = self.plan
        if plan is None:
            raise ValueError("a session without a plan has no Hb")
        now = ended_now(
            Start(plan.blood_volume_ml, plan.hb_g_l, plan.hbs_pct),
            tally_of(self.exchange_session).as_steps(),
            mixing=plan.mixing_volume_ml / plan.blood_volume_ml,
            hb_sd_g_l=0.0,
            hbs_sd_pct=0.0,
        )
        return plan.hb_g_l if now is None else now.hb_at_once_g_l

    def number_of_key(self, key: str) -> int | None:
        """Return the number of the entry that was sent with this key; None where it was never kept."""
        rows = Entry.objects.filter(exchange_session=self.exchange_session, key=key)
        return rows.values_list("number", flat=True).first()

    def time_of(self, number: int) -> datetime | None:
        rows = Entry.objects.filter(exchange_session=self.exchange_session, number=number)
        return rows.values_list("happened_at", flat=True).first()
