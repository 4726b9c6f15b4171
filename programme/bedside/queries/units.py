"""The units of a session as their pages show them, with their clocks. Fixed number of queries."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime
from zoneinfo import ZoneInfo

from patients.models import CrossmatchSample
from programme.bedside.queries.consent import TakenBack, taken_back_of
from programme.bedside.queries.run_rows import BEFORE_ITS_START
from programme.core import access
from programme.core.models import Site, User
from programme.core.settings_of_site import site_settings, site_texts
from programme.worklist.queries.who import Blood, blood_needed
from sessions.day.numeric.blood_match import ASK, Needed, differences
from sessions.day.numeric.donation_number import BadCode, Group, check_character, read_group_codes, spaced
from sessions.day.numeric.samples import holds_at, holds_until
from sessions.day.numeric.tally import Tally, UnitTimes
from sessions.day.numeric.unit_clocks import UnitClocks, late_start, unit_clocks
from sessions.day.queries import (
    blood_of,
    came_before,
    clocks_of,
    needed_blood,
    newest_sample,
    sample_rule_of,
    tally_of,
    times_of,
)
from sessions.models import DonationUnit, ExchangeSession, State, UnitState


@dataclass(frozen=True, slots=True)
class UnitLine:
    """One unit: `number` in its groups and the check character beside it; `late` where its start limit has gone by.

    times, clocks: as put right, where the row has them as first entered.
    """

    row: DonationUnit
    number: str
    check: str
    times: UnitTimes
    clocks: UnitClocks
    asks: tuple[str, ...]
    late: str
    next: str  # check, start, end or ''

    @property
    def given_ml(self) -> float:
        return self.times.in_ml

    @property
    def may_be_put_away(self) -> bool:
        return self.row.state in BEFORE_ITS_START and self.given_ml <= 0.0


@dataclass(frozen=True, slots=True)
class UnitsPage:
    """sample_until: the last moment of the crossmatch sample; None where there is none."""

    exchange_session: ExchangeSession
    blood: Blood
    needed: Needed
    settings: Mapping[str, float]
    units: tuple[UnitLine, ...]
    sample_until: datetime | None
    sample_holds: bool
    paused: bool
    taken_back: TakenBack | None

    @property
    def takes_units(self) -> bool:
        return self.exchange_session.state in (State.AUTHORISED, State.RUNNING)

    @property
    def two_check(self) -> bool:
        """Whether the site asks for two people at each unit."""
        return self.settings["checkers_needed"] > 1

    def line(self, place: int) -> UnitLine | None:
        return next((line for line in self.units if line.row.place == place), None)


def units_of(exchange_session: ExchangeSession, *, now: datetime) -> UnitsPage:
    """Return the units of a session at the local moment `now`; about ten queries, whatever the number of units."""
    patient = exchange_session.patient
    settings, needed = site_settings(patient.site, now), needed_blood(patient)
    state = tally_of(exchange_session)
    rows = DonationUnit.objects.filter(exchange_session=exchange_session).order_by("place")
    sample = newest_sample(patient, now)
    until, holds = None, False
    if sample is not None:
        taken, rule = sample.taken_at.astimezone(now.tzinfo), sample_rule_of(patient, now.date(), settings)
        until, holds = holds_until(taken, rule), holds_at(taken, now, rule)
    return UnitsPage(
        exchange_session=exchange_session,
        blood=blood_needed(patient, now.date()),
        needed=needed,
        settings=settings,
        units=tuple(
            _line(row, exchange_session, needed, state, settings, sample, now)
            for row in rows.select_related("first_checker", "second_checker")
        ),
        sample_until=until,
        sample_holds=holds,
        paused=state.paused_since is not None,
        taken_back=taken_back_of(exchange_session, now.date()),
    )


def _line(
    row: DonationUnit,
    exchange_session: ExchangeSession,
    needed: Needed,
    state: Tally,
    settings: Mapping[str, float],
    sample: CrossmatchSample | None,
    now: datetime,
) -> UnitLine:
    local = unit_clocks(
        out_of_storage_at=row.out_of_storage_at and row.out_of_storage_at.astimezone(now.tzinfo),
        started_at=None,
        settings=settings,
    )
    zone = ZoneInfo(exchange_session.patient.site.time_zone)
    came = filter(None, [came_before(row, sample, zone)]) if row.state in BEFORE_ITS_START else ()
    steps = {UnitState.AT_CHAIR: "check", UnitState.CHECKED: "start", UnitState.RUNNING: "end"}
    step = steps.get(UnitState(row.state), "")
    if exchange_session.state != State.RUNNING and not (step == "check" and exchange_session.state == State.AUTHORISED):
        step = ""
    return UnitLine(
        row=row,
        number=spaced(row.donation_number) if row.donation_number else "number not recorded",
        check=_check(row.donation_number),
        times=times_of(row, state),
        clocks=clocks_of(row, state, settings),
        asks=(*(one.words for one in differences(blood_of(row), needed) if one.state == ASK), *came),
        late=late_start(local, now) if row.state == UnitState.CHECKED else "",
        next=step,
    )


def _check(number: str) -> str:
    try:
        return check_character(number) if number else ""
    except BadCode:
        return ""


def group_codes(site: Site, at: datetime) -> dict[str, Group]:
    """Return the site's own list of group codes; nothing where it has none or wrote it wrongly. One query."""
    try:
        return read_group_codes(site_texts(site, at)["group_codes"])
    except BadCode:
        return {}


def colleagues_of(user: User) -> dict[str, str]:
    """Return who may sign a check beside the user: sign-in name to full name; one query."""
    roles = access.matrix()["change.run"]
    people = User.objects.filter(site_id=user.site_id, is_active=True, role__in=roles).exclude(pk=user.pk)
    return {one.username: one.full_name for one in people.order_by("full_name")}
