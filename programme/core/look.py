"""What every page's masthead shows: the unit, who is signed in, the day, and the graduated year."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date, datetime
from functools import lru_cache
from typing import Any
from zoneinfo import ZoneInfo

from django.http import HttpRequest
from django.utils import timezone

from programme.core import access
from programme.core.models import User

YEAR_WIDTH = 1376.0


@dataclass(frozen=True, slots=True)
class YearBar:
    """The year in weeks: filled alternate weeks, month ticks and the notch of today, in picture units."""

    weeks: tuple[tuple[str, str], ...]
    months: tuple[str, ...]
    notch: str
    notch_left: str
    notch_right: str


@lru_cache(maxsize=4)
def year_bar(today: date) -> YearBar:
    """Return the graduated year that closes the masthead."""
    first, last = date(today.year, 1, 1), date(today.year + 1, 1, 1)
    scale = YEAR_WIDTH / (last - first).days
    monday = 7 - first.weekday()
    starts = range(monday, (last - first).days, 14)
    weeks = tuple((f"{start * scale:.1f}", f"{min(7, (last - first).days - start) * scale:.1f}") for start in starts)
    months = tuple(f"{(date(today.year, month, 1) - first).days * scale:.1f}" for month in range(2, 13))
    notch = (today - first).days * scale
    return YearBar(weeks, months, f"{notch:.1f}", f"{notch - 5:.1f}", f"{notch + 5:.1f}")


def site_now(user: User) -> datetime:
    """Return the present moment in the signed-in person's unit."""
    return timezone.now().astimezone(ZoneInfo(user.site.time_zone))


def masthead(request: HttpRequest) -> dict[str, Any]:
    """Return what the base template needs on every page; nothing before sign-in."""
    user = getattr(request, "user", None)
    if not isinstance(user, User):
        return {}
    now = site_now(user)
    return {
        "site_now": now,
        "week_number": now.isocalendar().week,
        "year_bar": year_bar(now.date()),
        "may": {action.replace(".", "_"): access.may(user, action) for action in access.matrix()},
    }
