"""Demand made and kept: every night, and looked back at once a week. Reckoned, so outside the trail."""

from __future__ import annotations

from dataclasses import asdict
from datetime import date, datetime, timedelta
from zoneinfo import ZoneInfo

from django.db import transaction

from programme.core.models import Site
from programme.supply.models import DemandForecast, DemandLookBack
from programme.supply.numeric.demand import WeekOfClass, WeekOfGroup
from programme.supply.queries.demand import WEEKS, LookBack, demand, look_back

DEMAND_VERSION = "demand-5"
LOOK_BACK_AFTER_DAYS = 7


def keep_demand(*, site: Site, at: datetime) -> DemandForecast:
    """Make and store today's demand of a site, in place of one made earlier today."""
    now = at.astimezone(ZoneInfo(site.time_zone))
    stretch = stretch_in_use(site)
    found = demand(site, first=now.date(), weeks=WEEKS, now=now, stretch=stretch)
    said = {
        "made_at": at,
        "model_fit": found.fit,
        "code_version": DEMAND_VERSION,
        "stretch": stretch,
        "rows": [printed_row(row) for row in found.rows],
        "classes": [printed_class(row) for row in found.classes],
        "left_out": list(found.left_out),
    }
    with transaction.atomic():
        row, _ = DemandForecast.objects.update_or_create(site=site, as_of=found.as_of, defaults=said)
    return row


def keep_look_back(*, site: Site, at: datetime) -> DemandLookBack | None:
    """Make and store a look back, unless there is one less than a week old; None where records do not reach back."""
    today = at.astimezone(ZoneInfo(site.time_zone)).date()
    newest = newest_look_back(site)
    if newest is not None and today - newest.as_of < timedelta(days=LOOK_BACK_AFTER_DAYS):
        return newest
    try:
        found = look_back(site, today=today)
    except ValueError:
        return None
    with transaction.atomic():
        return DemandLookBack.objects.create(
            site=site,
            as_of=today,
            made_at=at,
            code_version=DEMAND_VERSION,
            stretch=found.stretch,
            held_later=found.held_later,
            weeks_later=found.weeks_later,
            rows=_printed_weeks(found),
        )


def newest_look_back(site: Site) -> DemandLookBack | None:
    """Return the newest look back made with the present code."""
    return DemandLookBack.objects.filter(site=site, code_version=DEMAND_VERSION).order_by("-as_of", "-pk").first()


def stretch_in_use(site: Site) -> float:
    """By how much ranges are widened now: as the newest look back found, else not at all."""
    newest = newest_look_back(site)
    return 1.0 if newest is None else newest.stretch


def printed_row(row: WeekOfGroup) -> dict[str, object]:
    """Return one week of one group as it is stored and printed; units, rounded to a hundredth."""
    names = ("p10", "p50", "p90", "expected")
    return {
        "week_start": date.fromordinal(row.week_start).isoformat(),
        "group": row.group,
        **{name: round(getattr(row, name), 2) for name in names},
        "searched": dict(zip(names, (round(value, 2) for value in row.searched), strict=True)),
        "booked": row.booked,
    }


def printed_class(row: WeekOfClass) -> dict[str, object]:
    """Return one week of one phenotype as it is stored and printed; units, rounded to a hundredth."""
    names = ("p10", "p50", "p90", "expected")
    return {
        "week_start": date.fromordinal(row.week_start).isoformat(),
        "group": row.group,
        "phenotype": row.phenotype,
        **{name: round(getattr(row, name), 2) for name in names},
        "booked": row.booked,
    }


def _printed_weeks(found: LookBack) -> list[dict[str, object]]:
    rows = [asdict(row) for row in found.rows]
    return [{**row, "as_of": f"{row['as_of']}", "week_start": f"{row['week_start']}"} for row in rows]
