"""Reading for the pages that ask the planner: what would be suggested with other goals."""

from __future__ import annotations

from datetime import date
from typing import Any

from patients.models import Patient
from programme.planning.beside import beside
from programme.planning.numeric.people import AVAILABLE, WhatIf
from programme.planning.printed import plan_object
from programme.planning.reckoning import SiteAsOf
from programme.planning.stored import options_of
from sessions import forecasting


def what_if(patient: Patient, *, as_of: date, asked: WhatIf) -> tuple[dict[str, Any], dict[str, Any] | None]:
    """Return (printed plan, options) of one person for the goals asked about; nothing is written.

    The fit in force answers, so that only the goals differ from what is stored.
    """
    stored = forecasting.fit_in_force(patient.site, as_of)
    fit = None if stored is None else forecasting.Learnt.from_dict(stored.parameters)
    found = SiteAsOf(patient.site, as_of, fit=fit, only=[patient.pk]).reckoned(what_if=asked)
    body = plan_object(patient.patient_ref, found.said, 0, found.settings["results_stale_days"])
    given = found.said.bar[0] == AVAILABLE
    return body, options_of(found, 0, beside(found, asked_about=True)[0]) if given else None
