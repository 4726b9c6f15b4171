"""The units of a session's record: what each was, who checked it, on which sample, its times and its end."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import tzinfo

from patients.models import CrossmatchSample
from programme.bedside.queries.record_rows import Line, because_words, moment_words
from programme.worklist.numeric.words import full_day_words
from sessions.day.numeric import entries as kinds
from sessions.day.numeric.tally import Tally
from sessions.day.queries import Ending, times_of
from sessions.models import DonationUnit


@dataclass(frozen=True, slots=True)
class UnitOnRecord:
    """One unit, every cell in words."""

    place: int
    number: str
    what: str
    checked: str
    sample: str
    times: str
    end: str


def sample_of_unit(ending: Ending, place: int, samples: Mapping[int, CrossmatchSample], zone: tzinfo) -> str:
    """The crossmatch sample on which a unit was started, by the entry of its start. samples: of the person, by key."""
    undone = ending.state.undone
    starts = [entry for entry in ending.entries if entry.kind == kinds.UNIT_STARTED and entry.number not in undone]
    named = [entry.body.get("crossmatch_sample") for entry in starts if entry.body.get("unit") == place]
    if not named:
        return ""
    sample = samples.get(named[-1] or 0)
    if sample is None:
        return "crossmatch sample not recorded"
    words = f"crossmatch sample taken {moment_words(sample.taken_at, zone)}"
    why = sample.withdrawn_reason
    return f"{words}; the sample was withdrawn later{because_words(why)}" if why else words


def unit_row(row: DonationUnit, state: Tally, zone: tzinfo, sample: str) -> UnitOnRecord:
    group = f"{row.abo} D{'+' if row.rhd == '+' else '-'}" if row.abo else "group not recorded"
    what = (
        [group]
        + ([f"{row.volume_ml:.0f} mL"] if row.volume_ml else [])
        + ([f"{row.hb_g:.0f} g Hb"] if row.hb_g else [])
    )
    if row.expires_on:
        what.append(f"expires {full_day_words(row.expires_on)}")
    what += [f"negative for {row.antigens_negative}"] if row.antigens_negative else []
    what += {True: ["HbS-negative"], False: ["not HbS-negative"], None: []}[row.hbs_negative]
    what += [row.special_marks] if row.special_marks else []
    checkers = [user.full_name for user in (row.first_checker, row.second_checker) if user]
    checked = f"{' and '.join(checkers) or 'nobody'} {moment_words(row.checked_at, zone)}".strip()
    if row.emergency_reason:
        checked += f"; emergency: {row.emergency_reason}"
    out = f"out of storage {moment_words(row.out_of_storage_at, zone)}; " if row.out_of_storage_at else ""
    if row.back_in_storage_at:
        decided = f" as decided by {row.return_decided}" if row.return_decided else ""
        out += f"back in storage {moment_words(row.back_in_storage_at, zone)}{decided}; "
    was = times_of(row, state)
    times = f"{out}started {moment_words(was.started_at, zone) or '–'}; ended {moment_words(was.ended_at, zone) or '–'}"
    number = " ".join(part for part in (row.donation_number or "number not recorded", row.product_code) if part)
    end = f"{row.get_state_display()}{because_words(row.end_reason)}"
    return UnitOnRecord(row.place, number, ", ".join(what), checked, sample, times, end)


def unit_line(row: UnitOnRecord) -> Line:
    """A unit as a line: donation number, what it is, who checked it, its sample, times and what became of it."""
    parts = [row.number, row.what, f"checked by {row.checked}", row.sample, row.times, row.end]
    return Line("unit", "; ".join(part for part in parts if part), unit=row.place)
