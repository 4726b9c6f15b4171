"""Accepting a proposal, whole or in part: what is ticked is booked by the checks of one booking, or nothing is."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from datetime import date, datetime, time
from typing import Any

from django.core.exceptions import ValidationError
from django.db import transaction

from patients.models import Patient
from programme.booking.models import Booking, Proposal
from programme.booking.numeric.places import spoken
from programme.booking.numeric.reasons import Reasons
from programme.booking.services.booking import hold, make_booking, told
from programme.booking.services.moves import UNIT, give_way
from programme.booking.services.proposals import entry_of
from programme.core import trail
from programme.core.models import EditedMeanwhile, Site, User


@dataclass
class _Acceptance:
    """One acceptance under way. words: what became of the blood of those who move; faults: all that is refused."""

    proposal: Proposal
    people: dict[str, Patient]
    reasons: Mapping[str, Reasons]
    actor: User
    at: datetime
    given_up: dict[str, Booking] = field(default_factory=dict)
    accepted: dict[str, int] = field(default_factory=dict)
    words: list[str] = field(default_factory=list)
    faults: list[str] = field(default_factory=list)


@transaction.atomic
def accept(
    *, proposal: Proposal, version: int, reasons: Mapping[str, Reasons], actor: User, at: datetime
) -> tuple[int, str]:
    """Book what is proposed for these people, all of it or nothing; return how many, and what became of their blood.

    reasons: who, by reference, with the reasons that their place may need. Each goes through the same checks as a
    single booking. Raises ValidationError that names every conflict, and EditedMeanwhile where somebody else changed
    the proposal after it was shown.
    """
    Site.objects.select_for_update().get(pk=proposal.site_id)  # of two who accept at once the second sees the first
    now = Proposal.objects.select_for_update(of=("self",)).select_related("site").get(pk=proposal.pk)
    if now.state != Proposal.State.MADE:
        raise ValidationError(f"This proposal is {now.get_state_display()}; only one that is made is accepted.")
    wanted = [one for one in now.found["placed"] if one["patient_ref"] in reasons]
    doing = _Acceptance(now, _people(now), reasons, actor, at, accepted=dict(now.accepted))
    doing.faults += [*_accepted_already(now, version, wanted, doing.people), *_blocked(now, wanted, doing.people)]
    _refuse_faults(doing)
    wanted = [one for one in wanted if one["patient_ref"] not in now.accepted]
    if not wanted:
        raise ValidationError("Choose at least one place to accept.")
    for one in wanted:  # first every old place is given up, so that people can take one another's
        _try(doing, one, _give_up)
    _refuse_faults(doing)
    for one in wanted:
        _try(doing, one, _take, hint=_leaving(now, one, wanted, doing.people))
    _refuse_faults(doing)
    now.version, now.accepted = version, doing.accepted
    now.save_changes(["accepted"])
    trail.write([entry_of(now, "accept a proposal")], actor=actor, at=at)
    return len(wanted), " ".join(dict.fromkeys(filter(None, doing.words)))


def _refuse_faults(doing: _Acceptance) -> None:
    if doing.faults:
        raise ValidationError(["Nothing was booked.", *doing.faults])


def _people(proposal: Proposal) -> dict[str, Patient]:
    """Everybody placed by a proposal, by reference."""
    refs = [one["patient_ref"] for one in proposal.found["placed"]]
    rows = Patient.objects.select_related("site").filter(site_id=proposal.site_id, patient_ref__in=refs)
    return {row.patient_ref: row for row in rows.order_by("pk")}


def _accepted_already(
    proposal: Proposal, version: int, wanted: list[dict[str, Any]], people: dict[str, Patient]
) -> list[str]:
    """Say for whom somebody else has accepted a place since the proposal was shown."""
    if proposal.version == version:
        return []
    made = Booking.objects.select_related("chair").in_bulk(proposal.accepted.values())
    found = []
    for one in wanted:
        booking = made.get(proposal.accepted.get(one["patient_ref"], 0))
        if booking is not None:
            place = f"{spoken(booking.on)}, {booking.starts:%H:%M}, {booking.chair}"
            found.append(f"{people[one['patient_ref']].shown_name} was accepted meanwhile, for {place}.")
    return found


def _blocked(proposal: Proposal, wanted: list[dict[str, Any]], people: dict[str, Patient]) -> list[str]:
    """Say who would take a place that somebody gives up by this proposal who is not accepted with them."""
    together = {one["patient_ref"] for one in wanted} | set(proposal.accepted)
    staying = {
        one["old"]["pk"]: one["patient_ref"]
        for one in proposal.found["placed"]
        if one["old"] is not None and one["patient_ref"] not in together
    }
    held = list(Booking.objects.standing().filter(pk__in=staying)) if staying else []
    found = []
    for one in wanted:
        starts, ends = time.fromisoformat(one["starts"]), time.fromisoformat(one["ends"])
        for row in held:
            same = row.chair_id == one["chair_pk"] and row.on.isoformat() == one["on"]
            if same and row.starts < ends and starts < row.ends and one["patient_ref"] not in proposal.accepted:
                name, other = people[one["patient_ref"]].shown_name, people[staying[row.pk]].shown_name
                place = f"{spoken(row.on)}, {starts:%H:%M}, {one['chair']}"
                found.append(f"{name} takes the place of {other} ({place}): accept {other} with them, or neither.")
    return found


def _leaving(proposal: Proposal, one: dict[str, Any], wanted: list[dict[str, Any]], people: dict[str, Patient]) -> str:
    """Say who, not accepted, would leave the day of a place by this proposal: with them it may be too full."""
    together = {row["patient_ref"] for row in wanted} | set(proposal.accepted)
    names = [
        people[row["patient_ref"]].shown_name
        for row in proposal.found["placed"]
        if row["old"] is not None and row["old"]["on"] == one["on"] != row["on"] and row["patient_ref"] not in together
    ]
    return f"By this proposal {' and '.join(names)} would leave that day: accept them too." if names else ""


Act = Callable[[_Acceptance, dict[str, Any]], None]


def _try(doing: _Acceptance, one: dict[str, Any], act: Act, *, hint: str = "") -> None:
    """Do one thing for one person, or keep nothing of it and note what was refused."""
    try:
        with transaction.atomic():
            act(doing, one)
    except (ValidationError, EditedMeanwhile) as error:
        said = " ".join(error.messages) if isinstance(error, ValidationError) else str(error)
        doing.faults.append(f"{doing.people[one['patient_ref']].shown_name}: {said} {hint}".rstrip())


def _give_up(doing: _Acceptance, one: dict[str, Any]) -> None:
    ref, old, number = one["patient_ref"], one["old"], doing.proposal.pk
    person = doing.people[ref]
    hold(person)
    if old is None:
        since = doing.proposal.made_at or doing.at
        if Booking.objects.standing().filter(patient=person, made_at__gt=since).exists():
            raise ValidationError("They were booked meanwhile; make the proposal again.")
        return
    booking = Booking.objects.select_related("patient__site", "chair").get(pk=old["pk"], patient=person)
    give_way(
        booking=booking, version=old["version"], ended_by=UNIT, reason=f"Placed anew with everyone, proposal {number}.",
        actor=doing.actor, at=doing.at,
    )  # fmt: skip
    doing.given_up[ref] = booking


def _take(doing: _Acceptance, one: dict[str, Any]) -> None:
    ref = one["patient_ref"]
    old = doing.given_up.get(ref)
    made = make_booking(
        patient=doing.people[ref], chair_pk=one["chair_pk"], on=date.fromisoformat(one["on"]), slot=one["slot"],
        actor=doing.actor, at=doing.at, reasons=doing.reasons[ref], instead_of=old,
    )  # fmt: skip
    doing.accepted[ref] = made.pk
    if old is not None:
        doing.words.append(told(old, made, actor=doing.actor, at=doing.at))
