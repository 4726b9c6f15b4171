"""What is in force: a stored forecast or suggestion is stale when anything it came from is not in force any more."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date

from programme.core.models import Site
from programme.planning.models import Suggestion
from programme.planning.services import PLAN_VERSION
from sessions.forecasting import fit_in_force
from sessions.models import ModelFit, StoredForecast


@dataclass(frozen=True, slots=True)
class InForce:
    """The fit of a site that is in force (None before the first), made by the model in use, and the planner in use."""

    fit: ModelFit | None
    plan_version: str = PLAN_VERSION

    def forecast_is_stale(self, stored: StoredForecast, data_version: int) -> bool:
        return self._differs(stored, data_version, "" if self.fit is None else self.fit.code_version)

    def suggestion_is_stale(self, stored: Suggestion, data_version: int) -> bool:
        return self._differs(stored, data_version, self.plan_version)

    def _differs(self, stored: StoredForecast | Suggestion, data_version: int, code: str) -> bool:
        fit_key = None if self.fit is None else self.fit.pk
        return (stored.data_version, stored.model_fit_id, stored.code_version) != (data_version, fit_key, code)


def in_force(site: Site, today: date) -> InForce:
    """Return what is in force at a site on a day; one query."""
    return InForce(fit_in_force(site, today))
