"""What the page of a session at the chair shows however it is carried out, folded from the plan and the entries."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, fields
from datetime import date, datetime
from typing import Any

from programme.bedside.numeric.balance import BalanceLimits
from programme.bedside.numeric.cautions import DRAWN_AHEAD_ML_PER_KG
from programme.bedside.numeric.words import vitals_words
from programme.bedside.queries.consent import TakenBack, taken_back_of
from programme.bedside.queries.run_rows import BEFORE_ITS_START, LogRow, UnitRow, log_rows, unit_rows
from programme.core.settings_of_site import site_settings
from programme.planning.numeric.limits import limits_for
from programme.worklist.queries.who import Blood, blood_needed
from sessions.day.inputs import open_signs
from sessions.day.models import Entry, Prescription
from sessions.day.numeric.clocks import Due, clock_is_behind, next_observations
from sessions.day.numeric.tally import Tally, tally
from sessions.day.queries import (
    fault_of_sample,
    newest_sample,
    plan_carried_out,
    planned_steps,
    said_of,
    sample_of_unit,
)
from sessions.models import DonationUnit, ExchangeSession, Method, State, UnitState


@dataclass(frozen=True, slots=True)
class Board:
    """A session, the plan it follows and where it stands. sign_open: of haemolysis, not judged yet: no red cells.

    taken_back: the consent, since the day of the session and with none given anew; nothing more is given then.
    hung: units that are being given and had to end before now.
    no_unit: why the next unit could not be started now for want of a valid crossmatch sample; '' where it could.
    clock_is_behind: something was received later than it is now, so no time that is shown can be relied on.
    """

    exchange_session: ExchangeSession
    plan: Prescription
    blood: Blood
    settings: Mapping[str, float]
    tally: Tally
    entries: tuple[Entry, ...]
    units: tuple[UnitRow, ...]
    log: tuple[LogRow, ...]
    due: Due | None
    last_seen: str
    last_seen_at: datetime | None
    sign_open: bool
    taken_back: TakenBack | None
    hung: tuple[UnitRow, ...]
    no_unit: str
    clock_is_behind: bool

    @property
    def is_running(self) -> bool:
        return self.exchange_session.state == State.RUNNING

    @property
    def keys(self) -> tuple[str, ...]:
        """Of every entry that is on the board, as the browsers made them."""
        return tuple(entry.key for entry in self.entries)

    @property
    def pause(self) -> Entry | None:
        """The entry that made the run stand still, with who and why; None where it goes on."""
        said = self.tally.pause
        return None if said is None else next(entry for entry in self.entries if entry.number == said.number)

    @property
    def pause_words(self) -> str:
        """Why a run stands still, as the page's heading; '' where it does not."""
        if not self.is_running:
            return ""
        is_paused = self.tally.paused_since is not None
        if is_paused and self.tally.halted:
            return "Stopped for a reaction"
        if self.taken_back is not None:
            return "Stopped: consent taken back"
        return "Paused" if is_paused else ""

    def as_fields(self) -> dict[str, Any]:
        """Return the fields by name, for the page of one way to carry a session out."""
        return {field.name: getattr(self, field.name) for field in fields(Board)}


def board_of(exchange_session: ExchangeSession, *, today: date, at: datetime) -> Board | None:
    """Return what every page at the chair shows of a session; None where it never had a signed plan.

    Nine queries, two more after a sign of haemolysis, one more where consent was taken back. While a unit is to come
    one more, and two where the sample does not hold by the shortest rule.
    """
    plan = plan_carried_out(exchange_session)
    if plan is None:
        return None
    settings = site_settings(exchange_session.patient.site, at)
    entries = list(Entry.objects.filter(exchange_session=exchange_session).select_related("by").order_by("number"))
    state = tally(planned_steps(plan.steps), [said_of(entry) for entry in entries])
    rows = DonationUnit.objects.filter(exchange_session=exchange_session).order_by("place")
    blood = blood_needed(exchange_session.patient, today)
    seen = max(state.observations, key=lambda said: said.happened_at, default=None)
    units = unit_rows(list(rows.select_related("first_checker", "second_checker")), state, settings)
    return Board(
        exchange_session=exchange_session,
        plan=plan,
        blood=blood,
        settings=settings,
        tally=state,
        entries=tuple(entries),
        units=units,
        log=log_rows(entries, state),
        due=_due(exchange_session, state, settings),
        last_seen=vitals_words(seen.body) if seen else "",
        last_seen_at=seen.happened_at if seen else None,
        sign_open=bool(blood.last_sign and open_signs(exchange_session.patient)),
        taken_back=taken_back_of(exchange_session, today),
        hung=tuple(unit for unit in units if unit.state == UnitState.RUNNING and unit.end_by and unit.end_by < at),
        no_unit=_no_unit(exchange_session, units, settings, at),
        clock_is_behind=clock_is_behind(max((entry.received_at for entry in entries), default=None), at),
    )


def _no_unit(
    exchange_session: ExchangeSession, units: Sequence[UnitRow], settings: Mapping[str, float], at: datetime
) -> str:
    """Why the first unit that is to come could not be started at the local moment `at`, by its crossmatch sample."""
    coming = next((unit for unit in units if unit.state in BEFORE_ITS_START), None)
    if coming is None or exchange_session.state != State.RUNNING:
        return ""
    patient = exchange_session.patient
    sample = sample_of_unit(coming.row, patient, at) if coming.row else newest_sample(patient, at)
    return fault_of_sample(sample, patient, at, settings)


def balance_limits(plan: Prescription, settings: Mapping[str, float], *, flagged: bool = False) -> BalanceLimits:
    """Return how far the balance of a session may go, from the weight of its plan."""
    found = limits_for(weight_kg=plan.weight_kg, settings=settings)
    return BalanceLimits(
        under_ml=float(found.draw_stop_ml[0]), over_ml=float(found.balance_stop_ml[0]), weight_kg=plan.weight_kg,
        ahead_ml=_ahead_ml(plan) if flagged and plan.method == Method.ONE_ARM else math.inf,
    )  # fmt: skip


def _ahead_ml(plan: Prescription) -> float:
    """From how much on a draw ahead is said; inf where the signed plan itself draws so far ahead. [mL]"""
    most = DRAWN_AHEAD_ML_PER_KG * plan.weight_kg
    is_planned = any(-float(step.get("balance_ml") or 0.0) >= most for step in plan.steps)
    return math.inf if is_planned else most


def _due(exchange_session: ExchangeSession, state: Tally, settings: Mapping[str, float]) -> Due | None:
    """The next observations of a running session; None where none are due any more."""
    if exchange_session.started_at is None or exchange_session.state != State.RUNNING:
        return None
    return next_observations(
        state,
        started_at=exchange_session.started_at,
        interval_min=settings["observation_interval_min"],
        slow_first_min=settings["slow_first_min"],
    )
