"""From past sessions to what is believed of everyone today: the one caller of the drift model.

A programme is read whole, learnt whole and updated whole, because each person's figures lean on everyone's; what is
shown or stored is then picked by person.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date, datetime
from typing import Any

import numpy as np
from numpy.typing import NDArray

from programme.core.models import Site
from sessions.models import BacktestRun, ModelFit
from sessions.numeric.drift.fit import FORM_BEFORE_CHOICE, MODEL_VERSION, ProgrammeFit, fit_programme
from sessions.numeric.drift.person import PeoplePace, update_people
from sessions.numeric.drift.predict import predict
from sessions.numeric.mixing import PersonalMixing, personal_mixing
from sessions.queries import SiteColumns

Floats = NDArray[np.float64]

CURVE_DAYS = tuple(range(0, 99, 7))
QUANTILES = {"p10": 0.1, "p25": 0.25, "p50": 0.5, "p75": 0.75, "p90": 0.9}


@dataclass(frozen=True, slots=True)
class Programme:
    """A site's people as of a day; person number p of every array is `read.patient_pks[p]`."""

    read: SiteColumns
    as_of: date
    fit: ProgrammeFit
    pace: PeoplePace
    mixing: PersonalMixing


def learn(read: SiteColumns, *, form: str) -> ProgrammeFit:
    """Fit the drift model in this form to everyone's sessions."""
    return fit_programme(read.columns, form=form)


def see(read: SiteColumns, fit: ProgrammeFit, as_of: date) -> Programme:
    """Update everyone from their sessions, given the programme's fit."""
    columns = read.columns
    return Programme(
        read=read,
        as_of=as_of,
        fit=fit,
        pace=update_people(fit, columns),
        mixing=personal_mixing(
            person=columns.person,
            removal_ratio=read.share_of_ideal,
            removal_ratio_sd=read.share_of_ideal_sd,
            n_people=columns.n_people,
        ),
    )


def form_in_use(site: Site) -> str:
    """Return the form that a person last accepted for the site, else the one every site starts with."""
    chosen = BacktestRun.objects.filter(site=site).exclude(form_chosen="").order_by("-made_at", "-pk").first()
    return chosen.form_chosen if chosen else FORM_BEFORE_CHOICE


def fit_in_force(site: Site, as_of: date) -> ModelFit | None:
    """Return the site's newest fit in force made for a day up to `as_of` by this version of the model."""
    fits = ModelFit.objects.filter(
        site=site, in_force_since__isnull=False, as_of__lte=as_of, code_version=MODEL_VERSION
    )
    return fits.order_by("-in_force_since", "-pk").first()


def unstored_fit(site: Site, fit: ProgrammeFit, *, as_of: date, at: datetime) -> ModelFit:
    """Return a row for the fit, in force if it passes its checks."""
    failed = checks_failed(fit)
    return ModelFit(
        site=site,
        made_at=at,
        as_of=as_of,
        form=fit.form,
        code_version=MODEL_VERSION,
        parameters=fit.to_dict(),
        n_people=fit.n_people,
        n_gaps=fit.n_gaps,
        checks=failed,
        in_force_since=None if failed else at,
    )


def checks_failed(fit: ProgrammeFit) -> list[str]:
    """Return what is wrong with a fit, in sentences; an empty list lets it come into force.

    A programme's mean pace outside 0.1 to 3 points a day has not been seen in any series (chosen here).
    """
    failed = [f"{name} is {value}" for name, value in fit.values.items() if not np.isfinite(value)]
    pace = fit.values["pace_mean"]
    if np.isfinite(pace) and not 0.1 <= pace <= 3.0:
        failed.append(f"the mean pace is {pace:.2f} points a day; expected is 0.1 to 3")
    return failed


def curves(programme: Programme, places: NDArray[np.int64]) -> dict[str, Floats]:
    """Return quantiles of the measured HbS before, [people, CURVE_DAYS], by name; nan where nothing can be said."""
    some = programme.pace.take(places).expanded(1)
    seen = predict(programme.fit, some, days=np.array(CURVE_DAYS, dtype=float)[None, :])
    return {name: seen.quantile(level) for name, level in QUANTILES.items()}


def quantiles_on(programme: Programme, days: Floats) -> dict[str, Floats]:
    """Return p10, p50 and p90 of the measured HbS for everyone, `days` [k] after their last session: [P, k]."""
    seen = predict(programme.fit, programme.pace.expanded(1), days=days[None, :])
    return {name: seen.quantile(QUANTILES[name]) for name in ("p10", "p50", "p90")}


def pace_words(programme: Programme, place: int) -> dict[str, Any] | None:
    """Return what is stored of one person's pace; None where there is no session."""
    pace, fit = programme.pace.take(place), programme.fit
    if np.isnan(pace.last_day):
        return None
    return {
        "pct_per_day": round(float(pace.pace_pct_per_day), 4),
        "low": round(float(pace.pace_low_pct_per_day), 4),
        "high": round(float(pace.pace_high_pct_per_day), 4),
        "n_gaps": int(pace.n_gaps),
        "usual_interval_days": round(float(pace.usual_interval_days)),
        "longest_twice_days": round(float(pace.longest_twice_days)),
        "form": fit.form,
        "after_pct": round(float(pace.after_pct), 2),
        "after_sd_pct": round(float(pace.after_sd), 2),
        "after_reckoned": int(pace.after_source) != 0,
    }
