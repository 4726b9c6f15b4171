"""What every page shows alike: the masthead with the graduated year, and Hb in the unit that the site reads."""

from __future__ import annotations

import re
from collections.abc import Callable
from contextvars import ContextVar
from dataclasses import dataclass
from datetime import date, datetime
from functools import lru_cache
from typing import Any
from zoneinfo import ZoneInfo

from django.http import HttpRequest, HttpResponseBase
from django.utils import timezone

from programme.core import access
from programme.core.models import User

YEAR_WIDTH = 1376.0

_in_g_dl: ContextVar[bool] = ContextVar("hb_in_g_dl", default=False)
_FIGURE = r"[-+\u2212]?\d+(?:\.\d+)?"
_HB_IN_WORDS = re.compile(rf"(?<![\w.])((?:{_FIGURE}(?:, | and | to |\u2013))*{_FIGURE}) g/L\b")
_NUMBER = re.compile(r"\d+(?:\.\d+)?")


def show_hb_in_g_dl(chosen: bool) -> None:
    """Choose how Hb is shown until this is called again; every request chooses for its own site."""
    _in_g_dl.set(chosen)


def hb_unit() -> str:
    """Return the unit in which Hb is shown: g/L, or g/dL where the site reads it so."""
    return "g/dL" if _in_g_dl.get() else "g/L"


def hb_shown(value_g_l: float) -> float:
    """Return Hb in the unit in which it is shown."""
    return value_g_l / 10.0 if _in_g_dl.get() else value_g_l


def hb_places(places: int = 0) -> int:
    """Return the decimals that show as much in that unit as `places` do in g/L."""
    return places + 1 if _in_g_dl.get() else places


def hb_words(words: str) -> str:
    """Return a sentence with the figures that stand before 'g/L' in the unit in which Hb is shown."""
    if not _in_g_dl.get():
        return words

    def turned(found: re.Match[str]) -> str:
        return _NUMBER.sub(_tenth, found[1]) + " g/dL"

    return _HB_IN_WORDS.sub(turned, words)


def _tenth(found: re.Match[str]) -> str:
    places = len(found[0].partition(".")[2]) + 1
    return f"{float(found[0]) / 10.0:.{places}f}"


class HbUnitMiddleware:
    """Shows Hb to whoever is signed in as their site reads it."""

    def __init__(self, get_response: Callable[[HttpRequest], HttpResponseBase]):
        self.get_response = get_response

    def __call__(self, request: HttpRequest) -> HttpResponseBase:
        user = request.user
        show_hb_in_g_dl(isinstance(user, User) and user.site.shows_g_dl)
        return self.get_response(request)


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
    now, glass = site_now(user), getattr(request, "broken_glass", None)
    writes = [action for action in access.matrix() if action.startswith(("change.", "move."))]
    shut = {action.replace(".", "_"): False for action in writes} if glass else {}
    return {
        "site_now": now,
        "week_number": now.isocalendar().week,
        "year_bar": year_bar(now.date()),
        "start_page": access.start_page(user),
        "broken_glass": glass,
        "may": {action.replace(".", "_"): access.may(user, action) for action in access.matrix()} | shut,
    }
