"""Fits, forecasts and suggestions brought up to date and stored: by the nightly replan, and at once after a change."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import date, datetime
from zoneinfo import ZoneInfo

from django.db import transaction
from django.db.models import Q

from patients.models import Patient
from programme.core.models import Site
from programme.planning.beside import beside
from programme.planning.models import Suggestion
from programme.planning.reckoning import SiteAsOf
from programme.planning.stored import forecast_rows, suggestion_rows
from programme.planning.watch import caution_of, keep
from sessions import forecasting
from sessions.forecasting import MODEL_VERSION
from sessions.models import ModelFit, StoredForecast
from sessions.queries.past import sessions_known

PLAN_VERSION = "plan-6"
REFIT_AFTER_DAYS = 7
OUTGROWN_BY, OUTGROWN_AT_LEAST = 1.25, 20  # sessions on record over those a fit was learnt with; chosen here
RENEW_AFTER_DAYS = 7
PEOPLE_AT_ONCE = 250
FEW_CHANGED = 3
"""A change of at most so many people was entered by hand, and their pages are likely to be opened next."""


def people_on_programme(site: Site) -> int:
    """Return how many people are on the programme."""
    return Patient.objects.of_site(site).active().count()


def fit_to_use(
    *, site: Site, as_of: date, at: datetime, refit: bool = False, growth: bool = False
) -> tuple[ModelFit, bool]:
    """Return the fit to plan with, and whether it is new: made anew when asked, missing, or a week old.

    growth: also where the records have outgrown it, as when a unit's years of sessions come in after its first person.
    """
    current = forecasting.fit_in_force(site, as_of)
    form = forecasting.form_in_use(site)
    fresh = current is not None and (as_of - current.as_of).days < REFIT_AFTER_DAYS and current.form == form
    if current is not None and fresh and not refit and not (growth and _outgrown(current, as_of)):
        return current, False
    row = forecasting.unstored_fit(site, forecasting.learn_site(site, as_of=as_of, form=form), as_of=as_of, at=at)
    row.save()
    # A fit that fails its checks never comes into force: the older one stays, and the failure stands in its row.
    if row.in_force_since is None and current is not None:
        return current, False
    return row, True


def _outgrown(fit: ModelFit, as_of: date) -> bool:
    if fit.n_sessions is None:
        return False
    now = sessions_known(fit.site, until=as_of)
    return now >= max(OUTGROWN_BY * fit.n_sessions, fit.n_sessions + OUTGROWN_AT_LEAST)


def stale_keys(*, site: Site, as_of: date, fit: ModelFit, everyone: bool = False) -> list[int]:
    """Return the keys of active people whose suggestion or forecast no longer stands, in order of key."""
    patients = Patient.objects.of_site(site).active().order_by("pk")
    if everyone:
        return list(patients.values_list("pk", flat=True))
    wanted, caution = [], caution_of(site, as_of)
    stood_on = (*_stood_on("suggestion"), *_stood_on("forecast"))
    fields = ("pk", "data_version", *stood_on, "suggestion__next_date", "suggestion__caution")
    for pk, version, *stood, next_date, cautious in patients.values_list(*fields):
        said, seen = stood[:4], stood[4:]
        stands = said[:3] == [version, fit.pk, PLAN_VERSION] and seen[:3] == [version, fit.pk, MODEL_VERSION]
        stands = stands and cautious == caution
        if not stands or (as_of - said[3]).days >= RENEW_AFTER_DAYS or (next_date is not None and next_date < as_of):
            wanted.append(pk)
    return wanted


def _stood_on(row: str) -> tuple[str, ...]:
    return tuple(f"{row}__{name}" for name in ("data_version", "model_fit_id", "code_version", "as_of"))


def still_on_programme(keys: Sequence[int]) -> list[int]:
    """Return those of these keys whose people are on the programme, in order of key."""
    return list(Patient.objects.active().filter(pk__in=keys).order_by("pk").values_list("pk", flat=True))


@dataclass(frozen=True, slots=True)
class Rows:
    """Unsaved rows of some people, ready to be stored together."""

    forecasts: list[StoredForecast]
    suggestions: list[Suggestion]

    def __len__(self) -> int:
        return len(self.suggestions)


def reckon(
    keys: Sequence[int], *, site: Site, as_of: date, fit: ModelFit, at: datetime, asked_about: bool = False
) -> Rows:
    """Read and reckon these people with a stored fit and return their rows, unsaved."""
    rows = Rows([], [])
    for found in SiteAsOf(site, as_of, fit=forecasting.Learnt.from_dict(fit.parameters), only=keys).parts():
        shown = beside(found, asked_about=asked_about)
        rows.forecasts.extend(forecast_rows(found, fit=fit, at=at))
        rows.suggestions.extend(suggestion_rows(found, shown, fit=fit, at=at, code_version=PLAN_VERSION))
    return rows


def store(rows: Rows) -> int:
    """Replace the stored forecasts and suggestions of these people inside a transaction; return how many were stored.

    Whoever has changed since their records were read is left as they are: stale, or renewed already by that change.
    """
    versions = {row.patient_id: row.data_version for row in rows.suggestions}
    patients = Patient.objects.select_for_update(of=("self",)).filter(pk__in=versions).order_by("pk")
    now = patients.values_list("pk", "data_version")
    unchanged = {pk for pk, version in now if version == versions[pk]}
    forecasts = [row for row in rows.forecasts if row.patient_id in unchanged]
    keep(forecasts)
    _replace(StoredForecast, forecasts)
    _replace(Suggestion, [row for row in rows.suggestions if row.patient_id in unchanged])
    return len(unchanged)


def _replace(model: type[StoredForecast] | type[Suggestion], rows: list[StoredForecast] | list[Suggestion]) -> None:
    fields = [field.name for field in model._meta.concrete_fields if field.name not in ("id", "patient")]
    model._default_manager.bulk_create(rows, update_conflicts=True, unique_fields=["patient"], update_fields=fields)  # type: ignore[arg-type]


def renew(patient_keys: Iterable[int], at: datetime) -> None:
    """Renew these people at once after a change, with the fit in force; the first change of a site makes its fit.

    Many who change at once may have outgrown the fit: then it is made anew, and everybody with it.
    """
    keys = tuple(patient_keys)
    many = len(keys) > FEW_CHANGED
    for site in Site.objects.filter(Q(patients__in=keys[:1])).distinct():
        as_of = at.astimezone(ZoneInfo(site.time_zone)).date()
        fit, is_new = fit_to_use(site=site, as_of=as_of, at=at, growth=many)
        if many and is_new:
            keys = tuple(dict.fromkeys((*keys, *stale_keys(site=site, as_of=as_of, fit=fit))))
        for start in range(0, len(keys), PEOPLE_AT_ONCE):
            some = keys[start : start + PEOPLE_AT_ONCE]
            rows = reckon(some, site=site, as_of=as_of, fit=fit, at=at, asked_about=not many)
            with transaction.atomic():  # forecast and suggestion change together
                store(rows)
