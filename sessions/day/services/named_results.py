"""The results that a signed plan names are those before its session, whatever its times turn out to be."""

from __future__ import annotations

from patients.models import LabResult, ResultStatus
from patients.services import change_of
from programme.core.trail import Change
from sessions.day.inputs import result_keys
from sessions.day.numeric.done import Done
from sessions.day.queries import plan_carried_out
from sessions.models import ExchangeSession, Position, ResultLink


def link_named_results(exchange_session: ExchangeSession, carried_out: Done) -> list[Change]:
    """Link the results named by the plan to a session that is being ended, as before; return the trail's entries.

    A corrected result counts as corrected; one that was withdrawn, or linked by somebody, is left. Nothing is linked
    where nothing was given or drawn, nor anew once the session counts: what people linked otherwise since then stays.
    """
    moved = carried_out.red_cells_in_ml > 0 or carried_out.out_ml > 0
    plan = plan_carried_out(exchange_session) if moved and not exchange_session.has_happened else None
    if plan is None:
        return []
    links = ResultLink.objects.filter(exchange_session=exchange_session, position=Position.BEFORE)
    taken = set(links.exclude(result__status=ResultStatus.WITHDRAWN).values_list("result__analyte", flat=True))
    said = []
    for named in LabResult.objects.filter(pk__in=result_keys(plan.inputs), patient=exchange_session.patient_id):
        newest = _newest(named)
        if newest is None or newest.analyte in taken or ResultLink.objects.filter(result=newest).exists():
            continue
        link = ResultLink.objects.create(
            exchange_session=exchange_session, result=newest, position=Position.BEFORE, by_rule=False
        )
        taken.add(newest.analyte)
        why = f"named by plan {plan.number}"
        said.append(change_of(exchange_session.patient, "link result as before", link, why=why))
    return said


def _newest(result: LabResult) -> LabResult | None:
    """Return the row that a result is corrected to, itself where it stands; None where it no longer counts."""
    while later := LabResult.objects.filter(supersedes=result).first():
        result = later
    return LabResult.objects.in_force().filter(pk=result.pk).first()
