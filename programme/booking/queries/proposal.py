"""A stored proposal as its page shows it: the sheet by week, who goes where, who is left, what changed since."""

from __future__ import annotations

from dataclasses import dataclass, replace
from datetime import date, datetime, time, timedelta
from typing import Any

from patients.models import Patient
from programme.booking.models import Proposal
from programme.booking.numeric.places import RankedPlace
from programme.booking.numeric.reasons import near_in_short
from programme.booking.queries.basis import basis_today, changed_since
from programme.booking.queries.diary import ChairCell, Column, DayRow, columns_of, rows_of, short_names
from programme.booking.queries.free import SiteCalendar, site_calendar
from programme.booking.queries.placing import ToPlace, people_of, places_for, without
from programme.booking.queries.problem import Asked
from programme.core.models import Site
from programme.core.settings_of_site import site_settings

OTHERS_SHOWN = 6
MADE_WITHIN = timedelta(minutes=10)
"""Nothing after so long means that whoever made it has died: 300 people in 12 weeks take a minute. Chosen here."""


@dataclass(frozen=True, slots=True)
class Entry:
    """One person's line: the place proposed and the one it would take the place of. accepted: key of the booking.

    As things stand now: near, that it is within the shortest interval of another place of theirs, '' where it is not;
    is_stale, whether their figures are older than what is recorded.
    """

    patient_ref: str
    name: str
    on: date
    starts: time
    ends: time
    chair: str
    chair_pk: int
    slot: int
    chance: float | None
    late: bool
    far_late: bool
    reason: str
    blood: str
    trouble: str
    fixed: bool
    old_on: date | None
    old_words: str
    accepted: int | None
    near: str = ""
    is_stale: bool = False

    @property
    def week(self) -> int:
        return self.on.isocalendar().week

    @property
    def fixed_value(self) -> str:
        """The place as the forms of placing read it."""
        return f"{self.chair_pk}|{self.on.isoformat()}|{self.slot}"


@dataclass(frozen=True, slots=True)
class Left:
    """Somebody who is left, and which limit holds."""

    patient_ref: str
    name: str
    reason: str


@dataclass(frozen=True, slots=True)
class Other:
    """The places that one person could have instead."""

    patient_ref: str
    name: str
    ranked: tuple[RankedPlace, ...]


@dataclass(frozen=True, slots=True)
class ProposalPage:
    """The whole page. changed: what is different since it was made, in words. by_hand: who is not in it, because no
    window is known; as things stand now."""

    row: Proposal
    last: date
    entries: tuple[Entry, ...]
    left: tuple[Left, ...]
    out: tuple[tuple[str, str], ...]
    more: tuple[str, ...]
    changed: tuple[str, ...]
    columns: tuple[Column, ...]
    rows: tuple[DayRow, ...]
    other: Other | None
    now: datetime
    by_hand: tuple[ToPlace, ...] = ()

    @property
    def made_by(self) -> datetime:
        """By when one that was asked for should be there."""
        return (self.row.asked_at + MADE_WITHIN).astimezone(self.now.tzinfo)

    @property
    def is_stuck(self) -> bool:
        """Whether it was asked for so long ago that nobody makes it any more."""
        return self.row.state == Proposal.State.ASKED and self.now > self.made_by

    @property
    def open_entries(self) -> tuple[Entry, ...]:
        """What is not accepted yet."""
        return tuple(one for one in self.entries if one.accepted is None)

    @property
    def all_stale(self) -> bool:
        """Whether the figures of everybody not accepted yet are older than what is recorded, as after a new version."""
        return len(self.open_entries) > 1 and all(one.is_stale for one in self.open_entries)

    @property
    def any_late(self) -> bool:
        return any(one.late for one in self.open_entries)

    @property
    def any_far_late(self) -> bool:
        return any(one.far_late for one in self.open_entries)

    @property
    def moving(self) -> int:
        return sum(one.old_on is not None for one in self.open_entries)

    @property
    def gap_pct(self) -> float:
        return 100 * self.row.gap


def newest(site: Site) -> Proposal | None:
    """The newest proposal that was not dropped."""
    return Proposal.objects.filter(site=site).exclude(state=Proposal.State.DROPPED).first()


def asked_of(row: Proposal) -> Asked:
    """What a stored proposal asks to be different."""
    fixed = {ref: (chair, date.fromisoformat(on), slot) for ref, (chair, on, slot) in row.changed["fixed"].items()}
    return Asked(row.moves, frozenset(row.changed["out"]), fixed)


def read_proposal(row: Proposal, now: datetime, *, by_person: bool = False, other_ref: str = "") -> ProposalPage:
    """Return the page of a proposal; other_ref: whose other places are asked for."""
    site, first = row.site, max(row.first, now.date())
    last = first + timedelta(days=7 * row.weeks - 1)
    settings = site_settings(site, now)
    calendar = site_calendar(site, first, last)
    found = row.found or {"placed": [], "left": [], "more": []}
    refs = [one["patient_ref"] for one in (*found["placed"], *found["left"])] + row.changed["out"]
    names = {one.patient_ref: one.shown_name for one in Patient.objects.filter(site=site, patient_ref__in=refs)}
    entries = tuple(_entry(one, names, row.accepted) for one in found["placed"])
    changed: tuple[str, ...] = ()
    by_hand: tuple[ToPlace, ...] = ()
    if row.state == Proposal.State.MADE:
        everyone = people_of(site, now, settings)
        today = basis_today(site, everyone, first=first, weeks=row.weeks, settings=settings)
        changed, entries = changed_since(row.basis, today), _as_of_now(entries, everyone)
        by_hand = tuple(one for one in everyone if one.is_by_hand)
    columns = columns_of(calendar)
    key = (lambda one: one.name.casefold()) if by_person else (lambda one: (one.on, one.starts, one.chair))
    return ProposalPage(
        row=row,
        last=last,
        entries=tuple(sorted(entries, key=key)),
        left=tuple(Left(one["patient_ref"], names[one["patient_ref"]], one["reason"]) for one in found["left"]),
        out=tuple((ref, names.get(ref, ref)) for ref in row.changed["out"]),
        more=tuple(found["more"]),
        changed=changed,
        columns=columns,
        rows=_sheet(calendar, columns, entries, now),
        other=_other(site, calendar, now, settings, other_ref, row) if other_ref else None,
        now=now,
        by_hand=by_hand,
    )


def _entry(one: dict[str, Any], names: dict[str, str], accepted: dict[str, int]) -> Entry:
    ref, old = one["patient_ref"], one["old"]
    return Entry(
        patient_ref=ref,
        name=names[ref],
        on=date.fromisoformat(one["on"]),
        starts=time.fromisoformat(one["starts"]),
        ends=time.fromisoformat(one["ends"]),
        chair=one["chair"],
        chair_pk=one["chair_pk"],
        slot=one["slot"],
        chance=one["chance"],
        late=one["late"],
        far_late=one.get("far_late", one["late"]),
        reason=one["reason"],
        blood=one.get("blood", ""),  # '' in a proposal made before it was said
        trouble=one.get("trouble", ""),
        fixed=one["fixed"],
        old_on=None if old is None else date.fromisoformat(old["on"]),
        old_words="" if old is None else f"{old['starts']}, {old['chair']}{', confirmed' if old['confirmed'] else ''}",
        accepted=accepted.get(ref),
    )


def _as_of_now(entries: tuple[Entry, ...], everyone: tuple[ToPlace, ...]) -> tuple[Entry, ...]:
    """The same lines, each saying whether its place is now too near another one of the person, and if it is stale."""
    rows = {row.patient_ref: row for row in everyone}

    def said(one: Entry) -> Entry:
        row = rows.get(one.patient_ref)
        if row is None or one.accepted is not None:
            return one
        return replace(one, near=near_in_short(without(row.seeker, one.old_on), one.on), is_stale=row.stale)

    return tuple(map(said, entries))


def _sheet(
    calendar: SiteCalendar, columns: tuple[Column, ...], entries: tuple[Entry, ...], now: datetime
) -> tuple[DayRow, ...]:
    """The diary's sheet with the proposed places in it, and with the bookings that would give way marked."""
    coming = {(one.on, one.chair_pk, one.slot): one for one in entries if one.accepted is None}
    going = {(one.patient_ref, one.old_on) for one in entries if one.accepted is None and one.old_on is not None}
    short = short_names([one.name for one in entries])

    def cell(row: DayRow, column: Column, had: ChairCell) -> ChairCell:
        leaves = had.booked is not None and (had.booked.patient_ref, row.on) in going
        one = coming.get((row.on, column.chair_pk, column.slot))
        if one is not None:
            return ChairCell("prop", short[one.name], had.booked if leaves else None, had.name, had.missed)
        return replace(had, kind="bkd mov") if leaves else had

    return tuple(
        replace(row, cells=tuple(cell(row, column, had) for column, had in zip(columns, row.cells, strict=True)))
        for row in rows_of(calendar, columns, [], now)
    )


def _other(
    site: Site, calendar: SiteCalendar, now: datetime, settings: dict[str, float], ref: str, row: Proposal
) -> Other | None:
    """The ranked places of one person, as if the bookings that this proposal moves were given up."""
    person = Patient.objects.filter(site=site, patient_ref=ref).first()
    found = () if person is None else people_of(site, now, settings, only=[person.pk])
    if person is None or not found:
        return None
    giving_up = None
    for one in row.found.get("placed", []):
        if one["old"] is not None and one["patient_ref"] not in row.accepted:
            calendar = calendar.without(one["old"]["pk"])
            giving_up = date.fromisoformat(one["old"]["on"]) if one["patient_ref"] == ref else giving_up
    ranked = places_for(found[0], calendar, giving_up=giving_up)[:OTHERS_SHOWN]
    return Other(ref, person.shown_name, ranked)
