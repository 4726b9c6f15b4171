"""What a programme's sessions say about everybody: form, parameters and calibration."""

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any

import numpy as np
from numpy.typing import NDArray

from ..columns import SessionColumns, enough_people
from ..predictive import Shape
from .calibrate import UNCALIBRATED, Calibration, calibrate
from .filter import run
from .forms import FORMS
from .haemoglobin import usual_haemoglobin
from .learn import Learnt, learn
from .panel import lay_out
from .parameters import PARAMETERS

MODEL_VERSION = "drift-3"

Floats = NDArray[np.float64]

CREDIT = "_hb"  # a form's name with this ending also credits haemoglobin after the session
CANDIDATES = (*FORMS, "graded" + CREDIT)
FORM_BEFORE_CHOICE = "graded_hb"

# Before data: HbS after a session, and how far it varies within a person. Chosen here, about common practice.
_AFTER_PCT, _AFTER_SD_PCT, _AFTER_WEIGHT = 15.0, 6.0, 20.0
# Learning goes in steps: about how many gaps, of each person at most the latest so many, and the gain in log likelihood
# under which it stops. Short histories come near in a third of the time; stopped at a gain of 0.15, the likelihood left
# is under 0.4 (24 made-up programmes), and stopped at 0.5 it cost forecasts up to 0.001 points.
_LEARNING = ((800, 8, 3.0), (2600, 24, 0.15))
MANY_GAPS = 30_000


@dataclass(frozen=True, slots=True)
class DriftSettings:
    """Choices of the site or of a test.

    fixed: parameters not to be learnt, by name. prior_weight: 1 as stated, 0 for plain maximum likelihood.
    """

    fixed: Mapping[str, float] = field(default_factory=dict)
    prior_weight: float = 1.0


@dataclass(frozen=True, slots=True)
class ProgrammeFit:
    """Everything learnt from a programme, plain numbers only.

    form: one of CANDIDATES. values: parameters by name (parameters.py), and what stands in for missing figures.
    pace_mean_se, bend_se: standard errors of the mean pace and of the bend. usual_gap_days: median gap.
    long_gap_days: 90th centile of gaps. usual_after_pct: median HbS after. n_people, n_gaps: how much it was learnt
    from.
    """

    model_version: str
    form: str
    values: dict[str, float]
    pace_mean_se: float
    bend_se: float
    calibration: Calibration
    usual_gap_days: float
    long_gap_days: float
    usual_after_pct: float
    n_people: int
    n_gaps: int
    log_likelihood: float

    @property
    def base_form(self) -> str:
        return self.form.removesuffix(CREDIT)

    def to_dict(self) -> dict[str, Any]:
        """For storing as JSON; `from_dict` gives an equal fit back."""
        plain = {name: getattr(self, name) for name in self.__slots__ if name != "calibration"}
        return plain | {
            "values": dict(self.values),
            "stretch": self.calibration.stretch,
            "floor": self.calibration.floor,
            "scale": list(self.calibration.scale),
            "shape": list(self.calibration.shape.at),
        }

    @classmethod
    def from_dict(cls, stored: Mapping[str, Any]) -> "ProgrammeFit":
        """A fit from `to_dict`. Raises: ValueError when it was made by another version of the model."""
        if stored["model_version"] != MODEL_VERSION:
            raise ValueError(f"This fit is of model {stored['model_version']!r}; this program reads {MODEL_VERSION!r}.")
        given = {name: stored[name] for name in cls.__slots__ if name not in ("values", "calibration")}
        calibration = Calibration(
            stored["stretch"], stored["floor"], tuple(stored["scale"]), Shape(tuple(stored["shape"]))
        )
        return cls(**(given | {"values": dict(stored["values"]), "calibration": calibration}))


def fit_programme(
    columns: SessionColumns, *, form: str | None = None, settings: DriftSettings | None = None
) -> ProgrammeFit:
    """Learn a programme's drift from everybody's sessions.

    Args: columns: all sessions known. form: one of CANDIDATES, by default FORM_BEFORE_CHOICE. settings.
    Returns: a fit; without any gap it is the prior, wide. The same columns give the same fit.
    Raises: ValueError for an unknown form.
    """
    chosen = form or FORM_BEFORE_CHOICE
    if chosen not in CANDIDATES:
        raise ValueError(f"No drift form is called {chosen!r}; allowed are {', '.join(CANDIDATES)}.")
    settings = settings or DriftSettings()
    base = chosen.removesuffix(CREDIT)
    fixed = _fixed(chosen, settings)
    gaps = _gap_days(columns)
    many = _many_people(columns)
    fixed |= _usual_values(many)
    learnt = _learnt(columns, base, fixed, settings)
    return ProgrammeFit(
        model_version=MODEL_VERSION,
        form=chosen,
        values=learnt.values,
        pace_mean_se=learnt.pace_mean_se,
        bend_se=learnt.bend_se,
        calibration=_calibrated(many, base, learnt.values),
        usual_gap_days=_median(gaps, 28.0),
        long_gap_days=float(np.quantile(gaps, 0.9)) if len(gaps) else 35.0,
        usual_after_pct=learnt.values["after_mean"],
        n_people=len(np.unique(columns.person)),
        n_gaps=len(gaps),
        log_likelihood=learnt.log_likelihood,
    )


def _fixed(form: str, settings: DriftSettings) -> dict[str, float]:
    fixed = dict(settings.fixed)
    if not form.endswith(CREDIT):
        fixed = {"hb_credit": 0.0, "hb_habit": 0.0} | fixed
    if form.removesuffix(CREDIT) != "graded":
        fixed.setdefault("turnover", 0.0)
    if form.removesuffix(CREDIT) == "two_pool":
        fixed.setdefault("bend", 1.0)  # the mass balance is a straight line after its early loss
    return fixed


def _learnt(columns: SessionColumns, base: str, fixed: Mapping[str, float], settings: DriftSettings) -> Learnt:
    """First from a few people, which is quick and comes near, then from enough."""
    free = tuple(p.name for p in PARAMETERS if p.name not in fixed)
    start: Mapping[str, float] = {}
    for most_gaps, longest, enough in _LEARNING:
        learnt = learn(
            lay_out(_some_people(columns, most_gaps, longest), fixed),
            base,
            free=free,
            fixed=fixed,
            start=start,
            prior_weight=settings.prior_weight,
            enough=enough,
        )
        start = learnt.values
    return learnt


def _usual_values(columns: SessionColumns) -> dict[str, float]:
    """What stands in for a missing figure: HbS after a session and how it varies within a person, and Hb."""
    known = ~np.isnan(columns.hbs_after_pct)
    person, values = columns.person[known], columns.hbs_after_pct[known]
    count = np.maximum(np.bincount(person, minlength=columns.n_people), 1)
    apart = values - (np.bincount(person, values, minlength=columns.n_people) / count)[person]
    freedom = len(values) - len(np.unique(person))
    after_sd = np.sqrt((apart @ apart + _AFTER_WEIGHT * _AFTER_SD_PCT**2) / (freedom + _AFTER_WEIGHT))
    usual = {"after_mean": _median(columns.hbs_after_pct, _AFTER_PCT), "after_sd": float(after_sd)}
    return usual | usual_haemoglobin(columns)


def _gap_days(columns: SessionColumns) -> Floats:
    days = np.diff(columns.day)[np.diff(columns.person) == 0]
    return np.asarray(days, dtype=float)


def _median(values: Floats, otherwise: float) -> float:
    known = values[~np.isnan(values)]
    return float(np.median(known)) if len(known) else otherwise


def _some_people(columns: SessionColumns, most_gaps: int, longest: int) -> SessionColumns:
    """Enough people to learn from, spread evenly over all who have a gap; of each the sessions of the latest gaps."""
    counts = np.diff(columns.starts())
    late = columns.sequence() >= counts[columns.person] - 1 - longest
    people = enough_people(np.minimum(counts - 1, longest), most_gaps)
    return columns.take_rows(late).take_people(people)


def _many_people(columns: SessionColumns) -> SessionColumns:
    """All people, or in a large programme enough of them, spread evenly, for what many gaps tell no better."""
    gaps = np.diff(columns.starts()) - 1
    few = gaps.sum(where=gaps > 0) <= MANY_GAPS
    return columns if few else columns.take_people(enough_people(gaps, MANY_GAPS))


def _calibrated(many: SessionColumns, base: str, values: Mapping[str, float]) -> Calibration:
    met = run(lay_out(many, values), base, one_set(values), keep=True).innovations
    if met is None or not len(met.row):
        return UNCALIBRATED
    return calibrate(met, many.hbs_before_pct[met.row])


def one_set(values: Mapping[str, float]) -> dict[str, Floats]:
    """Values as the filter takes them: one parameter set."""
    return {name: np.full((1, 1, 1), value) for name, value in values.items()}
