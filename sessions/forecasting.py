"""From past sessions to what is believed of everyone today: the one caller of the drift model.

Whatever a person's figures lean on of others is learnt from the programme and kept with its fit. Given the fit, each
person is updated from their own sessions alone, so that it is the same whether one, some or all of them are read.
"""

from __future__ import annotations

from dataclasses import asdict, dataclass
from datetime import date, datetime
from typing import Any

import numpy as np
from numpy.typing import NDArray

from programme.core.models import Site
from programme.core.settings_of_site import site_settings
from sessions.models import BacktestRun, ModelFit
from sessions.numeric.attendance import Attendance, Lateness, attendance_of, learn_lateness
from sessions.numeric.backtest import ORIGINS, run_backtest
from sessions.numeric.changes_of_pace import PaceChanges, find_changes, learn_thresholds
from sessions.numeric.drift import fit as drift
from sessions.numeric.drift.fit import CANDIDATES, FORM_BEFORE_CHOICE, MANY_GAPS, ProgrammeFit, fit_programme
from sessions.numeric.drift.person import PeoplePace, update_people
from sessions.numeric.drift.predict import predict
from sessions.numeric.haemolysis import WATCH_VERSION, Watched, WatchFit, fit_watch, update_watch
from sessions.numeric.hb import predict_hb
from sessions.numeric.hb_before import HbBefore, hb_before, learn_hb_before
from sessions.numeric.mixing import MixingFit, PersonalMixing, learn_mixing, personal_mixing
from sessions.numeric.pace_shift import Thresholds
from sessions.numeric.predictive import Predictive
from sessions.queries.past import SiteColumns, ceilings_at, people_to_learn_from, session_columns, sessions_known

Floats = NDArray[np.float64]

MODEL_VERSION = f"{drift.MODEL_VERSION}/{WATCH_VERSION}/u-1"
"""Both models that a forecast rests on, and what else a unit is learnt to have in common (u); a forecast made by
another version is stale."""

FORMS_TO_CHOOSE = CANDIDATES
CURVE_DAYS = tuple(range(0, 99, 7))
QUANTILES = {"p10": 0.1, "p25": 0.25, "p50": 0.5, "p75": 0.75, "p90": 0.9}


@dataclass(frozen=True, slots=True)
class Learnt:
    """What is learnt from a whole programme, and so all that one person's figures have of others."""

    drift: ProgrammeFit
    watch: WatchFit
    flag_over: Thresholds  # log odds over which a changed pace is flagged
    mixing: MixingFit
    lateness: Lateness
    hb_before: HbBefore

    def to_dict(self) -> dict[str, Any]:
        """For storing as JSON; `from_dict` gives an equal one back."""
        return {
            "drift": self.drift.to_dict(),
            "watch": self.watch.to_dict(),
            "flag_over": self.flag_over.to_dict(),
            "mixing": asdict(self.mixing),
            "lateness": asdict(self.lateness),
            "hb_before": asdict(self.hb_before),
        }

    @classmethod
    def from_dict(cls, stored: dict[str, Any]) -> Learnt:
        """Raises: ValueError when it was made by another version of a model."""
        return cls(
            drift=ProgrammeFit.from_dict(stored["drift"]),
            watch=WatchFit.from_dict(stored["watch"]),
            flag_over=Thresholds(**stored["flag_over"]),
            mixing=MixingFit(**stored["mixing"]),
            lateness=Lateness(stored["lateness"]["share"], tuple(stored["lateness"]["delays"])),
            hb_before=HbBefore(**stored["hb_before"]),
        )


@dataclass(frozen=True, slots=True)
class Programme:
    """People of a site as of a day; person number p of every array is `read.patient_pks[p]`.

    hb_before_g_l, hb_before_sd: to be expected before the next session.
    """

    read: SiteColumns
    as_of: date
    fit: ProgrammeFit
    pace: PeoplePace
    mixing: PersonalMixing
    attendance: Attendance
    hb_before_g_l: Floats
    hb_before_sd: Floats
    changes: PaceChanges
    watch: WatchFit
    watched: Watched


def learn(read: SiteColumns, *, form: str) -> Learnt:
    """Fit the drift model in this form, and all else that people have in common, to these people's sessions."""
    columns = read.columns
    fit = fit_programme(columns, form=form)
    return Learnt(
        drift=fit,
        watch=fit_watch(columns),
        flag_over=learn_thresholds(fit, columns),
        mixing=learn_mixing(**_removal(read)),
        lateness=learn_lateness(columns, update_people(fit, columns).usual_interval_days),
        hb_before=learn_hb_before(columns),
    )


def learn_site(site: Site, *, as_of: date, form: str) -> Learnt:
    """Learn from a site as known on a day: from everybody, or where it is large from people spread evenly over it."""
    some = people_to_learn_from(site, until=as_of, most_gaps=MANY_GAPS)
    return learn(session_columns(site, until=as_of, known_by=as_of, only=some), form=form)


def see(read: SiteColumns, learnt: Learnt, as_of: date) -> Programme:
    """Update these people from their own sessions, given what was learnt from the programme."""
    columns, fit = read.columns, learnt.drift
    pace = update_people(fit, columns)
    hb, hb_sd = hb_before(learnt.hb_before, columns)
    return Programme(
        read=read,
        as_of=as_of,
        fit=fit,
        pace=pace,
        mixing=personal_mixing(learnt.mixing, **_removal(read)),
        attendance=attendance_of(learnt.lateness, columns),
        hb_before_g_l=hb,
        hb_before_sd=hb_sd,
        changes=find_changes(fit, columns, learnt.flag_over, pace),
        watch=learnt.watch,
        watched=update_watch(learnt.watch, columns),
    )


def _removal(read: SiteColumns) -> dict[str, Any]:
    return {
        "person": read.columns.person,
        "removal_ratio": read.share_of_ideal,
        "removal_ratio_sd": read.share_of_ideal_sd,
        "n_people": read.columns.n_people,
    }


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


def unstored_fit(site: Site, learnt: Learnt, *, as_of: date, at: datetime) -> ModelFit:
    """Return a row for the fit, in force if it passes its checks."""
    fit = learnt.drift
    failed = checks_failed(fit)
    return ModelFit(
        site=site,
        made_at=at,
        as_of=as_of,
        form=fit.form,
        code_version=MODEL_VERSION,
        parameters=learnt.to_dict(),
        n_people=fit.n_people,
        n_gaps=fit.n_gaps,
        n_sessions=sessions_known(site, until=as_of),
        checks=failed,
        in_force_since=None if failed else at,
    )


def unstored_comparison(
    site: Site, read: SiteColumns, *, as_of: date, at: datetime, n_origins: int = ORIGINS
) -> BacktestRun:
    """Return a row for the comparison of all forms on these sessions; the form in use stays in use."""
    ceilings = ceilings_at(site, read, default_pct=site_settings(site, at)["hbs_ceiling_pct"])
    found = run_backtest(read.columns, form_in_use=form_in_use(site), n_origins=n_origins, ceiling_pct=ceilings)
    return BacktestRun(
        site=site, made_at=at, as_of=as_of, code_version=MODEL_VERSION, result=found.to_dict(), form_chosen=""
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


def curves(fit: ProgrammeFit, pace: PeoplePace) -> dict[str, Floats]:
    """Return quantiles of the measured HbS before, [people, CURVE_DAYS], by name; nan where nothing can be said."""
    seen = predict(fit, pace.expanded(1), days=np.array(CURVE_DAYS, dtype=float)[None, :])
    return {name: seen.quantile(level) for name, level in QUANTILES.items()}


def quantiles_on(fit: ProgrammeFit, pace: PeoplePace, days: Floats) -> dict[str, Floats]:
    """Return p10, p50 and p90 of the measured HbS `days` [k] after each one's last session: [people, k]."""
    seen = predict(fit, pace.expanded(1), days=days[None, :])
    return {name: seen.quantile(QUANTILES[name]) for name in ("p10", "p50", "p90")}


def pace_words(programme: Programme, places: NDArray[np.int64]) -> list[dict[str, Any] | None]:
    """Return what is stored of the pace of the people at `places`; None for one without a session."""
    pace, form = programme.pace.take(places), programme.fit.form
    columns = {
        "pct_per_day": np.round(pace.pace_pct_per_day, 4),
        "low": np.round(pace.pace_low_pct_per_day, 4),
        "high": np.round(pace.pace_high_pct_per_day, 4),
        "n_gaps": pace.n_gaps.astype(np.int64),
        "usual_interval_days": np.round(pace.usual_interval_days).astype(np.int64),
        "longest_twice_days": np.round(pace.longest_twice_days).astype(np.int64),
        "after_pct": np.round(pace.after_pct, 2),
        "after_sd_pct": np.round(pace.after_sd, 2),
        "after_reckoned": pace.after_source != 0,
    }
    rows = zip(*(values.tolist() for values in columns.values()), strict=True)
    return [
        None if none else dict(zip(columns, row, strict=True)) | {"form": form}
        for none, row in zip(np.isnan(pace.last_day).tolist(), rows, strict=True)
    ]


def hb_expected(programme: Programme, places: NDArray[np.int64], days: float) -> Predictive:
    """Return the spread of Hb [g/L] `days` after each one's last session: [people]."""
    return predict_hb(programme.watch.hb, programme.watched.hb.take(places), days=days)


def hb_curve(programme: Programme, places: NDArray[np.int64], days: Floats) -> Floats:
    """Return the median Hb [g/L] `days` [k] after each one's last session: [people, k]."""
    some = programme.watched.hb.take(places[:, None])
    return predict_hb(programme.watch.hb, some, days=days[None, :]).median()


def change_words(programme: Programme, place: int) -> dict[str, Any] | None:
    """Return what is stored of one person's changed pace; None where nothing is flagged."""
    change = programme.changes.of(place)
    if change is None:
        return None
    return {
        "on": date.fromordinal(change.since_day).isoformat(),
        "gaps": change.gaps,
        "before": round(change.from_pct_per_day, 4),
        "now": round(change.to_pct_per_day, 4),
        "low": round(change.low_pct_per_day, 4),
        "high": round(change.high_pct_per_day, 4),
        "method_changed": change.method_changed,
    }
