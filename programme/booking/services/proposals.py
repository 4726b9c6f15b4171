"""Places for everyone due: asked for, made, changed, dropped; `accepting` books them. Never applied by itself."""

from __future__ import annotations

from dataclasses import asdict
from datetime import date, datetime
from typing import Any
from zoneinfo import ZoneInfo

from django.core.exceptions import ValidationError
from django.db import transaction

from patients.models import Patient
from patients.services import local_day
from programme.booking.models import Proposal
from programme.booking.numeric.places import spoken
from programme.booking.queries.one_more import one_more_start
from programme.booking.queries.problem import read_problem
from programme.booking.queries.proposal import asked_of
from programme.booking.queries.together import Proposed, solved
from programme.core import trail
from programme.core.models import Site, User
from programme.core.settings_of_site import site_settings

MOST_WEEKS = 26


@transaction.atomic
def ask(*, site: Site, first: date, weeks: int, moves: str, actor: User, at: datetime) -> Proposal:
    """Store that a proposal is wanted; `make` makes it. Raises ValidationError with what is allowed."""
    today = local_day(at, site)
    if first < today:
        raise ValidationError({"first": f"{spoken(first)} is past; allowed is from today, {spoken(today)}, on."})
    if not 1 <= weeks <= MOST_WEEKS:
        raise ValidationError({"weeks": f"{weeks} weeks is not allowed; allowed is 1 to {MOST_WEEKS}."})
    if moves not in Proposal.Moves.values:
        raise ValidationError({"moves": "Say who may be moved: nobody, those who have not confirmed, or anybody."})
    row = Proposal.objects.create(
        site=site, first=first, weeks=weeks, moves=moves, asked_by=actor, asked_at=at,
        changed={"out": [], "fixed": {}},
    )  # fmt: skip
    trail.write([entry_of(row, "ask for a proposal")], actor=actor, at=at)
    return row


def make(*, key: int, at: datetime) -> None:
    """Find the places of a proposal that was asked for; done again, it writes the same."""
    row = Proposal.objects.select_related("site").get(pk=key)
    if row.state != Proposal.State.ASKED:
        return
    now = at.astimezone(ZoneInfo(row.site.time_zone))
    problem = read_problem(
        row.site, first=max(row.first, now.date()), weeks=row.weeks, now=now, settings=site_settings(row.site, at),
        asked=asked_of(row),
    )  # fmt: skip
    found = solved(problem)
    row.found = {
        "placed": [_stored(one) for one in found.placed],
        "left": [asdict(one) for one in found.left],
        "more": [one.words for one in one_more_start(problem, found)],
        "made_from": {ref: list(one.made_from or ()) for ref, one in sorted(problem.people.items())},
    }
    row.basis, row.proven_optimal, row.gap = dict(problem.basis), found.proven_optimal, found.gap
    row.state, row.made_at = Proposal.State.MADE, at
    row.save_changes(["found", "basis", "proven_optimal", "gap", "state", "made_at"])


def fail(*, key: int, trouble: str) -> None:
    """Say on a proposal that it could not be made."""
    Proposal.objects.filter(pk=key, state=Proposal.State.ASKED).update(state=Proposal.State.FAILED, trouble=trouble)


def _stored(one: Proposed) -> dict[str, Any]:
    old = one.old
    return {
        "patient_ref": one.patient_ref,
        "chair_pk": one.place.chair_pk,
        "chair": one.place.chair_name,
        "on": one.place.on.isoformat(),
        "slot": one.place.slot,
        "starts": f"{one.place.starts:%H:%M}",
        "ends": f"{one.place.ends:%H:%M}",
        "chance": None if one.chance is None else round(one.chance, 4),
        "late": one.late,
        "far_late": one.far_late,
        "reason": one.reason,
        "blood": one.blood,
        "trouble": one.trouble,
        "fixed": one.fixed,
        "old": None
        if old is None
        else {
            "pk": old.pk,
            "version": old.version,
            "on": old.on.isoformat(),
            "starts": f"{old.starts:%H:%M}",
            "chair": old.chair,
            "confirmed": old.state == "confirmed",
        },
    }


@transaction.atomic
def change(
    *,
    proposal: Proposal,
    version: int,
    actor: User,
    at: datetime,
    out: str = "",
    back: str = "",
    fixed: tuple[str, tuple[int, date, int]] | None = None,
    loose: str = "",
) -> None:
    """Leave somebody out or take them back, keep a place for somebody or let it go; it is then to be made again."""
    _only_open(proposal)
    kept: dict[str, Any] = {"out": list(proposal.changed["out"]), "fixed": dict(proposal.changed["fixed"])}
    if out and out not in kept["out"]:
        kept["out"] = sorted([*kept["out"], out])
        kept["fixed"].pop(out, None)
    if back in kept["out"]:
        kept["out"].remove(back)
    if fixed is not None:
        ref, (chair, on, slot) = fixed
        kept["fixed"] = dict(sorted({**kept["fixed"], ref: [chair, on.isoformat(), slot]}.items()))
    kept["fixed"].pop(loose, None)
    _again(proposal, version, kept, "change a proposal", actor, at)


@transaction.atomic
def again(*, proposal: Proposal, version: int, actor: User, at: datetime) -> None:
    """Have a proposal made again from what holds today, with the same changes."""
    _only_open(proposal)
    _again(proposal, version, proposal.changed, "make a proposal again", actor, at)


def _again(proposal: Proposal, version: int, changed: dict[str, Any], action: str, actor: User, at: datetime) -> None:
    proposal.version, proposal.changed, proposal.state = version, changed, Proposal.State.ASKED
    proposal.asked_by, proposal.asked_at = actor, at
    proposal.save_changes(["changed", "state", "asked_by", "asked_at"])
    trail.write([entry_of(proposal, action)], actor=actor, at=at)


@transaction.atomic
def drop(*, proposal: Proposal, version: int, actor: User, at: datetime) -> None:
    """Put a proposal away; what was accepted of it stays booked."""
    _only_open(proposal)
    proposal.version, proposal.state = version, Proposal.State.DROPPED
    proposal.save_changes(["state"])
    trail.write([entry_of(proposal, "drop a proposal")], actor=actor, at=at)


def _only_open(proposal: Proposal) -> None:
    if proposal.state == Proposal.State.DROPPED:
        raise ValidationError("This proposal was dropped; ask for a new one.")


def entry_of(row: Proposal, action: str) -> trail.Change:
    """What the trail keeps of a change of a proposal: people by the keys of their rows.

    The unit's own chain outlives every record, so no reference stands in it.
    """
    refs = {*row.changed["out"], *row.changed["fixed"], *row.accepted}
    keys = dict(Patient.objects.filter(site_id=row.site_id, patient_ref__in=refs).values_list("patient_ref", "pk"))
    after = {"first": row.first.isoformat(), "weeks": row.weeks, "moves": row.moves, "state": row.state}
    after |= {
        "left_out": sorted(keys[ref] for ref in row.changed["out"] if ref in keys),
        "kept_places": {str(keys[ref]): place for ref, place in row.changed["fixed"].items() if ref in keys},
        "accepted": {str(keys[ref]): booking for ref, booking in row.accepted.items() if ref in keys},
    }
    return trail.Change(row.site_id, None, action, row._meta.label, row.pk, row.version, after=after)
