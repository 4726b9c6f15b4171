"""What the review pages read."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date, datetime
from typing import Any

from programme.core.models import Site
from sessions.forecasting import form_in_use
from sessions.models import BacktestRun

WORDS = {
    "linear": ("Straight line", "the same rise every day, learnt for each person"),
    "two_pool": ("Two pools", "donor cells go along a line and own cells take their place"),
    "logit": ("S-curve", "slow at the bottom and near the untransfused level"),
    "graded": ("Bent line", "slower as own cells take over, by as much as the records say"),
    "graded_hb": ("Bent line with Hb", "as the bent line, allowing for Hb after the session"),
    "own_mean": ("Own mean rate", "the published rule: each person's mean rise so far, carried forward"),
}


@dataclass(frozen=True, slots=True)
class FormRow:
    """How one form did on this unit's past; None where there were no such forecasts. Errors and widths in points."""

    name: str
    what: str
    in_use: bool
    best: bool
    error_usual: float | None
    error_longer: float | None
    bias: float | None
    bias_longer: float | None
    inside_50: float | None
    inside_80: float | None
    inside_90: float | None
    width_80: float | None
    crps: float | None
    crps_by_gaps: tuple[float | None, float | None, float | None]
    against: Against | None


@dataclass(frozen=True, slots=True)
class Against:
    """The score of a form less that of the one in use, points; two standard errors by person on either side."""

    mean: float
    low: float
    high: float

    @property
    def words(self) -> str:
        if self.low > 0:
            return "clearly worse"
        return "clearly better" if self.high < 0 else "may be chance"


@dataclass(frozen=True, slots=True)
class Promise:
    """Forecasts that promised about the same, in 100: what was said, and what came true with its 95 % interval."""

    words: str
    n: int
    n_people: int
    said: float
    count: float
    seen: float
    low: float | None
    high: float | None
    why_not: str

    @property
    def verdict(self) -> str:
        """What the interval lets one say of the promise."""
        if self.low is None or self.high is None:
            return self.why_not
        if self.low <= self.said <= self.high:
            return "within chance"
        return "more often than said" if self.low > self.said else "less often than said"


@dataclass(frozen=True, slots=True)
class HowGood:
    """The newest comparison of forms, best first. accepted_why: the reason of who accepted a form on it, or ''.

    chances, ranges: how the form in use kept what it promised; empty where the comparison did not count that.
    """

    made_at: datetime
    as_of: date
    n_people: int
    n_forecasts: int
    n_longer: int
    n_left_out: int
    rows: tuple[FormRow, ...]
    in_use: str
    advised: str
    advice: str
    accepted_why: str
    chances: tuple[Promise, ...]
    ranges: tuple[Promise, ...]

    @property
    def best(self) -> FormRow | None:
        return next((row for row in self.rows if row.best), None)

    @property
    def advises_another(self) -> bool:
        return self.advised != self.in_use


def form_words(form: str) -> str:
    """The name of a form in words."""
    return WORDS[form][0] if form in WORDS else form


def how_good(site: Site) -> HowGood | None:
    """Return the site's newest stored comparison, or None where none was made."""
    run = BacktestRun.objects.filter(site=site).exclude(result={}).order_by("-made_at", "-pk").first()
    if run is None:
        return None
    result, in_use = run.result, form_in_use(site)
    others = {said["form"]: said for said in result.get("comparisons", []) if in_use == result["form_in_use"]}
    rows = [
        _row(form, said, in_use=in_use, best=result["best"], against=_against(others.get(form)))
        for form, said in result["results"].items()
    ]
    kept = result["results"].get(in_use, {}).get("calibration", {"over": [], "ranges": []})
    return HowGood(
        made_at=run.made_at,
        as_of=run.as_of,
        n_people=result["n_people"],
        n_forecasts=result["n_forecasts"],
        n_longer=max(said["longer"]["n"] for said in result["results"].values()),
        n_left_out=result["n_left_out"],
        rows=tuple(sorted(rows, key=lambda row: (row.crps is None, row.crps, row.name))),
        in_use=form_words(in_use),
        advised=form_words(result["advised"]),
        advice=result["reason"].replace(result["advised"], form_words(result["advised"]), 1),
        accepted_why=result.get("accepted", {}).get("reason", ""),
        chances=tuple(_promise(f"{100 * one['from_']:.0f} to {100 * one['to']:.0f}", one) for one in kept["over"]),
        ranges=tuple(_promise(f"middle {100 * one['to']:.0f}", one) for one in kept["ranges"]),
    )


def _against(said: dict[str, Any] | None) -> Against | None:
    if said is None or said["mean"] is None or said["standard_error"] is None:
        return None
    half = 2 * said["standard_error"]
    return Against(said["mean"], said["mean"] - half, said["mean"] + half)


def _promise(words: str, kept: dict[str, Any]) -> Promise:
    low, high = (None if kept[name] is None else 100 * kept[name] for name in ("low", "high"))
    figures = {name: kept[name] for name in ("n", "n_people", "count", "why_not")}
    return Promise(words=words, said=100 * kept["said"], seen=100 * kept["seen"], low=low, high=high, **figures)


def _row(form: str, said: dict[str, Any], *, in_use: str, best: str, against: Against | None) -> FormRow:
    attended, groups = said["attended"], said["groups"]
    name, what = WORDS.get(form, (form, ""))
    few, some, many = (groups[group]["crps"] for group in ("gaps_1_3", "gaps_4_9", "gaps_10_up"))
    return FormRow(
        name=name,
        what=what,
        in_use=form == in_use,
        best=form == best,
        error_usual=said["routine"]["mean_abs_error"],
        error_longer=said["longer"]["mean_abs_error"],
        bias=attended["bias"],
        bias_longer=said["longer"]["bias"],
        inside_50=attended["inside_50"],
        inside_80=attended["inside_80"],
        inside_90=attended["inside_90"],
        width_80=attended["width_80"],
        crps=attended["crps"],
        crps_by_gaps=(few, some, many),
        against=against,
    )
