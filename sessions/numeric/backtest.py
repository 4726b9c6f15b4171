"""Which form forecasts this programme best: fitted only on what was known, judged on what came next.

At each of a few days (origins) every form is fitted to the sessions known by then, and forecasts each gap that ends
before the next origin from that person's sessions before it. The form in use gives way only to a clearly better one.
"""

from collections.abc import Mapping
from dataclasses import asdict, dataclass
from typing import Any

import numpy as np

from .calibration import Calibration, calibrate
from .columns import Floats, Ints, SessionColumns
from .drift.fit import CANDIDATES, FORM_BEFORE_CHOICE
from .forecasters import OWN_MEAN, DriftForm, Learner, OwnMeanRate, gap_days
from .mechanisms.made_up import simulate
from .mechanisms.oracle import oracle
from .scoring import Difference, Score, Scored, mean_difference, summarise
from .targets import GROUPS, Targets, origins, scored_rows, sessions_since_change, targets_at, usual_days

ORACLE = "oracle"
LONGER_DAYS = 14
LEAST_FORECASTS = 100  # under this nothing is said about which form is better
ORIGINS = 4  # days of the past at which all forms are fitted anew


@dataclass(frozen=True, slots=True)
class FormResult:
    """How one form did. groups: the same by what was known of the person, by length of gap, and after a change.

    calibration: of the attended gaps.
    """

    attended: Score
    longer: Score
    routine: Score
    groups: dict[str, Score]
    calibration: Calibration


@dataclass(frozen=True, slots=True)
class Comparison:
    """A form against the one in use, by CRPS on the same forecasts; negative means better."""

    form: str
    mean: float
    standard_error: float
    clearly_better: bool


@dataclass(frozen=True, slots=True)
class BacktestResult:
    """A back-test. results: by form, `own_mean` and in made-up worlds `oracle`.

    attended: gaps as they were, visits for being unwell left out. longer: in records, gaps at least 14 days longer
    than the person's usual one; in made-up worlds the same gaps 14 days later. routine: in records, gaps within 3 days
    of the usual one; in made-up worlds the usual interval whether or not the person came then.
    best: lowest CRPS of all forms. advised: the form to use, which is the one in use unless another is clearly better.
    """

    programme: str
    n_people: int
    n_forecasts: int
    n_left_out: int  # gaps for which one of them could say nothing
    origins: tuple[int, ...]
    form_in_use: str
    best: str
    advised: str
    reason: str
    comparisons: tuple[Comparison, ...]
    results: dict[str, FormResult]

    def to_dict(self) -> dict[str, Any]:
        """Plain figures for storage; what cannot be said is None."""
        plain = asdict(self)
        plain["comparisons"] = [
            {k: _none_if_nan(v) for k, v in asdict(comparison).items()} for comparison in self.comparisons
        ]
        plain["results"] = {name: _form_to_dict(result) for name, result in self.results.items()}
        return plain | {"origins": list(self.origins)}


def run_backtest(
    columns: SessionColumns,
    *,
    form_in_use: str = FORM_BEFORE_CHOICE,
    forms: tuple[str, ...] = CANDIDATES,
    n_origins: int = ORIGINS,
    others: Mapping[str, Learner] | None = None,
    ceiling_pct: Floats | None = None,
) -> BacktestResult:
    """Compare forms and the own-mean baseline on a programme's records.

    Args: columns: all sessions. form_in_use: the form that stays unless another is clearly better. forms: drift
        forms to compare. n_origins: how often to refit, evenly over the last 60 % of the sessions. others: further
        learners by name. ceiling_pct: the ceiling in force at each session [n], for how chances over it were kept.
    Returns: the result; with under 100 forecasts it advises to keep the form in use.
    Raises: ValueError for fewer than one origin or an unknown form.
    """
    rows = scored_rows(columns)
    usual = usual_days(columns)[columns.person[rows]]
    days = gap_days(columns)[rows]
    ceiling = None if ceiling_pct is None else ceiling_pct[rows]
    attended = targets_at(columns, rows, days, columns.hbs_before_pct[rows], ceiling_pct=ceiling)
    sets = {
        "attended": attended,
        "longer": attended.where(days >= usual + LONGER_DAYS),
        "routine": attended.where(np.abs(days - usual) <= 3),
    }
    return _compare("records", columns, sets, form_in_use, forms, n_origins, others or {}, {})


def run_made_up_backtest(
    name: str,
    *,
    n_people: int = 200,
    years: float = 3.0,
    seed: int = 1,
    form_in_use: str = FORM_BEFORE_CHOICE,
    forms: tuple[str, ...] = CANDIDATES,
    n_origins: int = 3,
    n_draws: int = 100,
    others: Mapping[str, Learner] | None = None,
) -> BacktestResult:
    """The same in a made-up world, beside an oracle that knows the true state and pace.

    name: daybyday, feedback, restless or selective. The gap 14 days longer, and the one at the usual interval, are
    lived anew from the true state, so that who came when does not matter. Wrong tubes are left out of the scores.
    Raises: ValueError for an unknown world.
    """
    made = simulate(name, n_people=n_people, years=years, seed=seed)
    columns = made.columns
    rows = scored_rows(columns)
    rows = rows[~made.truth.outlier[rows] & ~(made.truth.topup_g[rows] > 0.0)]
    days = gap_days(columns)[rows]
    usual = made.people.usual_interval_days[columns.person[rows]].astype(float)
    since = sessions_since_change(made)
    sets, truths = {}, {}
    for number, (kind, length) in enumerate((("attended", days), ("longer", days + LONGER_DAYS), ("routine", usual))):
        draws = oracle(made, rows - 1, length.astype(np.int64), n_draws=n_draws, seed=seed + 1000 * number)
        observed = columns.hbs_before_pct[rows]
        if kind != "attended":  # one more life from the same state is what was measured
            observed = oracle(made, rows - 1, length.astype(np.int64), n_draws=1, seed=seed + 500_000 + number)[:, 0]
        sets[kind] = targets_at(columns, rows, length, observed, since_change=since[rows])
        truths[kind] = Scored.of_draws(observed, draws)
    return _compare(name, columns, sets, form_in_use, forms, n_origins, others or {}, truths)


def _compare(
    programme: str,
    columns: SessionColumns,
    sets: dict[str, Targets],
    form_in_use: str,
    forms: tuple[str, ...],
    n_origins: int,
    others: Mapping[str, Learner],
    truths: dict[str, Scored],
) -> BacktestResult:
    if n_origins < 1:
        raise ValueError(f"n_origins is {n_origins}; at least one day to fit at is needed")
    wanted = dict.fromkeys((form_in_use, *forms))
    learners: dict[str, Learner] = {OWN_MEAN: OwnMeanRate()} | {f: DriftForm(f) for f in wanted} | dict(others)
    days_of_fit = origins(columns, n_origins)
    kept = {kind: np.flatnonzero(targets.day > days_of_fit[0]) for kind, targets in sets.items()}
    sets = {kind: targets.where(kept[kind]) for kind, targets in sets.items()}
    scored = {name: _forecasts(columns, learner, sets, days_of_fit) for name, learner in learners.items()}
    if truths:
        scored[ORACLE] = {kind: truths[kind].where(kept[kind]) for kind in sets}
    n_asked = len(sets["attended"])
    sets, scored = _answered_by_all(sets, scored)
    attended = sets["attended"]
    results = {name: _form_result(found, attended) for name, found in scored.items()}
    in_use = scored[form_in_use]["attended"].crps
    comparisons = tuple(
        _comparison(f, mean_difference(scored[f]["attended"].crps, in_use, attended.person))
        for f in wanted
        if f != form_in_use
    )
    best = min(wanted, key=lambda f: np.inf if not len(attended) else results[f].attended.crps)
    advised, reason = _advice(form_in_use, comparisons, len(attended))
    return BacktestResult(
        programme=programme,
        n_people=len(np.unique(attended.person)),
        n_forecasts=len(attended),
        n_left_out=n_asked - len(attended),
        origins=tuple(int(o) for o in days_of_fit),
        form_in_use=form_in_use,
        best=best,
        advised=advised,
        reason=reason,
        comparisons=comparisons,
        results=results,
    )


def _forecasts(columns: SessionColumns, learner: Learner, sets: dict[str, Targets], origins: Ints) -> dict[str, Scored]:
    """Scores of one learner on every set, refitted at each origin."""
    ends = [*origins[1:], np.iinfo(np.int64).max]
    parts: dict[str, list[tuple[Ints, Scored]]] = {kind: [] for kind in sets}
    for origin, end in zip(origins, ends, strict=True):
        now = {k: np.flatnonzero((t.day > origin) & (t.day <= end)) for k, t in sets.items()}
        if not any(len(chosen) for chosen in now.values()):
            continue
        fitted = learner(columns.until(int(origin)))
        for kind, chosen in now.items():
            asked = sets[kind].where(chosen)
            found = fitted.forecast(columns, asked.rows, asked.days)
            parts[kind].append((chosen, Scored.of_predictive(asked.observed, found, asked.ceiling_pct)))
    return {kind: _joined(found, len(sets[kind])) for kind, found in parts.items()}


def _joined(parts: list[tuple[Ints, Scored]], n: int) -> Scored:
    whole = Scored.empty(n)
    for chosen, part in parts:
        for name in Scored.__slots__:
            getattr(whole, name)[chosen] = getattr(part, name)
    return whole


def _answered_by_all(
    sets: dict[str, Targets], scored: dict[str, dict[str, Scored]]
) -> tuple[dict[str, Targets], dict[str, dict[str, Scored]]]:
    """Only the forecasts that everybody made: all are judged on the same."""
    answered = {
        kind: np.flatnonzero(np.all([np.isfinite(found[kind].crps) for found in scored.values()], axis=0))
        for kind in sets
    }
    asked = {kind: targets.where(answered[kind]) for kind, targets in sets.items()}
    return asked, {name: {kind: found[kind].where(answered[kind]) for kind in sets} for name, found in scored.items()}


def _form_result(found: dict[str, Scored], attended: Targets) -> FormResult:
    return FormResult(
        attended=summarise(found["attended"]),
        longer=summarise(found["longer"]),
        routine=summarise(found["routine"]),
        groups={name: summarise(found["attended"].where(group(attended))) for name, group in GROUPS.items()},
        calibration=calibrate(found["attended"], attended.person),
    )


def _comparison(form: str, difference: Difference) -> Comparison:
    return Comparison(form, difference.mean, difference.standard_error, difference.is_clearly_negative)


def _advice(form_in_use: str, comparisons: tuple[Comparison, ...], n: int) -> tuple[str, str]:
    """The form in use changes only when another is better by more than two clustered standard errors."""
    if n < LEAST_FORECASTS:
        return form_in_use, f"Only {n} forecasts could be judged, {LEAST_FORECASTS} are needed: the form stays."
    better = [c for c in comparisons if c.clearly_better]
    if not better:
        return form_in_use, "No other form is better by more than two standard errors: the form stays."
    first = min(better, key=lambda c: c.mean)
    return first.form, (
        f"{first.form} is better by {-first.mean:.3f} points of CRPS, standard error {first.standard_error:.3f}, "
        f"over {n} forecasts: more than two standard errors."
    )


def _form_to_dict(result: FormResult) -> dict[str, Any]:
    return {
        "attended": result.attended.to_dict(),
        "longer": result.longer.to_dict(),
        "routine": result.routine.to_dict(),
        "groups": {name: score.to_dict() for name, score in result.groups.items()},
        "calibration": result.calibration.to_dict(),
    }


def _none_if_nan(value: Any) -> Any:
    return None if isinstance(value, float) and np.isnan(value) else value
