"""The forecast watch: what was forecast before each session is kept, and each night held against what was measured."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import date, datetime, timedelta
from math import isnan

import numpy as np
from django.db import transaction

from programme.core.models import Site
from programme.planning.models import ForecastWatch, KeptForecast
from sessions.forecasting import CURVE_DAYS
from sessions.models import SessionFacts, StoredForecast
from sessions.numeric.columns import EARLY_UNWELL
from sessions.numeric.watch import watch

WATCHED_DAYS = 182
"""A season and a half of visits: long enough for some hundred forecasts, short enough to notice. Chosen here."""


def keep(new: Sequence[StoredForecast]) -> None:
    """Keep what was forecast for sessions that came since, before it is replaced by `new`; inside its transaction.

    Only the first session after the one forecast from, and only where the forecast was made by its day: what is entered
    or made later was no forecast. One query, and three more where anybody had a session since.
    """
    last = {row.patient_id: row.last_on for row in new if row.last_on is not None}
    before = StoredForecast.objects.filter(patient__in=last, last_on__isnull=False, days__isnull=False)
    stood = before.values_list("patient_id", "last_on")
    older = [key for key, last_on in stood if last_on is not None and last_on < last[key]]
    if not older:
        return
    went_on = {row.patient_id: row for row in before.filter(patient__in=older).defer("results_used", "flag")}
    first: dict[int, SessionFacts] = {}
    facts = SessionFacts.objects.filter(patient__in=went_on, day__gt=min(_last_day(row) for row in went_on.values()))
    for row in facts.order_by("-day").only("patient_id", "day", "exchange_session_id"):
        if row.day > _last_day(went_on[row.patient_id]):
            first[row.patient_id] = row
    kept = [_kept(went_on[key], row) for key, row in first.items()]
    KeptForecast.objects.bulk_create([row for row in kept if row is not None], ignore_conflicts=True)


def _last_day(row: StoredForecast) -> int:
    assert row.last_on is not None  # only such rows are read
    return row.last_on.toordinal()


def _kept(said: StoredForecast, came: SessionFacts) -> KeptForecast | None:
    ahead = came.day - _last_day(said)
    if said.days is None or said.as_of.toordinal() > came.day or ahead > CURVE_DAYS[-1]:
        return None
    p10, p50, p90 = (float(np.interp(ahead, said.days["days"], said.days[name])) for name in ("p10", "p50", "p90"))
    return KeptForecast(
        patient_id=said.patient_id,
        exchange_session_id=came.exchange_session_id,
        as_of=said.as_of,
        made_at=said.made_at,
        code_version=said.code_version,
        form=str((said.pace or {}).get("form", "")),
        ahead_days=ahead,
        p10=p10,
        p50=p50,
        p90=p90,
    )


@transaction.atomic
def look(*, site: Site, on: date, at: datetime) -> ForecastWatch:
    """Hold the kept forecasts of the last WATCHED_DAYS against what was measured, and store what was found.

    Left out, as by the comparison of forms: visits for being unwell, and gaps with a transfusion in them. What was
    measured is read as it is in force now. Looking twice on a day replaces what was found.
    """
    first = on - timedelta(days=WATCHED_DAYS)
    rows = KeptForecast.objects.filter(
        patient__site=site,
        exchange_session__facts__day__range=(first.toordinal(), on.toordinal()),
        exchange_session__facts__hbs_before_pct__isnull=False,
        exchange_session__facts__gap_known=True,
        exchange_session__facts__topup_hb_g=0,
    ).exclude(exchange_session__facts__reason=EARLY_UNWELL)
    read = rows.order_by("pk").values_list("patient_id", "p10", "p90", "exchange_session__facts__hbs_before_pct")
    table = np.array(list(read), dtype=np.float64).reshape(-1, 4)
    found = watch(
        person=table[:, 0].astype(np.int64),
        p10=table[:, 1],
        p90=table[:, 2],
        observed=table[:, 3],
        caution_before=caution_of(site, on - timedelta(days=1)),
    )
    shares = {
        "inside": found.inside, "inside_low": found.inside_range.low, "inside_high": found.inside_range.high,
        "above": found.above, "above_low": found.above_range.low, "above_high": found.above_range.high,
    }  # fmt: skip
    said = {name: None if isnan(share) else share for name, share in shares.items()}
    said |= {name: getattr(found, name) for name in ("n", "n_people", "enough", "holds", "caution")}
    row, _ = ForecastWatch.objects.update_or_create(site=site, on=on, defaults={**said, "made_at": at})
    return row


def caution_of(site: Site, on: date) -> float:
    """Return the share of each accepted chance to plan with, as last found by `on`; 1 where nothing was. One query."""
    found = ForecastWatch.objects.filter(site=site, on__lte=on).order_by("-on").values_list("caution", flat=True)
    return found.first() or 1.0


def newest(site: Site) -> ForecastWatch | None:
    """Return what was found last; None where nobody has looked yet. One query."""
    return ForecastWatch.objects.filter(site=site).order_by("-on").first()
