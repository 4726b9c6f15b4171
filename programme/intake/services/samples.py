"""What stands against a result, and against all that came from the same sample."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from datetime import datetime
from zoneinfo import ZoneInfo

from patients.models import LabResult, Patient
from patients.services import change_of, state_of
from programme.core import trail
from programme.intake.models import RawMessage
from programme.intake.numeric import codes, plausible
from programme.intake.numeric.arrivals import WITHDRAWN, Arrival
from programme.intake.queries.known import earlier_value, newest_row, recorded_group
from programme.intake.queries.tube import groups_of_moment, item_in_doubt, rows_of_moment

TELL_OF_THE_TUBE = (codes.HBS.analyte, codes.HB.analyte)


def doubt_about_result(
    arrival: Arrival, measured: codes.Measured, patient: Patient, *, raw: RawMessage, old: LabResult | None
) -> plausible.Doubt | None:
    """Return the gravest doubt about one result by itself. old: the row that it would take the place of."""
    if arrival.taken_at is None:
        return None
    return plausible.doubts_about(
        measured,
        taken_at=arrival.taken_at,
        taken_on=arrival.taken_at.astimezone(ZoneInfo(raw.site.time_zone)).date(),
        received_at=raw.received_at,
        birth_date=patient.birth_date,
        earlier=earlier_value(patient, measured.analyte, arrival.taken_at, but=old),
    )


def doubt_about_sample(
    arrivals: Sequence[Arrival], patient: Patient | None, *, raw: RawMessage, local: Mapping[str, codes.LocalMeaning]
) -> plausible.Doubt | None:
    """Return what stands against every result of a sample: a wrong tube is wrong for all that was measured in it.

    arrivals: of one person and one moment. patient: whose they are, None where nobody fits. What came of that moment in
    other messages is looked at with them.
    """
    values = [(sent, codes.read_value(sent, local)) for sent in arrivals if sent.status != WITHDRAWN]
    measured = [(sent, value) for sent, value in values if isinstance(value, codes.Measured)]
    pct = {value.analyte: value.value for _, value in measured}
    taken_at = arrivals[0].taken_at
    if patient is None or taken_at is None:
        return plausible.fractions_doubt(pct)
    earlier = [row for row in rows_of_moment(patient, taken_at) if row.analyte not in pct]
    return (
        group_doubt_of_sample(patient, taken_at, arrivals)
        or _other_person(measured, patient, raw)
        or _doubtful_before(earlier)
        or _fractions_doubt(pct, [row for row in earlier if is_one_tube(row, arrivals)])
    )


def is_one_tube(row: LabResult, arrivals: Sequence[Arrival]) -> bool:
    """Say whether a row is so surely of the tube of these arrivals that its fractions add up with theirs.

    Of two samples of one day without a time, one may be from before a session and one from after it.
    """
    return row.time_known and all(sent.time_known and sent.source == row.source for sent in arrivals)


def group_doubt_of_sample(
    patient: Patient, taken_at: datetime, arrivals: Sequence[Arrival] = ()
) -> plausible.Doubt | None:
    """Return a doubt where a blood group of that moment, from these arrivals or before, is not the recorded one."""
    sent = [codes.read_group(one.value_text) for one in arrivals if one.code == codes.BLOOD_GROUP]
    before = groups_of_moment(patient, taken_at, but=[(one.source, one.result_id) for one in arrivals])
    groups = [group for group in (*sent, *before) if group]
    recorded = recorded_group(patient) if groups else ""
    doubts = (plausible.group_doubt(group, recorded) for group in groups)
    return next((doubt for doubt in doubts if doubt is not None), None)


def hold_row(row: LabResult, held_reason: str, *, why: str) -> trail.Change:
    """Write why a stored result is held, '' where it counts again, and return the trail's entry of it."""
    before = state_of(row)
    row.held_reason = held_reason[:200]
    row.save(update_fields=["held_reason"])
    action = "hold result" if held_reason else "accept held result"
    return change_of(row.patient, action, row, before=before, why=why[:400])


def _doubtful_before(earlier: Sequence[LabResult]) -> plausible.Doubt | None:
    item = item_in_doubt(earlier, "far_from_last")
    return None if item is None else plausible.Doubt("same_sample", f"From the same sample: {item.sentence}")


def _fractions_doubt(pct: Mapping[str, float], earlier: Sequence[LabResult]) -> plausible.Doubt | None:
    item = item_in_doubt(earlier, "fractions")
    doubt = None if item is None else plausible.Doubt(item.reason, item.sentence)
    if pct.keys().isdisjoint(plausible.FRACTIONS):
        return doubt
    return plausible.fractions_doubt({row.analyte: row.value for row in earlier} | dict(pct)) or doubt


def _other_person(
    measured: Sequence[tuple[Arrival, codes.Measured]], patient: Patient, raw: RawMessage
) -> plausible.Doubt | None:
    for sent, value in measured:
        if value.analyte not in TELL_OF_THE_TUBE:
            continue
        old = newest_row(raw.site, sent.source, sent.result_id)
        doubt = doubt_about_result(sent, value, patient, raw=raw, old=old)
        if doubt is not None and doubt.reason == "far_from_last":
            return replace(doubt, reason="same_sample", sentence=f"From the same sample: {doubt.sentence}")
    return None
