"""What stands against a result, and against all that came from the same sample."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from zoneinfo import ZoneInfo

from patients.models import LabResult, Patient
from programme.intake.models import RawMessage
from programme.intake.numeric import codes, plausible
from programme.intake.numeric.arrivals import WITHDRAWN, Arrival
from programme.intake.queries.known import earlier_value, newest_row, recorded_group

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

    arrivals: of one person and one moment. patient: whose they are, None where nobody fits.
    """
    values = [(sent, codes.read_value(sent, local)) for sent in arrivals if sent.status != WITHDRAWN]
    measured = [(sent, value) for sent, value in values if isinstance(value, codes.Measured)]
    doubt = None
    if patient is not None:
        doubt = _other_group(arrivals, patient) or _other_person(measured, patient, raw)
    return doubt or plausible.fractions_doubt({value.analyte: value.value for _, value in measured})


def _other_group(arrivals: Sequence[Arrival], patient: Patient) -> plausible.Doubt | None:
    groups = [codes.read_group(sent.value_text) for sent in arrivals if sent.code == codes.BLOOD_GROUP]
    doubts = [plausible.group_doubt(group, recorded_group(patient)) for group in groups if group]
    return next((doubt for doubt in doubts if doubt is not None), None)


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
